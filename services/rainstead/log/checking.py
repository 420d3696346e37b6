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
    with _Checked(path) as log:
        faults = log.page_faults()
        schema = log.schema()
        counts = {"readings": 0, "fresh": 0, "sealed": 0, "thinned": 0}
        span_ms: tuple[int, int] | None = None
        gaps: list[Gap] = []
        try:
            counts["readings"], doubles = log.count_readings()
            if doubles:
                faults.append(f"{doubles} readings are there twice, fresh and sealed")
            counts["fresh"] = log.ask("SELECT count(*) FROM reading")
            faults += log.orphans(schema)
            if schema >= 2:
                counts["sealed"] = log.ask("SELECT ifnull(sum(count), 0) FROM block")
                counts["thinned"] = log.ask("SELECT ifnull(sum(count), 0) FROM summary")
                log.minutes()
            span_ms, gaps = log.span_ms(), log.gaps()
        except (sqlite3.DatabaseError, LogDamaged) as error:
            faults.append(f"it cannot be read to its end ({error})")
        size = log.path.stat().st_size
        first_ms, last_ms = span_ms or (None, None)
        return LogCheck(
            str(log.path),
            schema,
            size,
            **counts,
            first_ms=first_ms,
            last_ms=last_ms,
            faults=tuple(faults),
            damaged=log.damaged,
            gaps=tuple(gaps),
        )


class _Checked(LogReader):
    """A reader that also looks at how the file is made."""

    def ask(self, question: str) -> int:
        """One number."""
        return int(self._db.execute(question).fetchone()[0])

    def schema(self) -> int:
        """Its version."""
        return self.ask("PRAGMA user_version")

    def page_faults(self) -> list[str]:
        """What SQLite's own check says, in lines."""
        try:
            told = [str(line) for (line,) in self._db.execute(f"PRAGMA integrity_check({_MOST_FAULTS})")]
        except sqlite3.DatabaseError as error:
            return [f"SQLite cannot check it ({error})"]
        return [] if told == ["ok"] else [line for text in told for line in text.splitlines() if line.strip()]

    def count_readings(self) -> tuple[int, int]:
        """How many readings there are, and how many of them twice."""
        readings = doubles = 0
        for rows in self.rows():
            readings += len(rows)
            same = np.ones(max(len(rows) - 1, 0), dtype=bool)
            for name in ("t_ms", "sensor", "segment"):
                same &= rows[name][1:] == rows[name][:-1]
            doubles += int(np.count_nonzero(same))
        return readings, doubles

    def orphans(self, schema: int) -> list[str]:
        """Rows that belong to what is not there."""
        found = []
        for table in ["reading", "event"] + (["block", "summary"] if schema >= 2 else []):
            lost = self.ask(f"SELECT count(*) FROM {table} WHERE segment NOT IN (SELECT id FROM segment)")
            if lost:
                found.append(f"{lost} rows of {table} belong to no segment")
        nameless = self.ask("SELECT count(*) FROM reading WHERE sensor NOT IN (SELECT id FROM sensor)")
        return [*found, f"{nameless} readings belong to no sensor"] if nameless else found
