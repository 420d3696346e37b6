"""Which sensors are sick though they speak: levels that are frozen, jump, are swapped or have had no usable value for
long; a gauge that tells no rain while tanks gain; a meter whose pulses are hardly water.

Worked out from the log alone, by the same function for the logger and at the desk.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rainstead import calc
from rainstead.derive import judged_echoes
from rainstead.judgedlevels import judged_levels
from rainstead.lasthours import LastHours, last_hours
from rainstead.log import ReadingSource
from rainstead.meterdoubt import doubtful_words, doubts_of, idle_meter
from rainstead.readings import F64, I64, U8, Kind, Quality
from rainstead.settings import Ranger, Settings, sensor_kind
from rainstead.silentgauge import silent_gauge
from rainstead.swaps import swapped

__all__ = ["Sickness", "find_sickness"]

NO_VALUE_MS: Final = 3_600_000
AT_ONCE: Final = 5_000
"""Readings: the logger looks every ten minutes, and keeps the memory that this takes."""
JUMP_TOLD_MS: Final = 3_600_000
SWAP_TAIL: Final = 20
"""Periods of the slowest ranger before an outage that are looked at for a swap."""
ODD_TOLD_MS: Final = 3_600_000
FEWEST_ODD: Final = 5
"""Rows in doubt before a meter is called sick for them: a rotor may be knocked."""
FEWEST_SAME: Final = 30
"""Equal readings before a sensor may be called frozen: one that speaks seldom is given more time."""
MOVED: Final = {Kind.LEVEL: 10.0, Kind.TEMPERATURE: 3.0, Kind.TIP: 1.0, Kind.PULSE: 1.0}
"""So much change in another sensor says that this one should have seen something: millimetres; degrees, which move the
speed of sound by half a percent; a tip; a pulse. Common practice."""


@dataclass(frozen=True, slots=True)
class Sickness:
    """state: frozen, jumped, swapped, no_value; no_rain of a gauge; odd_pulses, no_draw of a meter. since_ms: since
    when; None where it was so all the time looked at."""

    state: str
    since_ms: int | None
    because: str


@dataclass(frozen=True, slots=True)
class _Series:
    t_ms: I64
    raw: F64
    quality: U8

    @property
    def value(self) -> F64:
        """NaN where a reading is not to be used as a level."""
        return np.where(self.quality == Quality.OK, self.raw, np.nan)

    @property
    def says(self) -> npt.NDArray[np.bool_]:
        """Whether a reading says something of the water: a level, or that it is too near to be measured."""
        said: npt.NDArray[np.bool_] = (self.quality == Quality.OK) | (self.quality == Quality.BLANKED)
        return said


def find_sickness(settings: Settings, reader: ReadingSource, as_of_ms: int) -> dict[str, Sickness]:
    """What the last hours of the log say of each sensor that is sick at a time."""
    found = _sick_levels(settings, reader, as_of_ms)
    return found | _sick_counters(settings, reader, as_of_ms, found)


def _sick_counters(
    settings: Settings, reader: ReadingSource, as_of_ms: int, levels: Mapping[str, Sickness]
) -> dict[str, Sickness]:
    """Gauge and meter, held against the tanks; the levels that are sick themselves are no witnesses."""
    if settings.rain is None and (settings.pump is None or settings.pump.meter is None):
        return {}
    hours = last_hours(settings, reader, as_of_ms)
    found: dict[str, Sickness] = {}
    if (gauge := silent_gauge(settings, hours, levels)) is not None:
        told = (
            f"in {gauge.hours:g} h the tanks gained as {gauge.tanks_mm:.1f} mm of rain would make them, and it told "
            f"{gauge.gauge_mm:.1f} mm; is its funnel blocked, or its cable cut?"
        )
        found[gauge.gauge] = Sickness("no_rain", gauge.since_ms, told)
    if settings.pump is not None and settings.pump.meter is not None:
        if (sick := _odd_pulses(settings, hours, as_of_ms)) is not None:
            found[settings.pump.meter] = sick
        elif (idle := idle_meter(settings, hours, levels)) is not None:
            told = (
                f"in {idle.hours:g} h it told {idle.metered_l:.0f} L, and {idle.source}, which it draws from, fell by "
                f"{max(idle.fell_l, 0.0):.0f} L; does it count without flow, or was water let in?"
            )
            found[idle.meter] = Sickness("no_draw", idle.since_ms, told)
    return found


def _odd_pulses(settings: Settings, hours: LastHours, as_of_ms: int) -> Sickness | None:
    """Pulses of the last hour that may be no water."""
    recent = hours.flowed_ms > as_of_ms - ODD_TOLD_MS
    doubts = doubts_of(settings, hours.flow_began_ms, hours.flowed_ms, hours.pulses)
    odd = recent & (doubts != calc.PulseDoubt.NONE)
    words = doubtful_words(doubts[odd])
    if words is None or np.count_nonzero(odd) < FEWEST_ODD:
        return None
    told = f"{hours.flowed_l[odd].sum():.0f} L of the last hour are in doubt ({words})"
    return Sickness("odd_pulses", int(hours.flowed_ms[odd][0]), told)


def _sick_levels(settings: Settings, reader: ReadingSource, as_of_ms: int) -> dict[str, Sickness]:
    rangers = {name: sensor for name, sensor in settings.sensors.items() if isinstance(sensor, Ranger)}
    if not rangers:
        return {}
    longest_ms = round(max(ranger.frozen_after_s for ranger in rangers.values()) * 1000)
    from_ms = as_of_ms - max(longest_ms + JUMP_TOLD_MS, NO_VALUE_MS)
    levels = _levels(settings, reader, rangers, from_ms, as_of_ms)
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


def _series(reader: ReadingSource, names: list[str], from_ms: int, upto_ms: int) -> dict[str, _Series]:
    parts: dict[str, list[_Series]] = {name: [] for name in names}
    for batch in reader.batches(after_ms=from_ms, upto_ms=upto_ms, sensors=names, size=AT_ONCE):
        for name in names:
            mine = batch.of(name)
            parts[name].append(_Series(mine.t_ms, mine.value, mine.quality))
    none = _Series(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0, dtype=np.uint8))
    # Each sensor's pieces are let go of once they are joined.
    return {name: _joined([none, *parts.pop(name)]) for name in names}


def _joined(parts: list[_Series]) -> _Series:
    return _Series(
        np.concatenate([part.t_ms for part in parts]),
        np.concatenate([part.raw for part in parts]),
        np.concatenate([part.quality for part in parts]),
    )


def _levels(
    settings: Settings, reader: ReadingSource, rangers: Mapping[str, Ranger], from_ms: int, upto_ms: int
) -> dict[str, _Series]:
    """The series of level sensors, without echoes that are not the water's."""
    found: dict[str, _Series] = {}
    told = _series(reader, list(rangers), from_ms, upto_ms)
    for name, ranger in rangers.items():
        series = told.pop(name)
        t_ms, raw_mm, quality = series.t_ms, series.raw, series.quality
        judged = None
        if ranger.false_echoes_m:  # where they are depends on the air; else the raw values are enough, and quicker
            judged = judged_levels(settings, reader, name, after_ms=from_ms, upto_ms=upto_ms, size=AT_ONCE)
        if judged is not None:
            t_ms, raw_mm, quality = judged.t_ms, judged.raw_mm, judged.quality
        else:
            _, quality = judged_echoes(ranger, calc.BLIND_START, t_ms, raw_mm, raw_mm / 1000, quality)
        found[name] = _Series(t_ms, raw_mm, quality)
    return found


