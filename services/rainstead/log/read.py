"""Reading the log: beside the writer, or after it. Never writes, never blocks the writer for long."""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from rainstead.errors import DiskRefuses, LogDamaged, LogMalformed, LogMissing
from rainstead.events import AlarmEvent
from rainstead.readings import F64, I64, Batch, Kind

from . import schema
from .block import COLUMNS, MINUTES
from .fresh import read_fresh
from .gaps import Gap, find_gaps
from .rows import ROW, Rows, in_order
from .schema import LONGEST_BLOCK_MS
from .sealed import DamagedHour, Found, blocks_over, read_block
from .thinning import Minutes, read_minutes
from .undated import UndatedRun, find_undated

_FAR_MS = 2**62
__all__ = ["Behind", "LogReader", "SensorRow"]

_MOST_SENSORS = 32_767
"""Positions in a batch are 16 bits wide."""


@dataclass(frozen=True, slots=True)
class SensorRow:
    """A sensor that the log knows."""

    number: int
    name: str
    kind: Kind


@dataclass(frozen=True, slots=True)
class Behind:
    """The log may differ at from_ms and later from what was read before; moved: readings there stand elsewhere now."""

    number: int
    from_ms: int
    moved: bool


class _Connection(sqlite3.Connection):
    """A damaged record may say that it is larger than it is; SQLite then asks for memory that there is not."""

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        try:
            return super().execute(*arguments)
        except MemoryError:
            raise sqlite3.DatabaseError("a record in it says that it is larger than memory") from None


