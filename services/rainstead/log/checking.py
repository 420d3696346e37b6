"""Is a log whole? Every page by SQLite's own check, every block by its checksum, every reading in one place alone."""

import sqlite3
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rainstead.errors import LogDamaged

from .gaps import Gap
from .read import LogReader
from .sealed import DamagedHour

__all__ = ["LogCheck", "check_log"]

_MOST_FAULTS = 20


@dataclass(frozen=True, slots=True)
class LogCheck:
    """What a check found. readings: those that can be read, of them so many fresh and sealed; thinned: those of which
    only minutes are left. faults: of the file as a whole, in words. damaged: parts that cannot be read. gaps: where
    no logger ran, which is no fault of the file."""

    path: str
    schema: int
    size_bytes: int
    readings: int
    fresh: int
    sealed: int
    thinned: int
    first_ms: int | None
    last_ms: int | None
    faults: tuple[str, ...]
    damaged: tuple[DamagedHour, ...]
    gaps: tuple[Gap, ...]

    @property
    def is_whole(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults and not self.damaged


def check_log(path: Path) -> LogCheck:
    """Read all of a log; beside its writer too. Raises LogMissing, NotALog, LogTooNew, LogError."""
    with LogReader(path) as reader:
        db = reader._db
        faults = _page_faults(db)
        (schema,) = db.execute("PRAGMA user_version").fetchone()
        counts = {"readings": 0, "fresh": 0, "sealed": 0, "thinned": 0}
        span_ms: tuple[int, int] | None = None
        gaps: list[Gap] = []
        try:
            counts["readings"], doubles = _count_readings(reader)
            if doubles:
                faults.append(f"{doubles} readings are there twice, fresh and sealed")
            (counts["fresh"],) = db.execute("SELECT count(*) FROM reading").fetchone()
            faults += _orphans(db, schema)
            if schema >= 2:
                (counts["sealed"],) = db.execute("SELECT ifnull(sum(count), 0) FROM block").fetchone()
                (counts["thinned"],) = db.execute("SELECT ifnull(sum(count), 0) FROM summary").fetchone()
                reader.minutes()
            span_ms, gaps = reader.span_ms(), reader.gaps()
        except (sqlite3.DatabaseError, LogDamaged) as error:
            faults.append(f"it cannot be read to its end ({error})")
        size = reader.path.stat().st_size
        first_ms, last_ms = span_ms or (None, None)
        return LogCheck(
            str(reader.path),
            int(schema),
            size,
            **counts,
            first_ms=first_ms,
            last_ms=last_ms,
            faults=tuple(faults),
            damaged=reader.damaged,
            gaps=tuple(gaps),
        )


def _page_faults(db: sqlite3.Connection) -> list[str]:
    try:
        told = [str(line) for (line,) in db.execute(f"PRAGMA integrity_check({_MOST_FAULTS})")]
    except sqlite3.DatabaseError as error:
        return [f"SQLite cannot check it ({error})"]
    return [] if told == ["ok"] else [line for text in told for line in text.splitlines() if line.strip()]


def _count_readings(reader: LogReader) -> tuple[int, int]:
    """How many readings there are, and how many of them twice."""
    readings = doubles = 0
    for rows in reader.rows():
        readings += len(rows)
        same = np.ones(max(len(rows) - 1, 0), dtype=bool)
        for name in ("t_ms", "sensor", "segment"):
            same &= rows[name][1:] == rows[name][:-1]
        doubles += int(np.count_nonzero(same))
    return readings, doubles


def _orphans(db: sqlite3.Connection, schema: int) -> list[str]:
    tables = ["reading", "event"] + (["block", "summary"] if schema >= 2 else [])
    found = []
    for table in tables:
        (lost,) = db.execute(f"SELECT count(*) FROM {table} WHERE segment NOT IN (SELECT id FROM segment)").fetchone()
        if lost:
            found.append(f"{lost} rows of {table} belong to no segment")
    (nameless,) = db.execute("SELECT count(*) FROM reading WHERE sensor NOT IN (SELECT id FROM sensor)").fetchone()
    return [*found, f"{nameless} readings belong to no sensor"] if nameless else found
