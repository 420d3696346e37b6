"""The water book by the day, a month at a time: what bounds the memory, and lets every row be checked at the desk."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np

from rainstead import answers
from rainstead.answers import BookLine, Estimate
from rainstead.log import LogReader
from rainstead.notebook import Notes
from rainstead.settings import Settings

from .partitions import Partitions
from .tables import BOOK_AMOUNTS, Chunk

__all__ = ["ALL_TANKS", "write_book"]

Progress = Callable[[int], None]
ALL_TANKS = "(all)"
"""No tank can have this name."""


def write_book(
    settings: Settings,
    reader: LogReader,
    notes: Notes,
    table: Partitions,
    from_ms: int,
    upto_ms: int,
    progress: Progress,
) -> None:
    """The rain days that end between from_ms and upto_ms, and the one that upto_ms cuts. Raises NoBook."""
    last = answers.rain_day_of(upto_ms, settings)
    first = answers.rain_day_of(from_ms, settings)
    while first <= last:
        until = min((first.replace(day=1) + timedelta(days=31)).replace(day=1) - timedelta(days=1), last)
        end_ms = min(upto_ms, answers.rain_day_start_ms(until + timedelta(days=1), settings))
        found = answers.book(settings, reader, notes, end_ms, since=f"{first}", until=f"{until}", progress=progress)
        rows = [(tank.tank, line) for tank in found.tanks for line in tank.lines]
        rows += [(ALL_TANKS, line) for line in found.together.lines]
        rows.sort(key=lambda row: row[1].label)
        if rows:
            chunk = _chunk(rows)
            table.add(chunk, chunk["day"].astype("datetime64[M]"))
        first = until + timedelta(days=1)


def _chunk(rows: Sequence[tuple[str, BookLine]]) -> Chunk:
    lines = [line for _, line in rows]
    columns: dict[str, list[Any]] = {}
    for name in BOOK_AMOUNTS:
        told = [getattr(line, f"{name}_l") for line in lines]
        known = [one if isinstance(one, Estimate) else None for one in told]
        columns[f"{name}_l"] = [np.nan if one is None else one.value for one in known]
        columns[f"{name}_u_l"] = [np.nan if one is None else one.u for one in known]
        columns[f"{name}_low_l"] = [np.nan if one is None else one.low for one in known]
        columns[f"{name}_high_l"] = [np.nan if one is None or one.high is None else one.high for one in known]
    return {
        "day": np.array([date.fromisoformat(line.label) for line in lines], dtype="datetime64[D]"),
        "from_utc": np.array([line.from_ms for line in lines], dtype=np.int64),
        "upto_utc": np.array([line.upto_ms for line in lines], dtype=np.int64),
        "tank": np.array([tank for tank, _ in rows], dtype=object),
        "is_whole": np.array([line.is_whole for line in lines]),
        "gauge_was_deaf": np.array([line.gauge_was_deaf for line in lines]),
        **{name: np.array(values, dtype=np.float64) for name, values in columns.items()},
        "finding": np.array([line.finding for line in lines], dtype=object),
        "because": np.array([_because(line) for line in lines], dtype=object),
    }


def _because(line: BookLine) -> str | None:
    told = (getattr(line, f"{name}_l") for name in BOOK_AMOUNTS)
    return next((one.because for one in told if not isinstance(one, Estimate)), None)
