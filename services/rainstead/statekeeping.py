"""The calculation's state as text, and back, to the last bit: so that a restart goes on where the last commit was."""

import dataclasses
import json
from typing import Any

from rainstead import alarms, calc, derive

__all__ = ["state_from_text", "state_to_text"]

_KNOWN: dict[str, type[Any]] = {
    kind.__name__: kind
    for kind in (
        alarms.LimitState,
        calc.BlindState,
        calc.FlowState,
        calc.HoldState,
        calc.LatestState,
        calc.MedianState,
        calc.Plateau,
        calc.Spell,
        calc.RunState,
        calc.StormState,
        calc.TipState,
        derive.GaugeState,
        derive.MeterState,
        derive.State,
        derive.TankNow,
        derive.TankState,
    )
}


def state_to_text(state: derive.State) -> str:
    """JSON; floats in their shortest form that reads back the same."""
    return json.dumps(_plain(state), separators=(",", ":"))


def state_from_text(text: str) -> derive.State:
    """The state that `state_to_text` was given. Raises ValueError for any other text."""
    state = _whole(json.loads(text))
    if not isinstance(state, derive.State):
        raise ValueError("this is not a kept state")  # noqa: TRY004  it is the text that is wrong
    return state


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {"": type(value).__name__} | {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    return value


def _whole(value: Any) -> Any:
    if isinstance(value, dict):
        fields = {name: _whole(part) for name, part in value.items() if name != ""}
        try:
            return _KNOWN[value[""]](**fields)
        except (KeyError, TypeError) as error:
            raise ValueError(f"this is not a kept state: {error}") from None
    if isinstance(value, list):
        return tuple(_whole(part) for part in value)
    return value
