"""What looks ahead, laid out for people: transfer, outlook, sizing. Nothing is worked out here."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import Answered, OutlookAnswer, SizingAnswer, TransferAnswer, TransferMove, TransferPlan, Unknown

from .words import litres

__all__ = ["outlook", "sizing", "transfer"]

_PUMP_CAUTION = (
    "Run a petrol engine outdoors only: its exhaust kills in a shed within minutes. Never leave it unattended."
)
_SIZING_CAUTION = (
    "Past rain is no promise; gauge, roof and draw are taken at their nominal. What must stay for fire is for the fire "
    "authority to say."
)
_RESERVE_CAUTION = "Not advice to stay and defend: the fire authority decides what a property needs."


def _table(*columns: str, left: int = 1) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k < left else "right", no_wrap=True)
    return table


def _range(answered: Answered, digits: int = 0) -> str:
    """Value and 95 % interval, without a unit."""
    if isinstance(answered, Unknown):
        return "unknown"
    if answered.high is None:
        return f"{answered.value:z,.{digits}f} or more"
    return f"{answered.value:z,.{digits}f} ({answered.low:z,.{digits}f} to {answered.high:z,.{digits}f})"


def _percent(ratio: float) -> str:
    """A probability, never told as certain by rounding."""
    if ratio < 0.005:
        return "under 1 %"
    if ratio > 0.995:
        return "over 99 %"
    return f"{100 * ratio:.0f} %"


def _rain(answer: TransferAnswer) -> list[Text]:
    rain = answer.rain
    by = {"typed": "as typed", "file": "by the file", "notebook": "by the notebook"}[rain.told_by]
    if rain.low_mm == rain.high_mm:
        parts = [Text(f"Rain expected {rain.likely_mm:g} mm, {by}; how far it may differ was not told.")]
    else:
        parts = [Text(f"Rain expected {rain.likely_mm:g} mm ({rain.low_mm:g} to {rain.high_mm:g}: 8 in 10), {by}.")]
    if rain.fallen_mm is None:
        parts.append(
            Text("Its time has begun; what has fallen since nobody counted, and it is not taken off.", "yellow")
        )
    elif rain.fallen_mm > 0:
        parts.append(Text(f"Of that {rain.fallen_mm:.1f} mm have fallen since it began, and are taken off."))
    return parts


def transfer(answer: TransferAnswer) -> Group:
    """The rain, each tank, what is lost, and what to pump."""
    parts: list[Any] = _rain(answer)
    is_range = not answer.rain.expected.is_one_figure
    over = ["over, likely", "at the high"] if is_range else ["runs over"]
    table = _table("tank", "room now", "comes, L (95 %)", *over, "chance", "into")
    for tank in answer.tanks:
        is_known = not isinstance(tank.freeboard_l, Unknown)
        room = "unknown" if isinstance(tank.freeboard_l, Unknown) else litres(tank.freeboard_l.value)
        table.add_row(
            tank.name,
            f"{room} OLD" if tank.state == "last_known" and is_known else room,
            _range(tank.coming_l),
            *("" if one is None else litres(one) for one in (tank.over_likely_l, tank.over_high_l)[: len(over)]),
            "" if tank.over_ratio is None else _percent(tank.over_ratio),
            tank.runs_into or "nothing",
        )
    parts.append(table)
    for tank in answer.tanks:
        if tank.name in answer.unknown_tanks:
            parts.append(
                Text(
                    f"{tank.name}: not enough to say, because {tank.because}; what it takes is not followed.", "yellow"
                )
            )
    if answer.because is not None:
        return Group(*parts, Text(f"Not enough to say, because {answer.because}.", style="yellow"))
    if not isinstance(answer.lost_ratio, Unknown):
        parts.append(
            Text(f"With nothing pumped, the chance that water is lost is {_percent(answer.lost_ratio.value)}.")
        )
    for plan in answer.plans:
        parts += _plan(plan)
    if any(plan.moves for plan in answer.plans):
        if isinstance(answer.flow_l_min, Unknown):
            parts.append(Text(f"How long to pump is unknown, because {answer.flow_l_min.because}.", style="yellow"))
        parts.append(Text(_PUMP_CAUTION, style="dim"))
    parts.append(Text("What the house draws meanwhile is not counted: it makes more room.", style="dim"))
    return Group(*parts)


def _plan(plan: TransferPlan) -> list[Text]:
    begin = f"{plan.rain_is.capitalize()} rain, {plan.rain_mm:g} mm: "
    if plan.verdict == "nothing_lost":
        return [Text(f"{begin}nothing is lost; nothing needs pumping.", style="green")]
    if plan.verdict == "no_help":
        return [Text(f"{begin}{litres(plan.lost_before_l)} will be lost, because {plan.because}.", style="bold yellow")]
    parts = [Text(f"{begin}{litres(plan.lost_before_l)} would be lost.")]
    parts += [Text(f"  {_move(move)}", style="bold") for move in plan.moves]
    after = _percent(plan.lost_ratio_after.value)
    if plan.verdict == "transfer":
        parts.append(Text(f"  Then nothing is lost at {plan.rain_mm:g} mm, and the chance of any loss is {after}."))
    else:
        parts.append(Text(f"  {litres(plan.lost_after_l)} will be lost even so, because {plan.because}.", "yellow"))
    return parts


def _move(move: TransferMove) -> str:
    said = f"Pump {litres(move.volume_l)} from {move.source} to {move.to}"
    if isinstance(move.minutes, Unknown):
        return said
    said += f": {_range(move.minutes)} min"
    return said if isinstance(move.fuel_l, Unknown) else f"{said}, {_range(move.fuel_l, 2)} L of petrol"


_FALL_BY = {
    "measured": "measured",
    "household": "by the settings",
    "typed": "as typed",
    "none": "not known: taken as 0",
}


def outlook(answer: OutlookAnswer) -> Group:
    """What there is, what it falls by, and how long it lasts."""
    table = _table("tank", "usable, L (95 %)", "falls, L a day (95 %)", "")
    for tank in answer.tanks:
        role = "reserve" if tank.is_reserve else ""
        by = "" if isinstance(tank.fall_l_day, Unknown) else _FALL_BY[tank.fall_by]
        table.add_row(tank.name, _range(tank.usable_l), _range(tank.fall_l_day), f"{role}  {by}".strip())
    table.columns[-1].justify = "left"
    parts: list[Any] = [table]
    parts += [
        Text(f"{tank.name}: its fall was not measured, because {tank.fall_because}.", "yellow")
        for tank in answer.tanks
        if tank.fall_because is not None and tank.fall_by != "typed"
    ]
    parts += [
        Text(f"{name}: its level is not known; taken as empty.", "yellow")
        for name in answer.unknown_tanks
        if not isinstance(answer.usable_l, Unknown)
    ]
    if not isinstance(answer.above_l, Unknown):
        above = answer.above_l.value
        if above < 0:
            parts.append(Text(f"Fire reserve {litres(answer.fire_l)}: {litres(-above)} SHORT already.", "bold red"))
        else:
            parts.append(Text(f"Fire reserve {litres(answer.fire_l)}: {litres(above)} above it."))
    if isinstance(answer.days_without_rain, Unknown):
        parts.append(Text(f"Without rain: not enough to say, because {answer.days_without_rain.because}.", "yellow"))
    else:
        parts.append(Text(f"Without rain it is touched in {_range(answer.days_without_rain)} days.", style="bold"))
        parts.append(Text("All of them fall on as above; when one is empty, the rest is drawn from the others.", "dim"))
    parts += _with_rain(answer)
    return Group(*parts, Text(_RESERVE_CAUTION, style="dim"))


def _with_rain(answer: OutlookAnswer) -> list[Any]:
    if answer.rain is None:
        if isinstance(answer.days_without_rain, Unknown) and answer.because == answer.days_without_rain.because:
            return []
        return [Text(f"With rain: not enough to say, because {answer.because}.", style="yellow")]
    rain = answer.rain
    table = _table("with rain, within", "chance that it is touched", left=0)
    for line in answer.chances:
        ratio = line.touched_ratio
        spread = f" ±{196 * ratio.u:.0f}" if 0.005 <= ratio.value <= 0.995 else ""
        table.add_row(f"{line.days} days", f"{_percent(ratio.value)}{spread}")
    season = "any season" if rain.any_season else "the same season"
    said = (
        f"Rain drawn {rain.paths:,} times from {rain.source}, {rain.first_day} to {rain.last_day} "
        f"({rain.known_days:,} known days), {season}. The ± is of the drawing alone: a short record holds few kinds "
        "of year."
    )
    parts: list[Any] = [table]
    if answer.tenth_days is not None:
        half = "" if answer.half_days is None else f", half of them within {answer.half_days:.0f}"
        parts.append(Text(f"One path in ten touches it within {answer.tenth_days:.0f} days{half}."))
    return [*parts, Text(said, style="dim")]


_DRAW_BY = {"typed": "as typed", "household": "by the settings", "measured": "as the tanks have fallen of late"}


def sizing(answer: SizingAnswer) -> Group:
    """A line an option, the site as it is first."""
    drawn = f"The house draws {litres(answer.draw_l_day)} a day, {_DRAW_BY[answer.draw_by]}"
    if answer.record is None:
        return Group(Text(f"{drawn}."), Text(f"Not enough to say, because {answer.because}.", style="yellow"))
    record = answer.record
    years = record.days / 365.25
    parts: list[Any] = [
        Text(f"{drawn}; {litres(answer.capacity_l)} of tanks, of which {litres(answer.reserve_l)} stay for fire."),
        Text(
            f"Run over {years:.0f} years of rain, {record.first_day} to {record.last_day}, "
            f"{record.rain_mm_year:z,.0f} mm a year, from {record.source}."
        ),
    ]
    priced = any(line.cost is not None for line in answer.options)
    columns = ("short", "longest", "supplied", "spilt kL", "kept kL")
    table = _table("", *columns, *(("cost", "per kL") if priced else ()))
    for line in answer.options:
        days = sorted(one.days_short / years for one in (line.after, line.before))
        both = f"{days[1]:.0f}" if round(days[0]) == round(days[1]) else f"{days[0]:.0f} to {days[1]:.0f}"
        cost = "" if line.cost is None else f"{line.cost:z,.0f}"
        by_kl = "" if isinstance(line.after.cost_per_kl, Unknown) else f"{line.after.cost_per_kl.value:z,.2f}"
        table.add_row(
            line.name,
            f"{both} d",
            f"{line.after.longest_short_days} d",
            f"{100 * line.after.supply_ratio:.1f} %",
            f"{line.after.spilt_l_year / 1000:z,.1f}",
            ""
            if line is answer.options[0] or line.after.kept_l_year is None
            else f"{line.after.kept_l_year / 1000:+,.1f}",
            *((cost, by_kl) if priced else ()),
        )
    parts.append(table)
    said = (
        "Short, spilt, kept: a year. The two figures of days short are for a house that draws before the day's rain "
        "comes, and for one that draws after it; the rest is by the first."
    )
    parts.append(Text(said, style="dim"))
    if any(line.cover for line in answer.options):
        parts.append(Text("A cover keeps out rain as well as sun.", style="dim"))
    if priced:
        parts.append(Text(f"Costs are spread over {answer.years:g} years.", style="dim"))
    if not answer.evaporation_is_counted:
        parts.append(Text("Evaporation is not counted: [evaporation] has no monthly figures.", style="yellow"))
    return Group(*parts, Text(_SIZING_CAUTION, style="dim"))
