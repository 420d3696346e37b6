"""Closed hours as blocks: taking fresh rows into one, and reading one back. The arithmetic of a block is in `block`."""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead.errors import LogDamaged, LogError

from . import block, rows
from .rows import ROW, Rows
from .schema import LONGEST_BLOCK_MS

__all__ = [
    "DamagedHour",
    "Found",
    "blocks_over",
    "hour_is_closed",
    "insert_block",
    "read_block",
    "read_segment",
    "seal_oldest",
]

CLOSED_AFTER_MS: Final = 300_000
"""An hour is closed when its end is this long ago: later than that hardly any reading comes."""
MOST_ROWS: Final = 4096
"""A fuller hour becomes several blocks, so that no transaction is long."""
_FRESH = (
    "SELECT t_ms, sensor, segment, value, quality, spread, count FROM reading"
    " WHERE t_ms < ? ORDER BY t_ms, sensor, segment LIMIT ?"
)


@dataclass(frozen=True, slots=True)
class Found:
    """Where a block is and what it covers, by the index. Its body is read apart: a damaged one is lost alone."""

    number: int
    first_ms: int
    last_ms: int
    segment: int
    count: int


@dataclass(frozen=True, slots=True, order=True)
class DamagedHour:
    """A part of the log that cannot be read: first and last stamp, how many readings, and why."""

    first_ms: int
    last_ms: int
    readings: int
    why: str


def hour_is_closed(db: sqlite3.Connection, now_ms: int) -> bool:
    """Whether the oldest fresh reading's hour has been over for long enough."""
    (oldest_ms,) = db.execute("SELECT min(t_ms) FROM reading").fetchone()
    return oldest_ms is not None and _hour_end_ms(oldest_ms) + CLOSED_AFTER_MS <= now_ms


def seal_oldest(db: sqlite3.Connection) -> int:
    """Take the oldest hour's fresh rows, or the first MOST_ROWS of them, into blocks; returns how many.

    Raises LogError where a block would not read back as the same readings; roll back then.
    """
    (oldest_ms,) = db.execute("SELECT min(t_ms) FROM reading").fetchone()
    hour_end_ms = _hour_end_ms(oldest_ms)
    fresh = rows.from_tuples(db.execute(_FRESH, (hour_end_ms, MOST_ROWS)).fetchall())
    for segment in np.unique(fresh["segment"]).tolist():
        insert_block(db, fresh[fresh["segment"] == segment], _offset_ms(db, segment), whole=True)
    last = fresh[-1]
    gone = db.execute(
        "DELETE FROM reading WHERE (t_ms, sensor, segment) <= (?, ?, ?)",
        (int(last["t_ms"]), int(last["sensor"]), int(last["segment"])),
    ).rowcount
    if gone != len(fresh):
        raise LogError(f"sealing would have removed {gone} readings and kept {len(fresh)}; nothing was changed")
    return len(fresh)


def insert_block(db: sqlite3.Connection, readings: Rows, offset_ms: int, *, whole: bool) -> None:
    """One block of one segment's readings, in order, less than an hour; read back before it is stored."""
    first_ms, last_ms, segment = (int(n) for n in (readings["t_ms"][0], readings["t_ms"][-1], readings["segment"][0]))
    groups = []
    for sensor in np.unique(readings["sensor"]).tolist():
        mine = readings[readings["sensor"] == sensor]
        columns = tuple(mine[name].astype(np.float64) for name in block.COLUMNS[block.READINGS])
        groups.append(block.Group(sensor, mine["t_ms"] - first_ms, columns))
    body = block.pack(block.READINGS, first_ms - offset_ms, groups)
    if not rows.same_readings(_rows(body, segment, offset_ms), readings):
        raise LogError(f"the readings from {first_ms} to {last_ms} would not come back the same; nothing was changed")
    db.execute(
        "INSERT INTO block (first_ms, last_ms, segment, count, whole, body) VALUES (?, ?, ?, ?, ?, ?)",
        (first_ms, last_ms, segment, len(readings), int(whole), body),
    )


