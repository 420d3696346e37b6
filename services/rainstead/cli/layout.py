"""The answers laid out as tables. Nothing is worked out here."""

from collections.abc import Iterable
from typing import Any

from rich.console import Group
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from rainstead.answers import (
    AlarmsAnswer,
    AlarmStanding,
    NowAnswer,
    PumpAnswer,
    RainAnswer,
    ReplayAnswer,
    StormsAnswer,
    TankLevel,
    TanksAnswer,
)

from .words import age, litres, moment, span, spread, state_mark, state_words, when

__all__ = ["alarms", "now", "pump", "rain", "replay", "storms", "tanks"]

_RESERVE_CAUTION = "Not advice to stay and defend: the fire authority decides what a property needs."
_WATER_CAUTION = "Untreated rain is not drinking water. Open tanks drown: cover, never dip alone."
_PUMP_CAUTION = "Run a petrol engine outdoors only: its exhaust kills in a shed within minutes."


_OR_MORE = {False: "", True: "≥ "}
_TOLD = ("at_least_brim", "last_known", "unknown")
"""States of a tank that need words."""


def _table(*columns: str, left: int = 1) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k < left else "right", no_wrap=True)
    return table


def _dim(text: str) -> Text:
    return Text(text, style="dim")


def now(answer: NowAnswer) -> Group:
    """One page."""
    parts: list[Any] = [_levels(answer.tanks)]
    parts += [Text(f"{one.name}: {state_words(one)}", style="yellow") for one in answer.tanks if one.state in _TOLD]
    total = answer.total
    if total.volume_l is not None:
        said = f"In all {litres(total.volume_l)} {spread(total)}"
        if total.is_old:
            said += " (some of it by old readings)"
        parts.append(Text(said))
    else:
        parts.append(Text(f"In all unknown; {litres(total.known_l)} in the tanks that are known"))
    if answer.reserve is not None:
        parts += [_reserve(answer), _dim(_RESERVE_CAUTION)]
    if answer.rain is not None:
        parts.append(_rain(answer))
    if answer.flow is not None:
        run = answer.flow.run
        flow = f"{answer.flow.flow_l_min:.1f} L/min" if answer.flow.flow_l_min is not None else "unknown"
        if answer.flow.because is not None:
            doubted = "" if answer.flow.flow_l_min is None else " in doubt"
            flow += f",{doubted} because {answer.flow.because}"
        said = f"Flow {flow}"
        if run is not None:
            said += f"; this pump run {run.volume_l:z,.0f} L in {span((run.end_ms - run.start_ms) / 1000)}"
        parts.append(Text(said))
        if run is not None:
            parts.append(_dim(_PUMP_CAUTION))
    parts.append(_standing(answer.alarms, answer.time_zone))
    # Of a log that has ended, the line at the top says enough; so does a tank of its ranger.
    troubled = [
        one for one in answer.sensors if one.is_in_trouble and not (answer.last_reading_is_old and one.state == "old")
    ]
    for sensor in troubled:
        since = "" if sensor.age_s is None else f", {age(sensor.age_s)} ago"
        parts.append(Text(f"Sensor {sensor.name}: {sensor.because}{since}", style="yellow"))
    if not answer.clock_is_trusted:
        parts.append(Text("The board's clock has not been set: times are provisional.", style="yellow"))
    return Group(*parts)


def _levels(levels: tuple[TankLevel, ...]) -> Table:
    table = _table("tank", "litres", "95 %", "full", "freeboard", "usable", "depth")
    table.add_column("", no_wrap=True)
    for level in levels:
        full = "" if level.full_ratio is None else f"{100 * level.full_ratio:.0f} %"
        depth = "" if level.depth_m is None else f"{level.depth_m:.3f} m"
        table.add_row(
            level.name,
            litres(level.volume_l),
            spread(level),
            full,
            "" if level.freeboard_l is None else litres(level.freeboard_l),
            "" if level.usable_l is None else litres(level.usable_l),
            depth,
            Text(state_mark(level), style="yellow"),
        )
    return table


