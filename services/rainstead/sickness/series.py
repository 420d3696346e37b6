"""A sensor's readings of some hours as columns, and of a level sensor which of them are the water's."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rainstead import calc
from rainstead.derive import judged_echoes
from rainstead.log import ReadingSource
from rainstead.readings import F64, I64, U8, Quality
from rainstead.settings import Ranger, Settings

from .judgedlevels import judged_levels

__all__ = ["Series", "level_series", "series_of"]

AT_ONCE: Final = 5_000
"""Readings: the logger looks every ten minutes, and keeps the memory that this takes."""


@dataclass(frozen=True, slots=True)
class Series:
    """Columns of one length; raw: as it is in the log, in its kind's unit, NaN where a reading has no value."""

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


def series_of(reader: ReadingSource, names: list[str], from_ms: int, upto_ms: int) -> dict[str, Series]:
    """Readings of each sensor with from_ms < t_ms <= upto_ms, as the log has them."""
    parts: dict[str, list[Series]] = {name: [] for name in names}
    for batch in reader.batches(after_ms=from_ms, upto_ms=upto_ms, sensors=names, size=AT_ONCE):
        for name in names:
            mine = batch.of(name)
            parts[name].append(Series(mine.t_ms, mine.value, mine.quality))
    none = Series(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0, dtype=np.uint8))
    # Each sensor's pieces are let go of once they are joined.
    return {name: _joined([none, *parts.pop(name)]) for name in names}


def _joined(parts: list[Series]) -> Series:
    return Series(
        np.concatenate([part.t_ms for part in parts]),
        np.concatenate([part.raw for part in parts]),
        np.concatenate([part.quality for part in parts]),
    )


def level_series(
    settings: Settings, reader: ReadingSource, rangers: Mapping[str, Ranger], from_ms: int, upto_ms: int
) -> dict[str, Series]:
    """The series of level sensors, without echoes that are not the water's."""
    found: dict[str, Series] = {}
    told = series_of(reader, list(rangers), from_ms, upto_ms)
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
        found[name] = Series(t_ms, raw_mm, quality)
    return found
