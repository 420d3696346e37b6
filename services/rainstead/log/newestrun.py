"""The logger's newest run: its boot, what it takes for the time, and where its readings end."""

import sqlite3
from dataclasses import dataclass

__all__ = ["NewestRun", "find_end_of_run", "find_newest_run"]


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


def find_end_of_run(db: sqlite3.Connection, number: int) -> int | None:
    """Stamp of its newest reading; None where it has none."""
    of_run = "segment IN (SELECT id FROM segment WHERE boot = ?)"
    # In the key's order, backwards: the newest are of this run, so that the first row is all that is looked at.
    fresh = db.execute(f"SELECT t_ms FROM reading WHERE {of_run} ORDER BY t_ms DESC LIMIT 1", (number,)).fetchone()
    found = [] if fresh is None else [fresh[0]]
    if db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'block'").fetchone() is not None:
        found += db.execute(f"SELECT max(last_ms) FROM block WHERE {of_run}", (number,)).fetchone()
    return max((t_ms for t_ms in found if isinstance(t_ms, int)), default=None)