def _swapped(
    settings: Settings,
    reader: ReadingSource,
    rangers: Mapping[str, Ranger],
    levels: Mapping[str, _Series],
    from_ms: int,
) -> dict[str, Sickness]:
    if len(rangers) < 2:
        return {}
    told_of = {name: (one.t_ms, one.value) for name, one in levels.items()}
    tail_ms = SWAP_TAIL * round(max(ranger.every_s for ranger in rangers.values()) * 1000)
    last_ms = reader.last_before_ms(from_ms)
    if last_ms is not None and from_ms - last_ms > tail_ms:
        # The board was off, perhaps for days: what was said before is older than what is looked at.
        for name, one in _levels(settings, reader, rangers, last_ms - tail_ms, last_ms).items():
            t_ms, value = told_of[name]
            told_of[name] = np.concatenate([one.t_ms, t_ms]), np.concatenate([one.value, value])
    found: dict[str, Sickness] = {}
    for name, (other, at_ms) in swapped(told_of).items():
        told = f"it says what {other} said before, and the other way round: may be another sensor; "
        told += "check which plug is in which port, and use names that stay with the port (`ls /dev/serial/by-path`)"
        found[name] = Sickness("swapped", at_ms, told)
    return found


def _no_value(series: _Series) -> Sickness | None:
    """It speaks, and for an hour there was nothing of use. One that does not even speak is told elsewhere."""
    if not len(series.t_ms):
        return None
    last_ms = int(series.t_ms[-1])
    good = np.flatnonzero(series.says)
    bad_from = int(good[-1]) + 1 if len(good) else 0
    if bad_from == len(series.t_ms) or last_ms - int(series.t_ms[bad_from]) < NO_VALUE_MS:
        return None
    hours = (last_ms - int(series.t_ms[bad_from])) / 3.6e6
    since_ms = int(series.t_ms[bad_from]) if bad_from else None
    least = "" if bad_from else "at least "
    return Sickness("no_value", since_ms, f"no usable value for {least}{hours:.1f} h")


def _jumped(series: _Series, ranger: Ranger, as_of_ms: int) -> Sickness | None:
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


def _same_since_ms(series: _Series, ranger: Ranger) -> int | None:
    since_ms = calc.same_since_ms(series.t_ms, series.value)
    if since_ms is None or series.t_ms[-1] - since_ms < ranger.frozen_after_s * 1000:
        return None
    same = (series.t_ms >= since_ms) & ~np.isnan(series.value)
    return since_ms if np.count_nonzero(same) >= FEWEST_SAME else None


def _moved_since(settings: Settings, reader: ReadingSource, name: str, since_ms: int, upto_ms: int) -> str | None:
    """Another sensor of the site that shows that there was something to see; None where all was still."""
    others = [other for other in settings.sensors if other != name]
    for other, series in _series(reader, others, since_ms, upto_ms).items():
        kind = sensor_kind(settings.sensors[other])
        # Tips and pulses count since the row before: one that is not nought is one that moved.
        values = np.append(series.value, 0.0) if kind in (Kind.TIP, Kind.PULSE) else series.value
        if calc.has_moved(values, MOVED[kind]):
            return other
    return None
