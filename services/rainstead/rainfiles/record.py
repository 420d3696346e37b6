"""A daily rain record: CSV with the columns `date` and `rain_mm`."""

import csv
import io
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from rainstead.readings import F64, I64

from .refused import RainFileRefused, number_mm, refuse, text_of

__all__ = ["RainRecord", "read_rain_record"]

_COLUMNS = ("date", "rain_mm")
_MOST_MM = 2000.0
"""No day on Earth has had more."""
_FARTHEST = (date(1700, 1, 1), date(2200, 1, 1))


@dataclass(frozen=True, slots=True)
class RainRecord:
    """Rain of each day from `first` on, without a break; NaN where it is not known. source: where it comes from."""

    source: str
    first: date
    rain_mm: F64

    @property
    def last(self) -> date:
        """The last day."""
        return self.first + timedelta(days=len(self.rain_mm) - 1)

    @property
    def known_days(self) -> int:
        """Days whose rain is known."""
        return int(np.isfinite(self.rain_mm).sum())

    def day_of_year(self) -> I64:
        """1 to 366, for each day."""
        days = (self.first + timedelta(days=k) for k in range(len(self.rain_mm)))
        return np.array([day.timetuple().tm_yday for day in days], dtype=np.int64)

    def longest_unbroken(self) -> "RainRecord":
        """The longest stretch in which every day is known."""
        known = np.concatenate([[False], np.isfinite(self.rain_mm), [False]])
        edges = np.flatnonzero(known[1:] != known[:-1])
        starts, ends = edges[::2], edges[1::2]
        if not len(starts):
            return RainRecord(self.source, self.first, self.rain_mm[:0])
        k = int(np.argmax(ends - starts))
        return RainRecord(self.source, self.first + timedelta(days=int(starts[k])), self.rain_mm[starts[k] : ends[k]])


def read_rain_record(path: Path) -> RainRecord:
    """A record from a file, its days in any order. A day that is not there, or has no figure, is not known: not dry.

    Other columns are passed over. Raises RainFileRefused, naming the lines.
    """
    rows = csv.reader(io.StringIO(text_of(path)), strict=True)
    bad: list[tuple[int, str]] = []
    days: dict[date, float] = {}
    lines: dict[date, int] = {}
    at_date = at_rain = -1
    try:
        for row in rows:
            if not row or not any(cell.strip() for cell in row):
                continue
            if at_date < 0:
                at_date, at_rain = _header(path, row)
                continue
            try:
                day, rain_mm = _day(row, at_date, at_rain)
                if day in days:
                    raise ValueError(f"{day} stands in line {lines[day]} already; leave one of them out")
                days[day], lines[day] = rain_mm, rows.line_num
            except ValueError as error:
                bad.append((rows.line_num, str(error)))
    except csv.Error as error:
        bad.append((rows.line_num, f"this is not CSV ({error})"))
    if bad:
        raise refuse(path, bad)
    if not days:
        raise RainFileRefused(
            f"{path}: it has no days; write a line with {','.join(_COLUMNS)}, then a line for each day"
        )
    first = min(days)
    rain = np.full((max(days) - first).days + 1, np.nan)
    for day, rain_mm in days.items():
        rain[(day - first).days] = rain_mm
    return RainRecord(str(path), first, rain)


def _header(path: Path, row: list[str]) -> tuple[int, int]:
    names = [cell.strip().lower() for cell in row]
    missing = [name for name in _COLUMNS if name not in names]
    if missing:
        raise RainFileRefused(
            f"{path}: line 1 has no column {' and no column '.join(missing)}; "
            f"it must name the columns, {','.join(_COLUMNS)} among them"
        )
    return names.index("date"), names.index("rain_mm")


def _day(row: list[str], at_date: int, at_rain: int) -> tuple[date, float]:
    if len(row) <= max(at_date, at_rain):
        raise ValueError("it has too few columns")
    text, rain = row[at_date].strip(), row[at_rain].strip()
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a date; write it as 2024-03-29") from None
    if not _FARTHEST[0] <= day < _FARTHEST[1]:
        raise ValueError(f"{text!r}: the year must lie between 1700 and 2199")
    return day, number_mm(rain, _MOST_MM) if rain else float("nan")
