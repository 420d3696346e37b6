"""What a week of a level sensor's readings suggests to its owner: a false echo to look at, a wet face."""

from datetime import timedelta
from typing import Final

import numpy as np

from rainstead import calc
from rainstead.localtime import local
from rainstead.log import ReadingSource
from rainstead.readings import I64, Quality
from rainstead.settings import Ranger, Settings
from rainstead.sickness import judged_levels

__all__ = ["LOOK_BACK_MS", "ranger_advice"]

LOOK_BACK_MS: Final = 7 * 86_400_000
AT_ONCE: Final = 100_000
_QUARTER_MS: Final = 900_000
"""Clocks are set by quarters of an hour at the least."""
_DEAF: Final = (Quality.NO_ECHO, Quality.SILENT, Quality.NOISY, Quality.OUT_OF_RANGE)
_DAWN: Final = range(1, 9)
"""First hours of six that hold the dawn: dew falls on what is colder than the air."""


def ranger_advice(settings: Settings, reader: ReadingSource, as_of_ms: int) -> dict[str, tuple[str, ...]]:
    """Advice for each level sensor for which there is any. Nothing is learnt by it: the owner has the word."""
    found: dict[str, tuple[str, ...]] = {}
    for name, ranger in settings.sensors.items():
        if isinstance(ranger, Ranger):
            lines = _of(settings, reader, name, as_of_ms)
            if lines:
                found[name] = tuple(lines)
    return found


def _of(settings: Settings, reader: ReadingSource, name: str, as_of_ms: int) -> list[str]:
    judged = judged_levels(settings, reader, name, after_ms=as_of_ms - LOOK_BACK_MS, upto_ms=as_of_ms, size=AT_ONCE)
    if judged is None or not len(judged.t_ms):
        return []
    t_ms, ranger = judged.t_ms, settings.sensors[name]
    assert isinstance(ranger, Ranger)
    ullage_mm = np.where(judged.quality == Quality.OK, judged.ullage_m * 1000, np.nan)
    lines = []
    for echo in calc.fixed_echoes(t_ms, ullage_mm, ranger.fastest_m_min * 1000):
        lines.append(
            f"{echo.readings} readings at {echo.range_mm / 1000:.2f} m, leapt to and back from {echo.visits} times in "
            f"a week while the water stood {echo.nearest_mm / 1000:.2f} to {echo.farthest_mm / 1000:.2f} m below the "
            f"sensor: is there a ladder, a pipe or an inlet at that distance? If so, move the sensor, or say "
            f"false_echoes = [{echo.range_mm / 1000:.2f}] in its settings"
        )
    local_ms = t_ms + _offsets_ms(t_ms, settings.site.time_zone)
    deaf = calc.deaf_hours(local_ms // 86_400_000, local_ms // 3_600_000 % 24, np.isin(judged.quality, _DEAF))
    if deaf is not None:
        upto = (deaf.from_hour + 6) % 24
        when = f"on {deaf.days} days of a week, from {deaf.from_hour} to {upto} o'clock"
        rates = f"{deaf.ratio:.0%} of the readings against {deaf.ratio_elsewhere:.1%} at other hours"
        lines.append(
            f"drop-outs come at dawn ({when}: {rates}): condensation on the sensor's face? Tilt it, shield it, warm it "
            "or give it a tube"
            if deaf.from_hour in _DAWN
            else f"drop-outs come at the same hours ({when}: {rates}): what happens then at the tank?"
        )
    return lines


def _offsets_ms(t_ms: I64, zone: str) -> I64:
    """The site's own time minus UTC at each stamp."""
    quarters, which = np.unique(t_ms // _QUARTER_MS, return_inverse=True)
    ahead = [local(quarter * _QUARTER_MS, zone).utcoffset() or timedelta() for quarter in quarters.tolist()]
    return np.array([one // timedelta(milliseconds=1) for one in ahead], dtype=np.int64)[which]
