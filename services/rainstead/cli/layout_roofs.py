"""One storm's sheet and the roofs' yield, laid out for people. Nothing is worked out here."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import (
    Answered,
    Estimate,
    StormAnswer,
    StormGroup,
    StormTank,
    Unknown,
    YieldAnswer,
    YieldGroup,
    YieldStorm,
)

from .words import moment, span, when

__all__ = ["storm", "yields"]

_WATER_CAUTION = "Untreated rain is not drinking water; what a roof may be used for is the local code's to say."
_ROOF_CAUTION = (
    "Few litres have other causes than a blocked gutter: wind, a downpipe taken off, retardant or ash after a fire. "
    "After a fire reconnect only a clean roof. Mind the ladder."
)
_BY = {
    "household": "the household's figure in the settings",
    "nothing": "nothing: too few dry days are logged, and the settings say nothing of a draw",
}


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for k, column in enumerate(columns):
        table.add_column(column, justify="right" if k else "left", no_wrap=True)
    return table


def _range(answered: Answered, digits: int = 0, times: float = 1) -> str:
    """Value and 95 % interval, without a unit."""
    if isinstance(answered, Unknown):
        return "not known"
    if answered.high is None:
        return f"≥ {times * answered.value:z,.{digits}f}"
    low, high = times * answered.low, times * answered.high
    return f"{times * answered.value:z,.{digits}f} ({low:z,.{digits}f} to {high:z,.{digits}f})"


def _short(answered: Answered, digits: int = 0, times: float = 1) -> str:
    """The value alone."""
    if isinstance(answered, Unknown):
        return ""
    return f"{'≥ ' if answered.high is None else ''}{times * answered.value:z,.{digits}f}"


def _number(value: float | None, digits: int = 0) -> str:
    return "" if value is None else f"{value:z,.{digits}f}"


def storm(answer: StormAnswer) -> Group:
    """The storm, the rain, the tanks, the roofs."""
    zone, one = answer.time_zone, answer.storm
    dry = "" if answer.dry_before_s is None else f", after {span(answer.dry_before_s)} without rain"
    goes_on = "" if one.complete else ", may go on"
    told = f"Storm {moment(one.start_ms, zone)} to {moment(one.end_ms, zone)}, {span(answer.duration_s)}{dry}{goes_on}"
    rain = f"Rain {_range(answer.rain_mm, 1)} mm"
    if answer.undercatch_mm > 0.05:
        rain += f", of it {answer.undercatch_mm:.1f} mm that fell while the bucket moved"
    peaks = ", ".join(f"{peak.window_min} min {peak.intensity_mm_h.value:.1f}" for peak in answer.peaks)
    parts: list[Any] = [Text(told), Text(rain), Text(f"Hardest, mm/h over {peaks}"), Text("")]
    table = _table("tank", "came in, L (95 %)", "rise", "moved", "besides", "of it direct")
    table.add_column("", no_wrap=True)
    for tank in answer.tanks:
        table.add_row(
            tank.tank,
            _range(tank.gained_l),
            _number(tank.rise_l),
            _number(tank.moved_l),
            _number(tank.besides_l),
            _number(tank.direct_l) if tank.direct_l else "",
            Text("at brim" if tank.at_brim else "", style="yellow"),
        )
    parts += [table, *_besides(answer.tanks), Text("")]
    table = _table("roofs of", "off the roof, L (95 %)", "L/mm", "nominal", "due, L", "of due", "of normal")
    for group in answer.groups:
        table.add_row(
            group.name,
            _range(group.roof_l),
            _short(group.yield_l_mm, 1),
            f"{group.nominal_yield_l_mm:.1f}",
            f"{group.due_l:z,.0f}",
            _percent(group.share_ratio),
            _percent(group.normal_share_ratio),
        )
    parts.append(table)
    for group in answer.groups:
        parts += _about(group)
    if not answer.is_settled:
        at = when(answer.after_ms, zone)
        parts.append(Text(f"It is not over: this is the water so far, as of {at}.", style="yellow"))
    parts += [Text(f"{name}: no sensor, so nobody knows what it took.", style="yellow") for name in answer.no_sensor]
    if any(_is_short(group) for group in answer.groups):
        parts.append(Text(_ROOF_CAUTION, style="dim"))
    parts.append(Text(_WATER_CAUTION, style="dim"))
    return Group(*parts)


def _percent(answered: Answered) -> str:
    shown = _short(answered, 0, 100)
    return f"{shown} %" if shown else ""


def _is_short(group: StormGroup) -> bool:
    share = group.share_ratio
    return bool(group.is_odd) or (isinstance(share, Estimate) and share.high is not None and share.high < 1)


def _besides(tanks: tuple[StormTank, ...]) -> list[Text]:
    """Where `besides` comes from, tanks of the same source together."""
    found: dict[str, list[str]] = {}
    for tank in tanks:
        if tank.besides_by is not None:
            by = (
                f"what it did at the same hours of {tank.dry_days} dry days"
                if tank.besides_by == "dry days"
                else _BY[tank.besides_by]
            )
            found.setdefault(by, []).append(tank.tank)
    lines = [Text(f"besides, {' and '.join(names)}: {by}", style="dim") for by, names in found.items()]
    for tank in tanks:
        if isinstance(tank.gained_l, Unknown):
            lines.append(Text(f"{tank.tank}: not enough to say, because {tank.gained_l.because}", style="yellow"))
    return lines


def _about(group: StormGroup) -> list[Text]:
    lines = []
    if isinstance(group.roof_l, Unknown):
        lines.append(Text(f"{group.name}: not enough to say, because {group.roof_l.because}", style="yellow"))
    elif group.because_bound:
        lines.append(Text(f"{group.name}: a lower bound, because {', '.join(group.because_bound)}", style="yellow"))
    if group.is_odd and isinstance(group.normal_share_ratio, Estimate) and isinstance(group.normal_l, Estimate):
        share = _percent(group.normal_share_ratio).replace("≥ ", "at least ")
        told = f"{group.name}: this storm delivered {share} of what the roof normally gives"
        normal = _range(group.normal_l)
        lines.append(Text(f"{told}, {normal} L by {group.normal_storms} other storms", style="bold red"))
    return lines


def yields(answer: YieldAnswer) -> Group:
    """Each group's yield, what changed, and the storms that were odd."""
    parts: list[Any] = []
    table = _table("roofs of", "L per mm (95 %)", "nominal", "of it", "first loss, mm", "storms")
    for group in answer.groups:
        bounds = f" + {group.bound_storms}" if group.bound_storms else ""
        table.add_row(
            group.name,
            _range(group.true_yield_l_mm, 1),
            f"{group.nominal_yield_l_mm:.1f}",
            _percent(group.share_ratio),
            _range(group.loss_mm, 2),
            f"{group.exact_storms}{bounds}",
        )
    parts.append(table)
    has_odd = False
    for group in answer.groups:
        if isinstance(group.true_yield_l_mm, Unknown):
            because = group.true_yield_l_mm.because
            parts.append(Text(f"{group.name}: not enough to say, because {because}", style="yellow"))
        parts += _change(group, answer)
        odd = [one for one in group.storms if one.is_odd]
        has_odd = has_odd or bool(odd) or group.change is not None
        parts += [_odd(group, one, answer.time_zone) for one in odd]
    known = [group for group in answer.groups if isinstance(group.yield_l_mm, Estimate)]
    if any(group.bound_storms for group in answer.groups):
        parts.append(Text("Storms after a + are bounds: a tank was full. They count as that.", style="dim"))
    if known:
        own = _range(known[0].yield_l_mm, 1)
        parts.append(Text(f"Without the errors of gauge and tank tables: {known[0].name} {own} L/mm", style="dim"))
        told = "An odd storm is one that chance makes once in a hundred"
        parts.append(Text(f"{told}; a change is told in error at one look in {answer.false_change_one_in}.", "dim"))
    if has_odd:
        parts.append(Text(_ROOF_CAUTION, style="dim"))
    parts.append(Text(_WATER_CAUTION, style="dim"))
    return Group(*parts)


def _change(group: YieldGroup, answer: YieldAnswer) -> list[Text]:
    change = group.change
    if change is None:
        return []
    since = moment(change.since_ms, answer.time_zone)
    share = f"{_range(change.ratio, 0, 100)} %"
    told = f"{group.name}: since {since} the roofs give {share} of what they gave before"
    looks = "look for a blocked gutter or a split downpipe" if change.ratio.value < 1 else "something has changed"
    chance = f"chance shows as much once in {1 / change.chance:z,.0f}"
    return [Text(f"{told}: {looks} ({chance})", style="bold red")]


def _odd(group: YieldGroup, one: YieldStorm, zone: str) -> Text:
    least = {"at_least": "at least ", "at_most": "at most "}.get(one.bound, "")
    share = "far off what" if one.share_ratio is None else f"{least}{100 * one.share_ratio:.0f} % of what"
    told = f"{group.name}: the storm of {moment(one.start_ms, zone)}, {one.rain_mm:.1f} mm, delivered {share}"
    return Text(f"{told} the roof normally gives", style="yellow")