def _reserve(answer: NowAnswer) -> Text:
    reserve = answer.reserve
    assert reserve is not None
    said = f"Fire reserve {litres(reserve.fire_l)}: "
    if reserve.usable_l is None or reserve.above_l is None:
        return Text(f"{said}usable water unknown, because {reserve.because}", style="yellow")
    least = "at least " if reserve.is_at_least else ""
    said += f"{least}{litres(reserve.usable_l)} usable, "
    short = reserve.above_l < 0
    said += f"{litres(-reserve.above_l)} SHORT" if short else f"{litres(reserve.above_l)} above it"
    if reserve.is_old:
        said += "; last known, not measured now"
    return Text(said, style="bold red" if short else "yellow" if reserve.is_old else "")


def _rain(answer: NowAnswer) -> Text:
    rain = answer.rain
    assert rain is not None
    least = "at least " if rain.is_at_least else ""
    said = f"Rain {least}{rain.rain_day_mm:.1f} mm this rain day, {least}{rain.last_hour_mm:.1f} mm in the last hour"
    if rain.storm is not None:
        storm = rain.storm
        said += f"; storm so far {storm.rain_mm:.1f} mm in {span((storm.end_ms - storm.start_ms) / 1000)}"
        if rain.intensity_mm_h is not None:
            said += f", {rain.intensity_mm_h:.1f} mm/h at most now"
    elif rain.last_tip_ms is not None:
        said += f"; last tip {age((answer.as_of_ms - rain.last_tip_ms) / 1000)} ago"
    if rain.because is not None:
        said += f" (gauge: {rain.because})"
    return Text(said)


def _standing(standing: tuple[AlarmStanding, ...], zone: str) -> Any:
    active = [one for one in standing if one.state != "normal"]
    if not standing:
        return Text("No alarm is watched.")
    if not active:
        return Text(f"No alarm is active ({len(standing)} watched).", style="green")
    return Group(
        *(
            Text(
                f"ALARM {one.alarm.replace('_', ' ')}, {one.subject}: {one.reason}, "
                f"since {when(one.since_ms, zone) if one.since_ms is not None else 'unknown'}",
                style="bold red",
            )
            for one in active
        )
    )


def tanks(answer: TanksAnswer) -> Group:
    """Each tank in full."""
    parts: list[Any] = []
    for tank in answer.tanks:
        level = tank.level
        grid = Table.grid(padding=(0, 2))
        told = f"{litres(level.volume_l)} {spread(level)}" if level.volume_l is not None else "unknown"
        u_mm = "" if level.depth_u_m is None else f" ±{1960 * level.depth_u_m:.0f} mm"
        rows = [
            ("litres", f"{told}  {state_words(level)}"),
            ("depth", "unknown" if level.depth_m is None else f"{level.depth_m:.3f} m{u_mm}"),
            ("freeboard", litres(level.freeboard_l)),
            ("usable", litres(level.usable_l)),
            ("brim", f"{tank.brim_m:.3f} m" + (f", {litres(level.capacity_l)}" if level.capacity_l else "")),
            ("outlet", f"{tank.outlet_m:.3f} m, {litres(tank.dead_storage_l)} below it"),
            ("cover", "covered" if tank.is_covered else "open to the sky"),
            ("sensor", "none" if tank.sensor is None else f"{tank.sensor}, face at {tank.face_height_m:.3f} m"),
        ]
        if tank.calibration is not None:
            since = tank.calibration.from_ms
            dated = "always" if since is None else f"from {when(since, answer.time_zone)}"
            rows.append(("calibration", f"{tank.calibration.shape}, {tank.calibration.described}; {dated}"))
        if tank.air_c is not None:
            rows.append(("air", f"{tank.air_c:.1f} °C" + (", assumed" if tank.air_is_assumed else "")))
        for name, value in rows:
            grid.add_row(Text(name, style="dim"), escape(value.strip()))
        parts += [Text(level.name, style="bold"), grid]
        if tank.days:
            table = _table("day", "least", "most", "last", "readings")
            for day in tank.days:
                table.add_row(
                    day.day,
                    litres(day.volume_min_l),
                    litres(day.volume_max_l),
                    litres(day.volume_last_l),
                    f"{day.readings:,}",
                )
            parts.append(table)
        parts.append(Text(""))
    return Group(*parts, _dim(_WATER_CAUTION))


