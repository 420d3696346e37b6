"""Level sensors that are frozen, have jumped, changed places, or had no usable value for long."""

from collections.abc import Mapping
from typing import Final

import numpy as np

from rainstead import calc
from rainstead.log import ReadingSource
from rainstead.readings import Kind
from rainstead.settings import Ranger, Settings, sensor_kind

from .series import Series, level_series, series_of
from .sick import Sickness
from .swaps import swapped

__all__ = ["sick_levels"]

NO_VALUE_MS: Final = 3_600_000
HARDLY_RATIO: Final = 0.05
"""Of the readings: three minutes in an hour."""
JUMP_TOLD_MS: Final = 3_600_000
SWAP_TAIL: Final = 20
"""Periods of the slowest ranger before an outage that are looked at for a swap."""
FEWEST_SAME: Final = 30
"""Equal readings before a sensor may be called frozen: one that speaks seldom is given more time."""
MOVED: Final = {Kind.LEVEL: 10.0, Kind.TEMPERATURE: 3.0, Kind.TIP: 1.0, Kind.PULSE: 1.0}
"""So much change in another sensor says that this one should have seen something: millimetres; degrees, which move the
speed of sound by half a percent; a tip; a pulse. Common practice."""


def sick_levels(settings: Settings, reader: ReadingSource, as_of_ms: int) -> dict[str, Sickness]:
    """Those that are sick at a time, by name."""
    rangers = {name: sensor for name, sensor in settings.sensors.items() if isinstance(sensor, Ranger)}
    if not rangers:
        return {}
    longest_ms = round(max(ranger.frozen_after_s for ranger in rangers.values()) * 1000)
    from_ms = as_of_ms - max(longest_ms + JUMP_TOLD_MS, NO_VALUE_MS)
    levels = level_series(settings, reader, rangers, from_ms, as_of_ms)
    found = _swapped(settings, reader, rangers, levels, from_ms)
    for name, ranger in rangers.items():
        if name in found:
            continue
        sick = _no_value(levels[name]) or _jumped(levels[name], ranger, as_of_ms)
        if sick is not None:
            found[name] = sick
            continue
        since_ms = _same_since_ms(levels[name], ranger)
        if since_ms is not None and (other := _moved_since(settings, reader, name, since_ms, as_of_ms)) is not None:
            hours = (int(levels[name].t_ms[-1]) - since_ms) / 3.6e6
            told = f"the same value to the last digit for {hours:.1f} h, while {other} moved; is it frozen?"
            found[name] = Sickness("frozen", since_ms, told)
    return found


def _swapped(
    settings: Settings,
    reader: ReadingSource,
    rangers: Mapping[str, Ranger],
    levels: Mapping[str, Series],
    from_ms: int,
) -> dict[str, Sickness]:
    if len(rangers) < 2:
        return {}
    told_of = {name: (one.t_ms, one.value) for name, one in levels.items()}
    tail_ms = SWAP_TAIL * round(max(ranger.every_s for ranger in rangers.values()) * 1000)
    last_ms = reader.last_before_ms(from_ms)
    if last_ms is not None and from_ms - last_ms > tail_ms:
        # The board was off, perhaps for days: what was said before is older than what is looked at.
        for name, one in level_series(settings, reader, rangers, last_ms - tail_ms, last_ms).items():
            t_ms, value = told_of[name]
            told_of[name] = np.concatenate([one.t_ms, t_ms]), np.concatenate([one.value, value])
    found: dict[str, Sickness] = {}
    for name, (other, at_ms) in swapped(told_of).items():
        told = f"it says what {other} said before, and the other way round: may be another sensor; "
        told += "check which plug is in which port, and use names that stay with the port (`ls /dev/serial/by-path`)"
        found[name] = Sickness("swapped", at_ms, told)
    return found


def _no_value(series: Series) -> Sickness | None:
    """It speaks, and for an hour there was hardly anything of use. One that does not even speak is told elsewhere.

    Of the whole stretch and of its last hour so little was of use: a wild echo now and then hides no ranger that has
    lost the water, and minutes of good values end it.
    """
    if not len(series.t_ms):
        return None
    last_ms = int(series.t_ms[-1])
    old = series.t_ms <= last_ms - NO_VALUE_MS
    good_from = np.cumsum(series.says[::-1])[::-1]
    hardly = good_from <= HARDLY_RATIO * np.arange(len(series.t_ms), 0, -1)
    begins = np.flatnonzero(old & hardly & ~series.says)
    if not len(begins) or np.mean(series.says[~old]) > HARDLY_RATIO:
        return None
    begin = int(begins[0])
    hours = (last_ms - int(series.t_ms[begin])) / 3.6e6
    since_ms = int(series.t_ms[begin]) if begin else None
    least = "" if begin else "at least "
    what = "hardly a usable value" if good_from[begin] else "no usable value"
    return Sickness("no_value", since_ms, f"{what} for {least}{hours:.1f} h")


def _jumped(series: Series, ranger: Ranger, as_of_ms: int) -> Sickness | None:
    jump = calc.last_jump(series.t_ms, series.value, ranger.fastest_m_min * 1000, calc.STEP_ALLOWANCE_MM)
    if jump is None or as_of_ms - jump[0] > JUMP_TOLD_MS:
        return None
    at_ms, by_mm = jump
    way = "farther from" if by_mm > 0 else "nearer to"
    told = (
        f"the water seemed {abs(by_mm):.0f} mm {way} it all at once, faster than water moves; "
        "was it knocked or moved, or is another sensor's plug in its port?"
    )
    return Sickness("jumped", at_ms, told)


def _same_since_ms(series: Series, ranger: Ranger) -> int | None:
    since_ms = calc.same_since_ms(series.t_ms, series.value)
    if since_ms is None or series.t_ms[-1] - since_ms < ranger.frozen_after_s * 1000:
        return None
    same = (series.t_ms >= since_ms) & ~np.isnan(series.value)
    return since_ms if np.count_nonzero(same) >= FEWEST_SAME else None


def _moved_since(settings: Settings, reader: ReadingSource, name: str, since_ms: int, upto_ms: int) -> str | None:
    """Another sensor of the site that shows that there was something to see; None where all was still."""
    others = [other for other in settings.sensors if other != name]
    for other, series in series_of(reader, others, since_ms, upto_ms).items():
        kind = sensor_kind(settings.sensors[other])
        # Tips and pulses count since the row before: one that is not nought is one that moved.
        values = np.append(series.value, 0.0) if kind in (Kind.TIP, Kind.PULSE) else series.value
        if calc.has_moved(values, MOVED[kind]):
            return other
    return None
