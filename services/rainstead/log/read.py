"""Reading the log: beside the writer, or after it. Never writes, never blocks the writer for long."""

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rainstead.errors import LogError, LogMissing
from rainstead.events import AlarmEvent
from rainstead.readings import Batch, Kind

from . import schema

_ROW = np.dtype([("t_ms", "i8"), ("sensor", "i4"), ("value", "f8"), ("quality", "u1"), ("spread", "f8")])

__all__ = ["LogReader", "SensorRow"]


@dataclass(frozen=True, slots=True)
class SensorRow:
    """A sensor that the log knows."""

    number: int
    name: str
    kind: Kind


class LogReader:
    """Read-only access. Raises LogMissing, NotALog, LogTooNew, LogError."""

    def __init__(self, path: Path) -> None:
        if path.is_dir():
            path = path / "readings.db"
        if not path.exists():
            raise LogMissing(f"{path}: there is no log here; start the logger or import readings first")
        self.path = path
        try:
            self._db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=5)
            try:
                self._db.execute("PRAGMA query_only = 1")
                version = schema.examine(self._db, path)
            except BaseException:
                self._db.close()
                raise
        except sqlite3.Error as error:
            raise LogError(
                f"{path}: the log cannot be read now ({error}); if another program holds it, try again, "
                "else check the file's owner"
            ) from None
        if version == 0:
            self._db.close()
            raise LogMissing(f"{path}: the log is empty; start the logger or import readings first")

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def __enter__(self) -> "LogReader":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def sensors(self) -> tuple[SensorRow, ...]:
        """All sensors, in the log's order."""
        rows = self._db.execute("SELECT id, name, kind FROM sensor ORDER BY id")
        return tuple(SensorRow(number, name, Kind(kind)) for number, name, kind in rows)

    def span_ms(self) -> tuple[int, int] | None:
        """First and last stamp; None for a log without readings."""
        first, last = self._db.execute(
            "SELECT (SELECT t_ms FROM reading ORDER BY t_ms LIMIT 1),"
            " (SELECT t_ms FROM reading ORDER BY t_ms DESC LIMIT 1)"
        ).fetchone()
        return None if first is None else (first, last)

    def last_before_ms(self, upto_ms: int) -> int | None:
        """Stamp of the newest reading at or before a time."""
        row = self._db.execute(
            "SELECT t_ms FROM reading WHERE t_ms <= ? ORDER BY t_ms DESC LIMIT 1", (upto_ms,)
        ).fetchone()
        return None if row is None else int(row[0])

    def batches(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Batch]:
        """Readings with after_ms < t_ms <= upto_ms in the log's order, of these sensors or of all.

        A batch never ends between two readings of one stamp. `Batch.names` is the same for all of them.
        """
        known = self.sensors()
        names = tuple(row.name for row in known)
        position = np.zeros(max((row.number for row in known), default=0) + 1, dtype=np.int16)
        for k, row in enumerate(known):
            position[row.number] = k
        wanted = [row.number for row in known if sensors is None or row.name in sensors]
        of_these = "" if len(wanted) == len(known) else f" AND sensor IN ({','.join(map(str, wanted))})"
        # Infinity stands for what is missing on the way into an array: it is no raw value of any sensor.
        select = "SELECT t_ms, sensor, ifnull(value, 9e999), quality, ifnull(spread, 9e999) FROM reading WHERE"
        # Each batch is a query of its own: a snapshot held for minutes would make the write-ahead log grow.
        several = f"{select} t_ms > ? AND t_ms <= ?{of_these} ORDER BY t_ms, sensor, segment LIMIT ?"
        one_stamp = f"{select} t_ms = ?{of_these} ORDER BY t_ms, sensor, segment"
        low, high = (-(2**62) if after_ms is None else after_ms), (2**62 if upto_ms is None else upto_ms)
        while True:
            rows = np.fromiter(self._db.execute(several, (low, high, size)), _ROW)
            if not len(rows):
                return
            full = len(rows) == size
            low = int(rows["t_ms"][-1])
            if full:
                whole = np.fromiter(self._db.execute(one_stamp, (low,)), _ROW)
                rows = np.concatenate([rows[rows["t_ms"] < low], whole])
            yield Batch(
                names,
                rows["t_ms"].copy(),
                position[rows["sensor"]],
                np.where(np.isinf(rows["value"]), np.nan, rows["value"]),
                rows["quality"].copy(),
                np.where(np.isinf(rows["spread"]), np.nan, rows["spread"]),
            )
            if not full:
                return

    def count(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> int:
        """How many readings there are with after_ms < t_ms <= upto_ms; a scan."""
        low, high = (-(2**62) if after_ms is None else after_ms), (2**62 if upto_ms is None else upto_ms)
        return int(
            self._db.execute("SELECT count(*) FROM reading WHERE t_ms > ? AND t_ms <= ?", (low, high)).fetchone()[0]
        )

    def most_readings(self) -> int:
        """An upper estimate of how many readings there are, without a scan: by the file's size."""
        (pages,) = self._db.execute("PRAGMA page_count").fetchone()
        (size,) = self._db.execute("PRAGMA page_size").fetchone()
        return int(pages * size // 20)

    def events(self, *, upto_ms: int | None = None) -> list[AlarmEvent]:
        """Alarm events up to a time, oldest first."""
        high = 2**62 if upto_ms is None else upto_ms
        rows = self._db.execute(
            "SELECT t_ms, alarm, subject, state, value, limit_value, unit, reason FROM event"
            " WHERE t_ms <= ? ORDER BY t_ms, alarm, subject, state",
            (high,),
        )
        return [AlarmEvent(*row) for row in rows]

    def checkpoint(self, digest: str, *, upto_ms: int | None = None) -> tuple[int, str] | None:
        """The newest kept state of this digest at or before a time: its stamp and its text."""
        high = 2**62 if upto_ms is None else upto_ms
        row = self._db.execute(
            "SELECT t_ms, state FROM checkpoint WHERE digest = ? AND t_ms <= ? ORDER BY t_ms DESC LIMIT 1",
            (digest, high),
        ).fetchone()
        return None if row is None else (row[0], row[1])

    def clock_is_trusted(self) -> bool:
        """Whether the newest segment's clock was known to be right."""
        row = self._db.execute("SELECT trusted FROM segment ORDER BY id DESC LIMIT 1").fetchone()
        return row is not None and bool(row[0])

    def settings_have_changed(self, digest: str) -> bool:
        """Whether any part of the log was written under settings of another digest."""
        return (
            self._db.execute("SELECT 1 FROM settings_kept WHERE digest <> ? LIMIT 1", (digest,)).fetchone() is not None
        )

    def sources(self) -> set[str]:
        """Who has written: logger, import, twin."""
        return {source for (source,) in self._db.execute("SELECT DISTINCT source FROM boot")}
