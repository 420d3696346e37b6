"""The logger's newest run: its boot, what it takes for the time, and where its readings end."""

import sqlite3
from dataclasses import dataclass
from typing import Final

from rainstead.errors import LogDamaged

from .schema import LONGEST_BLOCK_MS
from .sealed import Found, read_block

__all__ = ["NewestRun", "find_end_of_run", "find_newest_run"]

_TOGETHER_MS: Final = 3_600_000
"""A run's readings are seconds or minutes apart: a stamp that lies further from its neighbour's is out of place."""
_MOST_LOOKED_AT: Final = 24
"""Fresh rows and blocks: more are looked at only where all before them are damaged, and then nobody can tell."""


@dataclass(frozen=True, slots=True)
class NewestRun:
    """boot_uuid: of the machine's boot in which it was; offset_ms: its stamps are boot clock + offset."""

    number: int
    boot_uuid: str
    offset_ms: int


def find_newest_run(db: sqlite3.Connection) -> NewestRun | None:
    """None where no logger has written. Runs that were brought in from another log have numbers below 1."""
    run = db.execute(
        "SELECT id, boot_uuid FROM boot WHERE id > 0 AND source <> 'import' ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if run is None:
        return None
    # A run that has only just begun may have no segment yet; the one before in the same boot had the same clock.
    segment = db.execute(
        "SELECT offset_ms FROM segment JOIN boot ON boot.id = segment.boot"
        " WHERE boot = ?1 OR (boot > 0 AND source <> 'import' AND boot_uuid = ?2)"
        " ORDER BY boot = ?1 DESC, segment.id DESC LIMIT 1",
        run,
    ).fetchone()
    return None if segment is None else NewestRun(*run, *segment)


def find_end_of_run(db: sqlite3.Connection, number: int | None) -> int | None:
    """Stamp of its newest reading, or of the log's where number is None; None where there is none.

    A stamp that damage has moved is not believed: a fresh row's is where its neighbour's is near, and a block's where
    its body, which has a checksum, says the same. Raises sqlite3.Error.
    """
    of_run = "" if number is None else " WHERE segment IN (SELECT id FROM segment WHERE boot = ?1)"
    asked = () if number is None else (number,)
    # In the key's order, backwards: the newest are of this run, so that the first rows are all that is looked at.
    rows = db.execute(f"SELECT t_ms FROM reading{of_run} ORDER BY t_ms DESC LIMIT {_MOST_LOOKED_AT}", asked)
    fresh = [t_ms for (t_ms,) in rows if isinstance(t_ms, int)]
    fresh_ms = next((t_ms for k, t_ms in enumerate(fresh) if _is_near(t_ms, fresh[k + 1 : k + 3])), None)
    sealed_ms = _end_of_blocks(db, of_run, asked, fresh_ms)
    if fresh_ms is None and fresh and (sealed_ms is None or 0 <= fresh[0] - sealed_ms <= _TOGETHER_MS):
        return fresh[0]  # the only one, or one of a log whose readings are far apart
    return max((t_ms for t_ms in (fresh_ms, sealed_ms) if t_ms is not None), default=None)


def _is_near(t_ms: int, others: list[int]) -> bool:
    """Whether it is of one time with one of them: of two, as the one beside it may be what is damaged."""
    return any(abs(t_ms - other) <= _TOGETHER_MS for other in others)


def _end_of_blocks(db: sqlite3.Connection, of_run: str, asked: tuple[int, ...], fresh_ms: int | None) -> int | None:
    """Where the newest block that reads ends; None where none does, or none is later than fresh_ms."""
    if db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'block'").fetchone() is None:
        return None
    offsets = dict(db.execute("SELECT id, offset_ms FROM segment"))
    blocks = db.execute(
        f"SELECT id, first_ms, last_ms, segment, count FROM block{of_run}"
        f" ORDER BY last_ms DESC LIMIT {_MOST_LOOKED_AT}",
        asked,
    ).fetchall()
    for found in (Found(*row) for row in blocks if all(isinstance(part, int) for part in row)):
        if fresh_ms is not None and found.last_ms <= fresh_ms:
            break
        if not 0 <= found.last_ms - found.first_ms < LONGEST_BLOCK_MS:
            continue
        try:
            read_block(db, found, offsets.get(found.segment))
        except LogDamaged:
            continue
        return found.last_ms
    return None
