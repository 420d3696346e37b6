"""Readings as the log has them, and the minutes that are left of thinned hours."""

from collections.abc import Callable, Iterator

import numpy as np

from rainstead.log import LogReader
from rainstead.readings import RAW_UNIT

from .months import months, months_of
from .partitions import Partitions
from .tables import Chunk

__all__ = ["write_readings", "write_thinned"]

Progress = Callable[[int], None]


def write_readings(
    reader: LogReader, table: Partitions, from_ms: int, upto_ms: int, progress: Progress, size: int = 100_000
) -> None:
    """Every reading with from_ms <= t_ms < upto_ms, in the log's order."""
    for chunk in _readings(reader, from_ms, upto_ms, size):
        table.add(chunk, months_of(chunk["utc"]))
        progress(len(chunk["utc"]))


def _readings(reader: LogReader, from_ms: int, upto_ms: int, size: int) -> Iterator[Chunk]:
    known = reader.sensors()
    place = np.zeros(max((row.number for row in known), default=0) + 1, dtype=np.int64)
    place[[row.number for row in known]] = range(len(known))
    names, kinds, units = (
        np.array(texts, dtype=object)
        for texts in (
            [row.name for row in known],
            [str(row.kind) for row in known],
            [RAW_UNIT[row.kind] for row in known],
        )
    )
    for rows in reader.rows(after_ms=from_ms - 1, upto_ms=upto_ms - 1, size=size):
        which = place[rows["sensor"]]
        # Infinity is no raw value of any sensor; it counts as missing.
        value, spread, echoes = (
            np.where(np.isinf(rows[name]), np.nan, rows[name]) for name in ("value", "spread", "count")
        )
        yield {
            "utc": rows["t_ms"],
            "sensor": names[which],
            "kind": kinds[which],
            "value": value,
            "unit": units[which],
            "quality": rows["quality"].astype(np.int64),
            "spread": spread,
            "echoes": echoes,
            "clock_trusted": ~np.isin(rows["segment"], reader.doubtful_segments()),
        }


def write_thinned(reader: LogReader, table: Partitions, since_ms: int | None, upto_ms: int) -> None:
    """Every minute of a thinned hour that begins at since_ms <= t_ms < upto_ms; some may be older than all readings."""
    first_ms = reader.thinned_from_ms()
    if first_ms is None:
        return
    from_ms = first_ms if since_ms is None else max(first_ms, since_ms)
    unit_of = {row.name: RAW_UNIT[row.kind] for row in reader.sensors()}
    for month in months(from_ms, upto_ms):
        minutes = reader.minutes(after_ms=month.from_ms - 1, upto_ms=month.upto_ms - 1)
        if not len(minutes.t_ms):
            continue
        names = np.array(minutes.names, dtype=object)
        units = np.array([unit_of[name] for name in minutes.names], dtype=object)
        chunk: Chunk = {
            "utc": minutes.t_ms,
            "sensor": names[minutes.sensor],
            "unit": units[minutes.sensor],
            "readings": minutes.count,
            "lowest": minutes.lowest,
            "highest": minutes.highest,
            "mean": minutes.mean,
            "unusable": minutes.unusable,
        }
        table.add(chunk, months_of(minutes.t_ms))