def rain(answer: RainAnswer) -> Group:
    """Days and months."""
    table = _table("rain day ends", "mm", "tips")
    for day in answer.days:
        mm = "unknown" if day.rain_mm is None else f"{_OR_MORE[day.is_at_least]}{day.rain_mm:.1f}"
        table.add_row(day.ends_on, mm, str(day.tips))
    months = _table("month", "mm", "days")
    for month in answer.months:
        months.add_row(month.month, f"{_OR_MORE[month.is_at_least]}{month.rain_mm:.1f}", str(month.days_with_readings))
    said = f"{answer.total_mm:.1f} mm in all."
    cut = f"Rain days are cut at {answer.rain_day_hour:02d}:00 and named by the day they end; the last is going on."
    return Group(table, Text(""), months, Text(""), _dim(said), *_doubtful(answer), _dim(cut), *_more_note(answer.days))


def _doubtful(answer: RainAnswer) -> list[Text]:
    if not answer.doubtful:
        return []
    why = ", ".join(f"{line.tips} {line.because}" for line in answer.doubtful)
    left_mm = answer.total_mm - answer.doubtful_mm
    return [
        Text(
            f"Of it {answer.doubtful_mm:.1f} mm may be no rain (tips: {why}); without, {left_mm:.1f} mm.",
            style="yellow",
        )
    ]


def _more_note(lines: Iterable[Any]) -> list[Text]:
    if not any(line.is_at_least for line in lines):
        return []
    return [Text("≥: for some of that time the gauge could not count, or nothing was logged.", style="yellow")]


def storms(answer: StormsAnswer) -> Group:
    """A line a storm."""
    if not answer.storms:
        return Group(Text("No storms in that time."))
    table = _table("began", "ended", "lasted", "mm", "95 %", "tips", "dry before", left=2)
    for line in answer.storms:
        storm = line.storm
        table.add_row(
            moment(storm.start_ms, answer.time_zone),
            moment(storm.end_ms, answer.time_zone) if storm.complete else "going on",
            span(line.duration_s),
            f"{_OR_MORE[line.is_at_least]}{storm.rain_mm:.1f}",
            "or more" if line.is_at_least else f"±{1.96 * storm.rain_u_mm:.1f}",
            str(storm.tips),
            "" if line.dry_before_s is None else span(line.dry_before_s),
        )
    gap = span(answer.storm_gap_s)
    odd_mm = sum(line.doubtful_mm for line in answer.storms)
    odd = [Text(f"Of it {odd_mm:.1f} mm may be no rain; `rain` says why.", style="yellow")] if odd_mm else []
    said = f"In all {answer.total_mm:.1f} mm; a dry gap over {gap} ends a storm."
    return Group(table, Text(""), _dim(said), *odd, *_more_note(answer.storms))