def blocks_over(db: sqlite3.Connection, low_ms: int, high_ms: int) -> Iterator[Found]:
    """Blocks that may hold a reading with low_ms < t_ms <= high_ms, by their first stamp."""
    found = db.execute(
        "SELECT id, first_ms, last_ms, segment, count FROM block"
        " WHERE first_ms > ? AND first_ms <= ? AND last_ms > ? ORDER BY first_ms, id",
        (low_ms - LONGEST_BLOCK_MS, high_ms, low_ms),
    )
    # A damaged index may hold what no column may: that is no place in time, and SQLite's own check names it.
    return (Found(*row) for row in found if all(isinstance(part, int) for part in row))


def read_block(db: sqlite3.Connection, found: Found, offset_ms: int | None) -> Rows:
    """A block's readings, in order. offset_ms: of its segment. Raises LogDamaged."""
    try:
        row = db.execute("SELECT body FROM block WHERE id = ?", (found.number,)).fetchone()
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError):
            raise  # locked, or the disk failed: it may well be sound
        raise LogDamaged(f"its place in the file is damaged ({error})") from None
    if row is None or offset_ms is None:
        raise LogDamaged("it is in the index and not in the file" if row is None else "its segment is missing")
    readings = _rows(row[0], found.segment, offset_ms)
    if len(readings) != found.count or not len(readings):
        raise LogDamaged(f"it holds {len(readings)} readings and should hold {found.count}")
    if (int(readings["t_ms"][0]), int(readings["t_ms"][-1])) != (found.first_ms, found.last_ms):
        raise LogDamaged("its stamps are not those that the index tells")
    return readings


def read_segment(db: sqlite3.Connection, segment: int, low_ms: int, high_ms: int) -> set[tuple[int, int]]:
    """Stamp and sensor of what is sealed of a segment in low_ms <= t_ms <= high_ms. A damaged block has nothing."""
    known: set[tuple[int, int]] = set()
    offset_ms = _offset_ms(db, segment)
    for found in blocks_over(db, low_ms - 1, high_ms):
        if found.segment == segment:
            try:
                readings = read_block(db, found, offset_ms)
            except LogDamaged:
                continue
            known.update(zip(readings["t_ms"].tolist(), readings["sensor"].tolist(), strict=True))
    return known


def _hour_end_ms(t_ms: int) -> int:
    return t_ms - t_ms % LONGEST_BLOCK_MS + LONGEST_BLOCK_MS


def _offset_ms(db: sqlite3.Connection, segment: int) -> int:
    row = db.execute("SELECT offset_ms FROM segment WHERE id = ?", (segment,)).fetchone()
    if row is None:
        raise LogError(
            f"readings of segment {segment} are there, and the segment is not; `rainstead verify` tells more"
        )
    return int(row[0])


def _rows(body: bytes, segment: int, offset_ms: int) -> Rows:
    kind, origin_ms, groups = block.unpack(body)
    if kind != block.READINGS:
        raise LogDamaged("it holds minutes where readings should be")
    out = np.empty(sum(len(group.ms) for group in groups), dtype=ROW)
    out["segment"] = segment
    at = 0
    for group in groups:
        part = out[at : at + len(group.ms)]
        part["t_ms"] = group.ms + (origin_ms + offset_ms)
        part["sensor"] = group.sensor
        for name, column in zip(block.COLUMNS[block.READINGS], group.columns, strict=True):
            if name == "quality" and not ((column >= 0) & (column <= 255)).all():
                raise LogDamaged("it has qualities that there are not")
            part[name] = column
        at += len(group.ms)
    # Sensors are in order already, and there is one segment: by stamp alone the log's order is found.
    return out.take(out["t_ms"].argsort(kind="stable"))
