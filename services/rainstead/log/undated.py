"""Runs of the logger whose clock nobody ever set."""

import sqlite3
from dataclasses import dataclass

__all__ = ["UndatedRun", "find_undated"]


@dataclass(frozen=True, slots=True)
class UndatedRun:
    """A run of the logger whose stamps are a guess; offset_ms: what was taken for wall clock minus boot clock."""

    number: int
    first_ms: int
    last_ms: int
    offset_ms: int


def find_undated(db: sqlite3.Connection) -> list[UndatedRun]:
    """Runs with readings, none of whose clock is known to have been right, in their order; a scan of the index."""
    has_blocks = db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'block'").fetchone() is not None
    blocks = " UNION ALL SELECT segment, first_ms, last_ms FROM block" if has_blocks else ""
    rows = db.execute(
        "SELECT boot.id, min(first_ms), max(last_ms), max(offset_ms)"
        f" FROM (SELECT segment, t_ms AS first_ms, t_ms AS last_ms FROM reading{blocks})"
        " JOIN segment ON segment.id = segment JOIN boot ON boot.id = segment.boot"
        " WHERE boot.source = 'logger' GROUP BY boot.id HAVING max(trusted) = 0 ORDER BY boot.id"
    )
    return [UndatedRun(*row) for row in rows]
