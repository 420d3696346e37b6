"""What is left of old hours where the owner wants a bounded log: minutes of the level and temperature sensors.

Tips and pulses stay as they are: no summary could give a storm or a pump run back.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rainstead.errors import LogDamaged
from rainstead.readings import F64, I64, Kind, Quality

from . import block
from .rows import Rows
from .schema import LONGEST_BLOCK_MS
from .sealed import Found, insert_block, read_block

__all__ = ["Keep", "Minutes", "Thinned", "read_minutes", "thin_oldest"]

MINUTE_MS: Final = 60_000
DAY_MS: Final = 86_400_000
_KEPT_WHOLE = (Kind.TIP, Kind.PULSE)


@dataclass(frozen=True, slots=True)
class Keep:
    """How much full resolution stays. None: for ever.

    days: what has so many days of logging behind it may go. mb: the oldest goes while the log has more than so many
    million bytes, never the last day's. forwarded_upto_ms: what was sent elsewhere; None where nothing is ever sent.
    What was not sent does not go for its age, only for want of room.
    """

    days: int | None = None
    mb: int | None = None
    forwarded_upto_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Thinned:
    """A sealed hour whose full resolution was removed. not_forwarded: how many of it had not been sent, but should."""

    first_ms: int
    last_ms: int
    readings: int
    not_forwarded: int


@dataclass(frozen=True, slots=True)
class Minutes:
    """Minutes of thinned hours as columns, in order of time and sensor; raw units.

    t_ms: when the minute begins. count: readings behind lowest, highest and mean (to a hundredth); unusable: those with
    no value or a quality other than OK. NaN where a minute has no usable reading.
    """

    names: tuple[str, ...]
    t_ms: I64
    sensor: npt.NDArray[np.int16]
    count: I64
    lowest: F64
    highest: F64
    mean: F64
    unusable: I64


def thin_oldest(db: sqlite3.Connection, keep: Keep) -> Thinned | None:
    """Replace the oldest sealed block that `keep` lets go; None where nothing has to. Within a transaction.

    No clock is asked how old it is, for a clock may be wrong by years and nothing brings back what went: it counts how
    long was logged since, by boot clocks.

    A damaged block stays as it is: there may be a sounder copy of it, and what it lost must not be forgotten.
    """
    row = db.execute(
        "SELECT id, first_ms, last_ms, segment, count FROM block WHERE whole = 1 ORDER BY first_ms LIMIT 1"
    ).fetchone()
    if row is None:
        return None
    found = Found(*row)
    is_sent = keep.forwarded_upto_ms is None or found.last_ms <= keep.forwarded_upto_ms
    is_old = keep.days is not None and is_sent and _is_behind(db, found, keep.days * DAY_MS)
    if not is_old and not (_is_too_large(db, keep) and _is_behind(db, found, DAY_MS)):
        return None
    (offset_ms,) = db.execute("SELECT offset_ms FROM segment WHERE id = ?", (found.segment,)).fetchone()
    try:
        readings = read_block(db, found, offset_ms)
    except LogDamaged:
        db.execute("UPDATE block SET whole = 0 WHERE id = ?", (found.number,))
        return Thinned(found.first_ms, found.last_ms, 0, 0)
    stay = np.isin(readings["sensor"], _kept_whole(db))
    gone = readings[~stay]
    late = 0
    if keep.forwarded_upto_ms is not None:
        late = int(np.count_nonzero(gone["t_ms"] > keep.forwarded_upto_ms))
    db.execute("DELETE FROM block WHERE id = ?", (found.number,))
    if stay.any():
        insert_block(db, readings[stay], offset_ms, whole=False)
    if len(gone):
        forwarded = None if keep.forwarded_upto_ms is None else int(late == 0)
        _insert_summary(db, gone, offset_ms, forwarded)
    return Thinned(found.first_ms, found.last_ms, len(gone), late)


def read_minutes(db: sqlite3.Connection, low_ms: int, high_ms: int) -> Iterator[tuple[Found, int, list[block.Group]]]:
    """Summaries with a minute in low_ms < t_ms <= high_ms: where, the stamp of their origin, their groups.

    A damaged one has no groups.
    """
    rows = db.execute(
        "SELECT summary.id, first_ms, last_ms, segment, count, offset_ms FROM summary"
        " JOIN segment ON segment.id = segment WHERE first_ms > ? AND first_ms <= ? AND last_ms > ?"
        " ORDER BY first_ms, summary.id",
        (low_ms - LONGEST_BLOCK_MS, high_ms, low_ms),
    )
    for *place, offset_ms in rows.fetchall():
        found = Found(*place)
        try:
            (body,) = db.execute("SELECT body FROM summary WHERE id = ?", (found.number,)).fetchone()
            kind, origin_ms, groups = block.unpack(body)
            if kind != block.MINUTES or origin_ms + offset_ms != found.first_ms:
                raise LogDamaged("it is not what the index tells")
        except sqlite3.OperationalError:
            raise
        except (LogDamaged, sqlite3.DatabaseError, TypeError):
            yield found, found.first_ms, []
            continue
        yield found, origin_ms + offset_ms, groups


def _is_behind(db: sqlite3.Connection, found: Found, least_ms: int) -> bool:
    """Whether so much was logged after a block: in its own run behind it, and in all runs that began later."""
    (newest_ms,) = db.execute("SELECT max(last_ms) FROM block").fetchone()
    if newest_ms - found.last_ms < least_ms:
        return False  # no need to look at every block
    spans = db.execute(
        "SELECT segment, min(first_ms), max(last_ms) FROM block WHERE segment >= ? GROUP BY segment", (found.segment,)
    )
    logged_ms = sum(
        last_ms - (found.last_ms if segment == found.segment else first_ms) for segment, first_ms, last_ms in spans
    )
    return bool(logged_ms >= least_ms)


def _is_too_large(db: sqlite3.Connection, keep: Keep) -> bool:
    if keep.mb is None:
        return False
    pages, free, size = (
        db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * size) > keep.mb * 1_000_000


def _kept_whole(db: sqlite3.Connection) -> list[int]:
    return [number for number, kind in db.execute("SELECT id, kind FROM sensor") if kind in _KEPT_WHOLE]


def _insert_summary(db: sqlite3.Connection, gone: Rows, offset_ms: int, forwarded: int | None) -> None:
    first_ms = int(gone["t_ms"][0]) // MINUTE_MS * MINUTE_MS
    last_ms = int(gone["t_ms"][-1]) // MINUTE_MS * MINUTE_MS
    groups = [_minutes(gone[gone["sensor"] == sensor], first_ms) for sensor in np.unique(gone["sensor"]).tolist()]
    body = block.pack(block.MINUTES, first_ms - offset_ms, groups)
    block.unpack(body)
    db.execute(
        "INSERT INTO summary (first_ms, last_ms, segment, count, forwarded, body) VALUES (?, ?, ?, ?, ?, ?)",
        (first_ms, last_ms, int(gone["segment"][0]), len(gone), forwarded, body),
    )


def _minutes(mine: Rows, first_ms: int) -> block.Group:
    """One sensor's minutes, in order of time."""
    minute, begin = np.unique(mine["t_ms"] // MINUTE_MS, return_index=True)
    usable = (mine["quality"] == Quality.OK) & ~np.isnan(mine["value"])
    count = np.add.reduceat(usable.astype(np.int64), begin)
    value = mine["value"]
    none = count == 0
    lowest = np.minimum.reduceat(np.where(usable, value, np.inf), begin)
    highest = np.maximum.reduceat(np.where(usable, value, -np.inf), begin)
    total = np.add.reduceat(np.where(usable, value, 0.0), begin)
    mean = np.rint(total / np.maximum(count, 1) * 100) / 100
    lowest[none] = highest[none] = mean[none] = np.nan
    unusable = np.add.reduceat((~usable).astype(np.int64), begin)
    columns = (count.astype(float), lowest, highest, mean, unusable.astype(float))
    return block.Group(int(mine["sensor"][0]), minute * MINUTE_MS - first_ms, columns)
