"""When the alarms of the board turn: each raised with memory, cleared when all stays well, never often in a day."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from rainstead.alarms import BOARD_ALARMS, NORMAL, Fault, FaultRule, look, resumed, steady_ms
from rainstead.events import AlarmEvent
from rainstead.words import span

__all__ = ["Turn", "Turns"]

Key = tuple[str, str]
"""Alarm and subject."""

AT_ONCE: Final = FaultRule(0, 0)


@dataclass(frozen=True, slots=True)
class Turn:
    """An alarm that was raised, or cleared. trouble_ms: how much of it no good time has made up for.

    besides: what is to be added to the reason; empty where it came once and stayed.
    """

    active: bool
    trouble_ms: int
    besides: str


class Turns:
    """rules: by alarm, where it is not raised and cleared at once. events: of the log that there is now.

    before: of the log before it, in this process. pending: as `pending` gave it to a process before, in this boot.
    """

    def __init__(
        self,
        rules: Mapping[str, FaultRule],
        events: Iterable[AlarmEvent],
        *,
        before: "Turns | None" = None,
        pending: object = None,
    ) -> None:
        self._rules = rules
        self._states: dict[Key, Fault] = _of_pending(pending)
        self._raised_t_ms: dict[Key, list[int]] = {}
        """Stamps, until there is a look that tells how old they are."""
        if before is not None:
            self._states |= before._states
        standing: dict[Key, str] = {}
        for event in events:
            if event.alarm in BOARD_ALARMS:
                key = (event.alarm, event.subject)
                if event.state != NORMAL and standing.get(key, NORMAL) == NORMAL:
                    self._raised_t_ms.setdefault(key, []).append(event.t_ms)
                standing[key] = event.state
        for key in standing.keys() | self._states.keys():
            known, active = self._states.get(key, Fault()), standing.get(key, NORMAL) != NORMAL
            if known.looked_ms is None or known.active != active:
                self._states[key] = resumed(known, active=active, raised_ms=known.raised_ms)

    @property
    def active(self) -> frozenset[Key]:
        """Those that stand."""
        return frozenset(key for key, state in self._states.items() if state.active)

    @property
    def bad_now(self) -> frozenset[Key]:
        """Those that stand, and are no matter of the past: not known to be well at the last look."""
        return frozenset(key for key, state in self._states.items() if state.active and state.bad is not False)

    def look(self, key: Key, bad: bool, boot_ms: int, t_ms: int) -> Turn | None:
        """What this look turns; None where nothing. t_ms: the stamp of this moment."""
        before, rule = self._state(key, boot_ms, t_ms), self._rules.get(key[0], AT_ONCE)
        state = self._states[key] = look(before, rule, boot_ms, bad)
        if state.active == before.active:
            return None
        if not state.active:
            return Turn(False, 0, f"; it had come and gone {before.spells} times" if before.spells > 1 else "")
        besides = f"; it comes and goes, {state.spells} times until now" if state.spells > 1 else ""
        times = len(state.raised_ms)
        if times > 1:
            steady = span(steady_ms(rule, state.raised_ms) / 1000)
            besides += f"; raised {times} times in a day, so it is over only after {steady} without"
        return Turn(True, state.owed_ms, besides)

    def forget(self, key: Key) -> bool:
        """There is nothing any more to look at; returns whether it was active."""
        state = self._states.pop(key, None)
        return state is not None and state.active

    def pending(self) -> list[dict[str, Any]]:
        """What a restart must not forget of those that the log does not know yet: trouble on its way to an alarm."""
        return [
            {"alarm": alarm, "subject": subject, "owed_ms": state.owed_ms, "spells": state.spells}
            for (alarm, subject), state in sorted(self._states.items())
            if state.owed_ms and not state.active
        ]

    def _state(self, key: Key, boot_ms: int, t_ms: int) -> Fault:
        state, stamps = self._states.get(key, Fault()), self._raised_t_ms.pop(key, [])
        if not state.raised_ms:
            # Within a boot stamps keep the boot clock's distances. A stamp of the future is of a clock that was wrong.
            state = replace(state, raised_ms=tuple(boot_ms - max(0, t_ms - stamp) for stamp in stamps))
        return state


def _of_pending(told: object) -> dict[Key, Fault]:
    """What it can be read as; a file may hold anything."""
    found: dict[Key, Fault] = {}
    for one in told if isinstance(told, list) else []:
        match one:
            case {"alarm": str(alarm), "subject": str(subject), "owed_ms": int(owed_ms), "spells": int(spells)}:
                if alarm in BOARD_ALARMS and owed_ms >= 0:
                    found[alarm, subject] = Fault(owed_ms=owed_ms, spells=spells)
    return found
