"""The water book laid out for people."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import Answered, BookAnswer, BookLine, BookTank, Estimate, Unknown

__all__ = ["book"]

_COLUMNS = (
    ("rain", "rain_l", 1),
    ("direct", "direct_l", 1),
    ("carted", "carted_l", 1),
    ("pumped\nin", "pumped_in_l", 1),
    ("overflow\nin", "overflow_in_l", 1),
    ("pumped\nout", "pumped_out_l", -1),
    ("draw", "draw_l", -1),
    ("evap.", "evaporation_l", -1),
    ("seepage", "seepage_l", -1),
    ("over\nbrim", "spill_l", -1),
)
_RESTS = {"explained": "", "came": "came from nowhere", "went": "went nowhere", "unknown": ""}
_CAUTION = "Litres say nothing of whether water is fit to drink."


def book(answer: BookAnswer) -> Group:
    """A table for each tank, and one for all of them."""
    parts: list[Any] = []
    books = [*answer.tanks, answer.together] if len(answer.tanks) > 1 else list(answer.tanks)
    for one in books:
        title = "All tanks together" if one is answer.together else one.tank
        parts += [Text(title, style="bold"), _table(one, together=one is answer.together), *_reasons(one), Text("")]
    day = {"day": "rain days", "week": "weeks of rain days", "month": "months of rain days"}[answer.by]
    said = f"By {day}, cut at {answer.rain_day_hour:02d}:00. Opening + what came - what went + rest = closing."
    roofs = "as its storms show" if answer.yields == "fitted" else "by the settings' figures"
    said += f" Rain off the roofs {roofs}; draw by the settings; pumped by the meter."
    if answer.tanks_not_in_book:
        said += f" Without a sensor, so not in the book: {', '.join(answer.tanks_not_in_book)}."
    return Group(*parts, Text(said, style="dim"), Text(_CAUTION, style="dim"))


def _table(tank: BookTank, *, together: bool) -> Table:
    lines = [*tank.lines, tank.total] if len(tank.lines) > 1 else list(tank.lines)
    # Kinds of water that the tank never sees would only push the rest off the screen.
    shown = [
        (title, key, sign) for title, key, sign in _COLUMNS if any(_litres_of(line, key, together) for line in lines)
    ]
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("", justify="left", no_wrap=True)
    for title in (
        "opening",
        *("spilt" if together and key == "spill_l" else title for title, key, _ in shown),
        "closing",
        "rest",
        "95 %",
    ):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("", justify="left", no_wrap=True)
    for line in lines:
        style = "bold" if line is tank.total and len(lines) > 1 else ""
        label = line.label + ("" if line.is_whole else "*")
        table.add_row(
            label,
            _litres(line.opening_l),
            *(_signed(sign * _litres_of(line, key, together)) for _, key, sign in shown),
            _litres(line.closing_l),
            _rest(line),
            _interval(line.rest_l),
            Text(_RESTS[line.finding], style="yellow"),
            style=style,
        )
    return table


def _reasons(tank: BookTank) -> list[Text]:
    told = [Text(f"{one.kind} is in the rest, because {one.because}.", style="dim") for one in tank.not_in_book]
    lines = [*tank.lines, tank.total]
    whys = dict.fromkeys(line.rest_l.because for line in lines if isinstance(line.rest_l, Unknown))
    told += [Text(f"Rest: not enough to say where {why}.", style="yellow") for why in whys]
    if any(line.gauge_was_deaf for line in lines):
        told.append(Text("The gauge could not count for some of it: rain is a lower bound there.", style="yellow"))
    if any(not line.is_whole for line in tank.lines):
        told.append(Text("* not a whole period: the log or the question begins or ends in it.", style="dim"))
    return told


def _litres(one: Answered) -> str:
    return "unknown" if isinstance(one, Unknown) else f"{one.value:z,.0f}"


def _litres_of(line: BookLine, key: str, together: bool) -> int:
    """For all tanks together, without what only runs from one into another."""
    amount: Estimate = getattr(line, key)
    if together and key in ("overflow_in_l", "spill_l"):
        return round(amount.value) - round(min(line.overflow_in_l.value, line.spill_l.value))
    return round(amount.value)


def _signed(value: int) -> str:
    return f"{value:+,d}" if value else "0"


def _rest(line: BookLine) -> str:
    return "unknown" if isinstance(line.rest_l, Unknown) else f"{line.rest_l.value:+,.0f}"


def _interval(one: Answered) -> str:
    return "" if isinstance(one, Unknown) or one.high is None else f"±{(one.high - one.low) / 2:z,.0f}"