def pump(answer: PumpAnswer) -> Group:
    """A line a run."""
    if not answer.runs:
        return Group(Text("No pump runs in that time."), _dim(_PUMP_CAUTION))
    table = _table("began", "lasted", "litres", "95 %", "L/min", "95 %", "pulses", "fuel")
    for line in answer.runs:
        run = line.run
        still = "" if run.complete else " so far"
        has_flow = run.flow_l_min == run.flow_l_min
        table.add_row(
            moment(run.start_ms, answer.time_zone),
            f"{span(line.duration_s)}{still}",
            f"{run.volume_l:z,.0f}",
            f"±{1.96 * run.volume_u_l:z,.0f}",
            f"{run.flow_l_min:.1f}" if has_flow else "unknown",
            f"±{1.96 * run.flow_u_l_min:.1f}" if has_flow else "",
            f"{run.pulses:,}",
            "" if line.fuel_estimate_l is None else f"{line.fuel_estimate_l:.2f} L",
        )
    said = f"{len(answer.runs)} runs, {litres(answer.total_l)} by meter {answer.meter}."
    if any(line.fuel_estimate_l is not None for line in answer.runs):
        said += " Fuel is an estimate, by the rate in the settings."
    odd = [
        Text(
            f"{moment(line.run.start_ms, answer.time_zone)}: {line.doubtful_l:.1f} L of this run are in doubt "
            f"({line.doubt}).",
            style="yellow",
        )
        for line in answer.runs
        if line.doubt is not None
    ]
    return Group(table, Text(""), *odd, _dim(said), _dim(_PUMP_CAUTION))


def alarms(answer: AlarmsAnswer) -> Group:
    """How they stand, then the events."""
    table = _table("alarm", "subject", "state", "since", left=4)
    for one in answer.standing:
        since = "never raised" if one.since_ms is None else moment(one.since_ms, answer.time_zone)
        style = "" if one.state == "normal" else "bold red"
        table.add_row(one.alarm.replace("_", " "), one.subject, Text(one.state.replace("_", " "), style=style), since)
    parts: list[Any] = [table if answer.standing else Text("No alarm is watched.")]
    for event in answer.events:
        told = f"{moment(event.t_ms, answer.time_zone)}  {event.alarm.replace('_', ' ')}, {event.subject}: "
        parts += [Text(""), Text(f"{told}{event.state.replace('_', ' ')}"), _dim(f"    {event.reason}")]
    return Group(*parts)


def replay(answer: ReplayAnswer) -> Group:
    """What was the same, and what was not."""
    parts: list[Any] = [Text(f"{answer.readings:,} readings worked out again.")]
    if answer.other_settings is None:
        if answer.is_identical:
            parts.append(Text(f"All {answer.events_logged} alarm events are identical to the log's.", style="green"))
        else:
            parts.append(Text(f"{len(answer.events)} alarm events differ from the log's:", style="bold red"))
        if answer.settings_changed:
            parts.append(Text("Parts of the log were written under other settings; their alarms may differ for that."))
    else:
        parts.append(Text(f"With {answer.other_settings} instead of the site's settings:"))
        table = _table("tank", "litres", "would be", "farthest apart", "when", left=1)
        for tank in answer.tanks:
            table.add_row(
                tank.tank,
                litres(tank.last_l),
                litres(tank.other_last_l),
                litres(tank.largest_difference_l),
                "" if tank.largest_difference_ms is None else moment(tank.largest_difference_ms, answer.time_zone),
            )
        totals = _table("total", "is", "would be")
        for one in answer.totals:
            digits = 1 if one.unit == "mm" else 0
            totals.add_row(f"{one.what} {one.unit}".strip(), f"{one.value:z,.{digits}f}", f"{one.other:z,.{digits}f}")
        parts += [table, Text(""), totals, Text("")]
        if not answer.events:
            parts.append(Text("The same alarms would have been raised and cleared."))
        else:
            parts.append(Text(f"{len(answer.events)} alarm events would have differed:"))
    if answer.events:
        events = _table("when", "only in", "alarm", "subject", "state", left=5)
        for difference in answer.events[:40]:
            event = difference.event
            events.add_row(
                moment(event.t_ms, answer.time_zone),
                difference.side,
                event.alarm.replace("_", " "),
                event.subject,
                event.state.replace("_", " "),
            )
        parts.append(events)
        if len(answer.events) > 40:
            parts.append(Text(f"and {len(answer.events) - 40} more; --json has them all"))
    return Group(*parts)