class LogReader:
    """Read-only access. Raises LogMissing, NotALog, LogTooNew, DiskRefuses."""

    def __init__(self, path: Path) -> None:
        if path.is_dir():
            path = path / "readings.db"
        if not path.exists():
            raise LogMissing(f"{path}: there is no log here; start the logger or import readings first")
        self.path = path
        self._damaged: set[DamagedHour] = set()
        self._decoded: dict[Found, Rows] = {}
        self._place = _place(path)
        try:
            at = path.absolute().as_uri()
            self._db = sqlite3.connect(f"{at}?mode=ro", uri=True, isolation_level=None, timeout=5, factory=_Connection)
            try:
                self._db.execute("PRAGMA query_only = 1")
                version = schema.examine(self._db, path)
            except BaseException:
                self._db.close()
                raise
        except sqlite3.Error as error:
            raise DiskRefuses(
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

    def is_replaced(self) -> bool:
        """Whether another file, or none, stands at the path by now: a logger moves a damaged log aside."""
        return _place(self.path) != self._place

    def identity(self) -> str | None:
        """What tells this log from another that stood at its place: its first run. None before there was one.

        Runs that were brought in from another log, and are earlier, have numbers below 1.
        """
        row = self._db.execute(
            "SELECT source, boot_uuid, started_ms FROM boot WHERE id > 0 ORDER BY id LIMIT 1"
        ).fetchone()
        return None if row is None else " ".join(map(str, row))

    def sensors(self) -> tuple[SensorRow, ...]:
        """All sensors, in the log's order. Their numbers begin at 1; another one is damage, and names nothing."""
        rows = self._db.execute(f"SELECT id, name, kind FROM sensor WHERE id BETWEEN 1 AND {_MOST_SENSORS} ORDER BY id")
        return tuple(SensorRow(number, name, schema.kind_of(self.path, name, kind)) for number, name, kind in rows)

    @property
    def damaged(self) -> tuple[DamagedHour, ...]:
        """What could not be read so far: it is left out of every answer, and nothing else is."""
        return tuple(sorted(self._damaged))

    def span_ms(self) -> tuple[int, int] | None:
        """First and last stamp; None for a log without readings."""
        with self._snapshot() as has_blocks:
            # One at a time: asked for both at once, SQLite looks at every row.
            spans = [
                self._db.execute("SELECT (SELECT min(t_ms) FROM reading), (SELECT max(t_ms) FROM reading)").fetchone()
            ]
            if has_blocks:
                # A block is short, so the last stamp is in one of the last to begin.
                spans.append(
                    self._db.execute(
                        "SELECT (SELECT min(first_ms) FROM block), (SELECT max(last_ms) FROM block"
                        " WHERE first_ms > (SELECT max(first_ms) FROM block) - ?)",
                        (LONGEST_BLOCK_MS,),
                    ).fetchone()
                )
        # Of damaged rows anything may come.
        known = [(first, last if isinstance(last, int) else first) for first, last in spans if isinstance(first, int)]
        return (min(first for first, _ in known), max(last for _, last in known)) if known else None

    def last_before_ms(self, upto_ms: int) -> int | None:
        """Stamp of the newest reading at or before a time."""
        with self._snapshot() as has_blocks:
            (last_ms,) = self._db.execute("SELECT max(t_ms) FROM reading WHERE t_ms <= ?", (upto_ms,)).fetchone()
            if not has_blocks:
                return None if last_ms is None else int(last_ms)
            found = self._db.execute(
                "SELECT id, first_ms, last_ms, segment, count FROM block WHERE first_ms <= ? AND first_ms >"
                " (SELECT max(first_ms) FROM block WHERE first_ms <= ?) - ?",
                (upto_ms, upto_ms, LONGEST_BLOCK_MS),
            ).fetchall()
            offsets = self._offsets()
            for one in (Found(*row) for row in found):
                stamp: int | None = one.last_ms
                if one.last_ms > upto_ms:
                    stamps = self._readings_of(one, offsets)["t_ms"]
                    stamp = max(stamps[stamps <= upto_ms].tolist(), default=None)
                if stamp is not None and (last_ms is None or stamp > last_ms):
                    last_ms = stamp
            self._decoded = {}
        return None if last_ms is None else int(last_ms)

    def batches(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Batch]:
        """Readings with after_ms < t_ms <= upto_ms in the log's order, of these sensors or of all, sealed or fresh.

        A batch has about `size` readings and never ends between two of one stamp. `Batch.names` is the same for all.
        What is damaged is left out, and is in `damaged` from then on.
        """
        for batch, _ in self.batches_with_trust(after_ms=after_ms, upto_ms=upto_ms, sensors=sensors, size=size):
            yield batch

    def batches_with_trust(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[tuple[Batch, npt.NDArray[np.bool_]]]:
        """The same, and for each reading whether its stamp is by a clock that was known to be right."""
        known = self.sensors()
        names = tuple(row.name for row in known)
        position = np.zeros(max((row.number for row in known), default=0) + 1, dtype=np.int16)
        for k, row in enumerate(known):
            position[row.number] = k
        for readings in self.rows(after_ms=after_ms, upto_ms=upto_ms, sensors=sensors, size=size):
            doubtful = self.doubtful_segments()
            batch = Batch(
                names,
                readings["t_ms"].copy(),
                position[readings["sensor"]],
                # Infinity is no raw value of any sensor; it counts as missing.
                np.where(np.isinf(readings["value"]), np.nan, readings["value"]),
                readings["quality"].copy(),
                np.where(np.isinf(readings["spread"]), np.nan, readings["spread"]),
            )
            yield batch, ~np.isin(readings["segment"], doubtful)

    def rows(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Rows]:
        """What `batches` gives, as the log has it: with segments, and infinity for what is missing in fresh rows."""
        known = self.sensors()
        wanted = [row.number for row in known if sensors is None or row.name in sensors]
        some = None if len(wanted) == len(known) else wanted
        is_known = np.zeros(max((row.number for row in known), default=0) + 1, dtype=np.bool_)
        is_known[[row.number for row in known]] = True
        low, high = (-_FAR_MS if after_ms is None else after_ms), (_FAR_MS if upto_ms is None else upto_ms)
        while low < high:
            # Each batch is a snapshot of its own: one held for minutes would make the write-ahead log grow.
            with self._snapshot() as has_blocks:
                readings, upto_ms = self._window(low, high, some, size, has_blocks)
                if upto_ms <= low:
                    raise LogMalformed(f"{self.path}: this log is damaged (reading it comes to no end)", "no end")
                low = upto_ms
                readings = self._of_named(readings, is_known)
            if len(readings):
                yield readings

    def _of_named(self, readings: Rows, is_known: npt.NDArray[np.bool_]) -> Rows:
        """Those of sensors that had a name when the reading began; a note where the log has none for the others now.

        A logger may have been started with a new sensor meanwhile; else the name is damaged.
        """
        sensor = readings["sensor"]
        within = (sensor >= 0) & (sensor < len(is_known))
        named = within & is_known[np.where(within, sensor, 0)]
        if named.all():
            return readings
        nameless = readings[~named & ~np.isin(sensor, [row.number for row in self.sensors()])]
        if len(nameless):
            first_ms, last_ms = int(nameless["t_ms"].min()), int(nameless["t_ms"].max())
            self._damaged.add(DamagedHour(first_ms, last_ms, len(nameless), "its sensor has no name in this log"))
        return readings[named]

    def _window(self, low: int, high: int, some: list[int] | None, size: int, has_blocks: bool) -> tuple[Rows, int]:
        """The next readings after `low`, about `size` of them, and the stamp up to which they are all."""
        taken: list[Found] = []
        many, bound = 0, high
        for found in blocks_over(self._db, low, high) if has_blocks else ():
            if many >= size and found.first_ms - 1 > max(low, taken[0].first_ms):
                bound = found.first_ms - 1
                break
            taken.append(found)
            many += found.count
        fresh, bound = self._fresh(low, bound, some, size)
        parts = [fresh]
        offsets = self._offsets() if taken else {}
        for found in taken:
            if found.first_ms <= bound:
                readings = self._readings_of(found, offsets)
                if found.first_ms <= low or found.last_ms > bound:
                    readings = readings[(readings["t_ms"] > low) & (readings["t_ms"] <= bound)]
                parts.append(readings if some is None else readings[np.isin(readings["sensor"], some)])
        # Those that begin behind the bound have not been decoded.
        ahead = [found for found in taken if found.first_ms <= bound < found.last_ms]
        self._decoded = {found: self._decoded[found] for found in ahead}
        return in_order(parts), bound

    def _fresh(self, low: int, high: int, some: list[int] | None, size: int) -> tuple[Rows, int]:
        """Rows that are not sealed yet, at most about `size`, and the stamp up to which they are all."""
        found = read_fresh(self._db, low, high, some, size)
        if found.damaged is not None:
            self._damaged.add(found.damaged)
        return found.rows, found.upto_ms

    def _readings_of(self, found: Found, offsets: Mapping[int, int]) -> Rows:
        """A block's readings; none, and a note of it, where it is damaged."""
        if found not in self._decoded:
            try:
                self._decoded[found] = read_block(self._db, found, offsets.get(found.segment))
            except LogDamaged as error:
                self._damaged.add(DamagedHour(found.first_ms, found.last_ms, found.count, str(error)))
                self._decoded[found] = np.empty(0, dtype=ROW)
        return self._decoded[found]

    def _offsets(self) -> dict[int, int]:
        return dict(self._db.execute("SELECT id, offset_ms FROM segment"))

    @contextmanager
    def _snapshot(self) -> Iterator[bool]:
        """Several queries of one moment: sealing moves readings meanwhile. Gives whether the log has blocks yet."""
        self._db.execute("BEGIN")
        try:
            # Asked each time: the writer may bring an older log up to date while this reader is open.
            yield self._db.execute("PRAGMA user_version").fetchone()[0] >= 2
        finally:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")  # nothing was written; a COMMIT fails once a damaged page was met

    def minutes(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> Minutes:
        """What is left of thinned hours: their minutes with after_ms < t_ms <= upto_ms."""
        names = tuple(row.name for row in self.sensors())
        position = {row.number: k for k, row in enumerate(self.sensors())}
        low, high = (-_FAR_MS if after_ms is None else after_ms), (_FAR_MS if upto_ms is None else upto_ms)
        parts: list[F64] = []
        stamps: list[I64] = []
        with self._snapshot() as has_blocks:
            for found, origin_ms, groups in read_minutes(self._db, low, high) if has_blocks else ():
                if not groups:
                    self._damaged.add(DamagedHour(found.first_ms, found.last_ms, found.count, "its minutes"))
                for group in groups:
                    if group.sensor not in position:
                        self._damaged.add(
                            DamagedHour(
                                found.first_ms, found.last_ms, found.count, "its sensor has no name in this log"
                            )
                        )
                        continue
                    stamps.append(group.ms + origin_ms)
                    parts.append(np.vstack([np.full(len(group.ms), position[group.sensor]), *group.columns]))
        t_ms = np.concatenate([np.empty(0, dtype=np.int64), *stamps])
        rest = np.concatenate([np.empty((len(COLUMNS[MINUTES]) + 1, 0)), *parts], axis=1)
        order = np.lexsort((rest[0], t_ms))
        order = order[(t_ms[order] > low) & (t_ms[order] <= high)]
        sensor, count, lowest, highest, mean, unusable = rest[:, order]
        return Minutes(
            names,
            t_ms[order],
            sensor.astype(np.int16),
            count.astype(np.int64),
            lowest,
            highest,
            mean,
            unusable.astype(np.int64),
        )

    def thinned_from_ms(self) -> int | None:
        """Where the first hour begins of which only minutes are left; None where there is none."""
        with self._snapshot() as has_blocks:
            row = self._db.execute("SELECT min(first_ms) FROM summary").fetchone() if has_blocks else (None,)
        return None if row[0] is None else int(row[0])

    def gaps(self) -> list[Gap]:
        """Where no logger ran, and whether the run before was cut off."""
        with self._snapshot() as has_blocks:
            return find_gaps(self._db, has_stops=has_blocks)

    def count(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> int:
        """How many readings there are with after_ms < t_ms <= upto_ms, damaged ones too."""
        low, high = (-_FAR_MS if after_ms is None else after_ms), (_FAR_MS if upto_ms is None else upto_ms)
        with self._snapshot() as has_blocks:
            (count,) = self._db.execute(
                "SELECT count(*) FROM reading WHERE t_ms > ? AND t_ms <= ?", (low, high)
            ).fetchone()
            if has_blocks:
                offsets = self._offsets()
                for found in blocks_over(self._db, low, high):
                    if found.first_ms > low and found.last_ms <= high:
                        count += found.count
                    else:
                        stamps = self._readings_of(found, offsets)["t_ms"]
                        count += int(np.count_nonzero((stamps > low) & (stamps <= high)))
            self._decoded = {}
        return int(count)

    def events(
        self, *, after_ms: int | None = None, upto_ms: int | None = None, only_trusted: bool = False
    ) -> list[AlarmEvent]:
        """Alarm events with after_ms < t_ms <= upto_ms, oldest first; only_trusted: by a clock known to be right."""
        low, high = (-_FAR_MS if after_ms is None else after_ms), (_FAR_MS if upto_ms is None else upto_ms)
        rows = self._db.execute(
            "SELECT t_ms, alarm, subject, state, value, limit_value, unit, reason FROM event"
            " WHERE t_ms > ? AND t_ms <= ? AND segment NOT IN (SELECT id FROM segment WHERE trusted = 0 AND ?)"
            " ORDER BY t_ms, alarm, subject, state",
            (low, high, only_trusted),
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

    def doubtful_segments(self) -> list[int]:
        """Segments whose clock was not known to be right."""
        return [number for (number,) in self._db.execute("SELECT id FROM segment WHERE trusted = 0")]

    def clock_is_trusted(self) -> bool:
        """Whether the newest segment's clock was known to be right."""
        row = self._db.execute("SELECT trusted FROM segment ORDER BY id DESC LIMIT 1").fetchone()
        return row is not None and bool(row[0])

    def behind(self, after: int) -> list["Behind"]:
        """Where the log changed behind what a reader may have read already, later than the note of that number."""
        if self._db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'behind'").fetchone() is None:
            return []  # of an older schema, which no writer has opened since
        rows = self._db.execute("SELECT id, from_ms, moved FROM behind WHERE id > ? ORDER BY id", (after,))
        return [Behind(number, from_ms, bool(moved)) for number, from_ms, moved in rows]

    def undated_runs(self) -> list[UndatedRun]:
        """Runs of the logger whose stamps are a guess, because nobody ever set their clock."""
        return find_undated(self._db)

    def settings_have_changed(self, digest: str) -> bool:
        """Whether any part of the log was written under settings of another digest."""
        return (
            self._db.execute("SELECT 1 FROM settings_kept WHERE digest <> ? LIMIT 1", (digest,)).fetchone() is not None
        )

    def newest_settings(self) -> str | None:
        """The settings' text that was in force last; None where none was kept."""
        row = self._db.execute("SELECT text FROM settings_kept ORDER BY t_ms DESC LIMIT 1").fetchone()
        return None if row is None else str(row[0])

    def sources(self) -> set[str]:
        """Who has written: logger, import, twin."""
        return {source for (source,) in self._db.execute("SELECT DISTINCT source FROM boot")}


def _place(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except FileNotFoundError:
        return None
    return stat.st_dev, stat.st_ino
