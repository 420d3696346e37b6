"""Where nobody logged, and why: between two runs of the logger."""

import itertools
import sqlite3
from dataclasses import dataclass

__all__ = ["Gap", "find_gaps"]


@dataclass(frozen=True, slots=True)
class Gap:
    """The time from one run's last reading to the next run's first.

    began_in_order: whether the run before it was stopped in order; False: it was cut off (power, kill, crash), and up
    to one commit interval of readings before the gap may be missing too; None: nobody knows. same_boot: the board was
    up all the time, only the logger was away. is_dated: both stamps are by a clock that was known to be right.
    """

    from_ms: int
    to_ms: int
    began_in_order: bool | None
    same_boot: bool
    is_dated: bool


def find_gaps(db: sqlite3.Connection, *, has_stops: bool) -> list[Gap]:
    """All gaps between runs of the logger that have readings, in the order of the runs. A scan of the index."""
    blocks = " UNION ALL SELECT segment, first_ms, last_ms FROM block" if has_stops else ""
    runs = db.execute(
        "SELECT boot.id, boot.boot_uuid, min(first_ms), max(last_ms), min(trusted)"
        f" FROM (SELECT segment, t_ms AS first_ms, t_ms AS last_ms FROM reading{blocks})"
        " JOIN segment ON segment.id = segment JOIN boot ON boot.id = segment.boot"
        " WHERE boot.source = 'logger' GROUP BY boot.id ORDER BY boot.id"
    ).fetchall()
    stops = dict(db.execute("SELECT boot, boot_ms FROM stop")) if has_stops else None
    gaps = []
    for (boot, uuid, _, last_ms, trusted), (_, next_uuid, first_ms, _, next_trusted) in itertools.pairwise(runs):
        in_order = None if stops is None or (boot in stops and stops[boot] is None) else boot in stops
        gaps.append(Gap(last_ms, first_ms, in_order, uuid == next_uuid, bool(trusted and next_trusted)))
    return gaps
