"""Each tank's losses, laid out for people. Nothing is worked out here."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import Answered, LossesAnswer, TankLosses, Unknown, local

from .words import moment

__all__ = ["losses"]

_DAY_MS = 86_400_000
_CAUTION = "A formula for evaporation only bounds it: a bucket of water beside the tank, out of the rain, decides."
_BY = {
    "mornings": "from dawn to dawn on standing days",
    "mornings_less_draw": "from dawn to dawn, less the household's draw by the settings",
    "nights": "by quiet nights alone, as water is drawn by day",
}
_STYLE = {"more_than_expected": "bold red", "seeps": "yellow", "gains": "yellow", "none_seen": "green"}
_WITH_DEPTH = {
    "grows": "It seeps more the fuller it is, as a hole in the wall would.",
    "shrinks": "It seeps less the fuller it is, as where load closes a patch or a fold.",
}


def losses(answer: LossesAnswer) -> Group:
    """A line a tank, then what is to be said of each."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("tank", no_wrap=True)
    for column in ("lost", "evaporates", "drawn", "seeps", "standing", "would find"):
        table.add_column(column, justify="right", no_wrap=True)
    for tank in answer.tanks:
        table.add_row(
            tank.tank,
            _range(tank.loss_l_day),
            _range(tank.evaporation_l_day),
            "" if tank.draw_l_day is None else _range(tank.draw_l_day),
            _range(tank.seepage_l_day),
            f"{tank.standing_days:.1f} d",
            "" if tank.finds_l_day is None else f"{tank.finds_l_day:.0f}",
        )
    parts: list[Any] = [table, _dim("Litres a day, with the 95 % interval."), Text("")]
    for tank in answer.tanks:
        parts += [*_told(tank, answer.time_zone), Text("")]
    calm = f"{answer.false_calls_a_year:.1f}"
    parts.append(
        _dim(
            f"{_since(answer)}. `would find`: a new loss of that size is called after a week of standing days; "
            f"the watch is set to at most {calm} false calls a tank and year."
        )
    )
    return Group(*parts, _dim(_CAUTION))


def _since(answer: LossesAnswer) -> str:
    """What the answer rests on; where that is less than was looked through, both."""
    looked = f"{local(answer.from_ms, answer.time_zone):%Y-%m-%d}"
    if answer.levels_from_ms is None:
        return f"Looked at since {looked}, and found no good level"
    first = f"{local(answer.levels_from_ms, answer.time_zone):%Y-%m-%d}"
    if answer.levels_from_ms - answer.from_ms < _DAY_MS:
        return f"Since {looked}"
    return f"Since {first}, the day of the first good level (looked at since {looked})"


def _told(tank: TankLosses, zone: str) -> list[Any]:
    parts: list[Any] = [Text(f"{tank.tank}: {tank.said}.", style=_STYLE.get(tank.finding, ""))]
    if tank.way in _BY:
        parts.append(_dim(f"    Told {_BY[tank.way]}."))
    if tank.with_depth in _WITH_DEPTH:
        parts.append(
            Text(f"    {_WITH_DEPTH[tank.with_depth]} {_range(tank.per_metre_l_day_m)} L a day for each metre.")
        )
    for call in tank.calls:
        began = f"{local(call.since_ms, zone):%Y-%m-%d}"
        told = f"    Called {moment(call.called_ms, zone)}: {call.more_l_day:.0f} L a day more since {began}"
        told += "" if call.over_ms is None else f"; over by {moment(call.over_ms, zone)}"
        parts.append(Text(f"{told}.", style="bold red" if call.over_ms is None else ""))
    for step in tank.steps:
        way = "fell" if step.fell_l > 0 else "rose"
        parts.append(
            Text(
                f"    Between {moment(step.from_ms, zone)} and {moment(step.upto_ms, zone)} it {way} by "
                f"{abs(step.fell_l):.0f} L that no note explains; left out.",
                style="yellow",
            )
        )
    if tank.days_without_air:
        parts.append(
            _dim(
                f"    On {tank.days_without_air} days the probe was silent for hours; their neighbours stand for them."
            )
        )
    return parts


def _range(answered: Answered) -> str:
    if isinstance(answered, Unknown) or answered.high is None:
        return "not known"
    if answered.u == 0:
        return f"{answered.value:z,.0f}"
    digits = 1 if answered.u < 2 else 0
    return f"{answered.value:z,.{digits}f} ({answered.low:z,.{digits}f} to {answered.high:z,.{digits}f})"


def _dim(text: str) -> Text:
    return Text(text, style="dim")
