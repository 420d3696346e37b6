"""Runs whose clock nobody ever set, once runs of another log stand among them: none overlaps what is certain."""

import itertools
import sqlite3
from typing import Protocol

__all__ = ["keep_apart"]

_SPANS = (
    "SELECT boot.id, boot.started_ms + min(s.offset_ms), min(r.first_ms), max(r.last_ms), max(s.offset_ms),"
    " max(s.trusted) FROM boot JOIN segment s ON s.boot = boot.id JOIN"
    " (SELECT segment, t_ms AS first_ms, t_ms AS last_ms FROM reading"
    " UNION ALL SELECT segment, first_ms, last_ms FROM block) r ON r.segment = s.id"
    " WHERE boot.source = 'logger' GROUP BY boot.id ORDER BY boot.id"
)


class _Mover(Protocol):
    """What the log's writer does with a boot's clock."""

    def correct_boot(self, boot: int, offset_ms: int, *, trusted: bool = True) -> int | None: ...

    def put_back_untrusted(self, boot: int, before_ms: int) -> int | None: ...


def keep_apart(writer: _Mover, db: sqlite3.Connection, met: set[int]) -> int:
    """Move undated runs as the logger does: on from the run before them, and then back before one that is certain.

    met: runs that have a neighbour from the other log; others stand as the logger left them. Returns how many moved.
    """
    moved, floor_ms = 0, None
    for number, _, first_ms, last_ms, offset_ms, trusted in db.execute(_SPANS).fetchall():
        if not trusted and number in met and floor_ms is not None and first_ms <= floor_ms:
            shift_ms = floor_ms + 1 - first_ms
            writer.correct_boot(number, offset_ms + shift_ms, trusted=False)
            last_ms += shift_ms  # noqa: PLW2901 - where it ends now
            moved += 1
        floor_ms = last_ms if floor_ms is None else max(floor_ms, last_ms)
    spans = db.execute(_SPANS).fetchall()
    for before, after in reversed(list(itertools.pairwise(spans))):
        if after[5] and not before[5] and (before[0] in met or after[0] in met):
            moved += writer.put_back_untrusted(after[0], min(after[1], after[2])) is not None
    return moved
