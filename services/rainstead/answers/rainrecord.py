"""The rain record that past weather is taken from: a file, or the site's own log."""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from rainstead.calc.desk import Unknown
from rainstead.log import ReadingSource
from rainstead.rainfiles import RainRecord, read_rain_record
from rainstead.settings import Settings

from .rain import rain

__all__ = ["rain_record"]

Progress = Callable[[int], None]
_MOST_DAYS = 3660
_DAY_MS = 86_400_000


def rain_record(
    settings: Settings, reader: ReadingSource, as_of_ms: int, file: Path | None, *, progress: Progress | None = None
) -> RainRecord | Unknown:
    """From the file, else the whole rain days of the log; days on which the gauge could not count are not known.

    Raises RainFileRefused.
    """
    if file is not None:
        return read_rain_record(file)
    if settings.rain is None:
        return Unknown("the site has no rain gauge; name a record of past rain with --record")
    span = reader.span_ms()
    days = 1 if span is None else min((as_of_ms - span[0]) // _DAY_MS + 2, _MOST_DAYS)
    answer = rain(settings, reader, as_of_ms, days=max(int(days), 2), progress=progress)
    whole = answer.days[:-1]
    heard = [k for k, day in enumerate(whole) if day.rain_mm is not None]
    # The first day of the log began before the log did.
    kept = whole[heard[0] + 1 :] if heard else whole[:0]
    first = date.fromisoformat(kept[0].ends_on) if kept else date.fromisoformat(whole[-1].ends_on) + timedelta(days=1)
    known = [np.nan if day.rain_mm is None or day.is_at_least else day.rain_mm for day in kept]
    return RainRecord("the site's log", first, np.array(known, dtype=np.float64))
