"""Another log, read around its damage: never written, and opened so that SQLite could not."""

import contextlib
import hashlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

import numpy as np

from rainstead.errors import DiskRefuses, LogDamaged, LogMalformed, LogMissing

from .. import block, schema
from ..fresh import read_fresh
from ..rows import Rows
from ..sealed import DamagedHour, Found, read_block
from .around import FAR, OF_DAMAGE, is_of_layout, read_around_keys

__all__ = ["OldLog", "OldMinutes", "OldRun", "OldSegment", "Piece", "Unread"]

_FRESH_AT_ONCE: Final = 20_000
_LOST: Final = "lost"
_HOUR_MS: Final = schema.LONGEST_BLOCK_MS
_MOST_ROWS: Final = 4096
"""Of a block, as sealing makes them."""


@dataclass(frozen=True, slots=True)
class OldRun:
    """A run of a program that wrote. has_stop: whether it ended in order; stop_ms: boot clock then, if it is known."""

    source: str
    boot_uuid: str
    started_ms: int
    has_stop: bool = False
    stop_ms: int | None = None


@dataclass(frozen=True, slots=True)
class OldSegment:
    """run: its place in `OldLog.runs`."""

    number: int
    run: int
    offset_ms: int
    trusted: bool
    was_offset_ms: int | None
    is_made_up: bool = False
    """Its record is damaged: whether its clock was known to be right, nobody knows."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Readings of one segment within less than an hour, in order. body: their block as it was stored, if they have one.

    whole: False where only tips and pulses were kept of that hour.
    """

    segment: OldSegment
    rows: Rows
    body: bytes | None
    whole: bool


@dataclass(frozen=True, slots=True)
class OldMinutes:
    """Minutes that stand for thinned readings. origin_ms: boot clock; forwarded: as the log has it."""

    segment: OldSegment
    origin_ms: int
    groups: list[block.Group]
    forwarded: int | None


@dataclass(frozen=True, slots=True)
class Unread:
    """What could not be read. segment: None where nobody knows; its stamps are by that segment's offset."""

    hour: DamagedHour
    segment: OldSegment | None


@dataclass(frozen=True, slots=True)
class _Sealed:
    """A block or a summary as the table or its index tell of it. body: asked for later."""

    first_ms: int
    last_ms: int
    segment: int
    count: int
    rest: int | None


class OldLog:
    """A log to take readings from. A folder stands for its readings.db.

    Raises LogMissing, NotALog (LogMalformed where SQLite cannot make it out at all), LogTooNew, DiskRefuses.
    """

    def __init__(self, path: Path) -> None:
        path = path / "readings.db" if path.is_dir() else path
        if not path.exists():
            raise LogMissing(f"{path}: there is no log here; name the log that was moved aside, or a backup")
        self.path = path
        self._exit = contextlib.ExitStack()
        self.unread: list[Unread] = []
        try:
            self._db = self._open()
            try:
                self.version = schema.examine(self._db, path)
            except LogMalformed as error:
                raise LogMalformed(
                    f"{path}: this is not a rainstead log, or the pages that name its tables are damaged, and nothing "
                    f"of it can be read ({error.why}); salvage a backup or another copy instead; a log that was moved "
                    "aside may then be taken away, which ends its alarm",
                    error.why,
                ) from None
            if self.version == 0:
                raise LogMissing(f"{path}: this log is empty; there is nothing to bring in")
            with self._words():
                self._look()
        except BaseException:
            self._exit.close()
            raise

    def close(self) -> None:
        """Let go of the file."""
        self._exit.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- the file ----------------------------------------------------------------------------------------------

    def _open(self) -> sqlite3.Connection:
        wal = self.path.with_name(self.path.name + "-wal")
        try:
            if not wal.exists():
                return self._connect(self.path, "&immutable=1")  # nothing is laid beside it
            return self._connect(self.path)
        except sqlite3.OperationalError as error:
            # SQLite's own files cannot be laid beside it: a folder, or a stick, that is not ours to write.
            if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
                raise DiskRefuses(
                    f"{self.path}: cannot be read now ({error}); if another program holds it, try again"
                ) from None
        try:
            # What is in its write-ahead log must not be passed over.
            folder = Path(self._exit.enter_context(tempfile.TemporaryDirectory(prefix="rainstead-")))
            for part in (self.path, wal):
                if part.exists():
                    shutil.copyfile(part, folder / part.name)
            return self._connect(folder / self.path.name)
        except (OSError, sqlite3.OperationalError) as error:
            raise DiskRefuses(
                f"{self.path}: cannot be read ({error}); check its owner, or copy it, with the -wal beside it, to "
                "where you may write, and name the copy"
            ) from None

    def _connect(self, path: Path, more: str = "") -> sqlite3.Connection:
        at = path.absolute().as_uri()
        db = sqlite3.connect(f"{at}?mode=ro{more}", uri=True, isolation_level=None, timeout=5)
        self._exit.callback(db.close)
        # A text in which a bit has turned may be none any more.
        db.text_factory = lambda raw: raw.decode("utf-8", "replace")
        db.execute("PRAGMA query_only = 1")
        # So that SQLite opens a file that was cut, and a layout of which a part is no layout any more.
        db.execute("PRAGMA writable_schema = 1")
        try:
            db.execute("BEGIN")
            db.execute("SELECT count(*) FROM sqlite_schema").fetchone()  # opens the file, and SQLite's own beside it
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError:
            pass  # damaged: for the caller to tell
        finally:
            if db.in_transaction:
                db.execute("ROLLBACK")
        return db

    @contextlib.contextmanager
    def _words(self) -> Iterator[None]:
        """The disk's no, and what is left of SQLite's."""
        try:
            yield
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_ERROR:  # a letter of its layout has turned
                raise LogMalformed(f"{self.path}: nothing of this log can be read ({error})", str(error)) from None
            raise DiskRefuses(
                f"{self.path}: the disk does not give all of it ({error}); copy it to a sound disk as far as it can be "
                "read, and name the copy"
            ) from None
        except sqlite3.DatabaseError as error:
            raise LogMalformed(f"{self.path}: nothing of this log can be read ({error})", str(error)) from None

    # --- what it says of itself --------------------------------------------------------------------------------

    def _look(self) -> None:
        """Runs, segments, sensors and where sealed hours are: small tables, read once."""
        stops = {}
        if self.version >= 2:
            stops = dict(self._small("boot, boot_ms", "stop", "boot"))
        self.runs: list[OldRun] = []
        place: dict[int, int] = {}
        for number, source, uuid, started_ms in self._small("id, source, boot_uuid, started_ms", "boot", "id"):
            if source in ("logger", "import", "twin") and "\ufffd" not in uuid and isinstance(started_ms, int):
                place[number] = len(self.runs)
                has_stop = number in stops or self.version < 2
                stop_ms = stops.get(number)
                self.runs.append(
                    OldRun(source, uuid, started_ms, has_stop, stop_ms if isinstance(stop_ms, int) else None)
                )
        self._segments: dict[int, OldSegment] = {}
        for number, boot, offset_ms, trusted, was_ms in self._small(
            "id, boot, offset_ms, trusted, was_offset_ms", "segment", "id"
        ):
            if isinstance(boot, int) and isinstance(offset_ms, int) and trusted in (0, 1):
                if boot not in place:
                    place[boot] = self._lost_run(f"boot {boot}")
                self._segments[number] = OldSegment(
                    number, place[boot], offset_ms, bool(trusted), was_ms if isinstance(was_ms, int) else None
                )
        self.sensors: dict[int, tuple[str, str | None]] = self._named()
        """By number: name, and kind as it stands there; None where only the name is left."""
        self._blocks = self._sealed("block", "whole")
        self._summaries = self._sealed("summary", None)

    def _named(self) -> dict[int, tuple[str, str | None]]:
        found: dict[int, tuple[str, str | None]] = {}
        with contextlib.suppress(*OF_DAMAGE):
            # SQLite keeps names a second time, to have each but once.
            ask = "SELECT id, name FROM sensor INDEXED BY sqlite_autoindex_sensor_1"
            found = {number: (name, None) for number, name in self._db.execute(ask).fetchall()}
        found |= {number: (name, kind) for number, name, kind in self._small("id, name, kind", "sensor", "id")}
        return {
            number: (name, kind)
            for number, (name, kind) in found.items()
            if isinstance(number, int) and 0 < number < 2**15 and isinstance(name, str) and "\ufffd" not in name
        }

    def _small(self, columns: str, table: str, key: str) -> list[tuple[Any, ...]]:
        return read_around_keys(self._db, columns, table, key).rows

    def _lost_run(self, what: str) -> int:
        """A run that stands for one whose record is damaged; the same one each time, so that nothing comes twice."""
        known = hashlib.blake2b(repr(self.runs[:1]).encode(), digest_size=8).hexdigest()
        # Of an import nobody asks when it was cut off, and no clock that is set moves it.
        self.runs.append(OldRun("import", f"{_LOST} {what} {known}", 0))
        return len(self.runs) - 1

    def _sealed(self, table: str, rest: str | None) -> dict[int, list[_Sealed]]:
        """By number, what table and index say: mostly the same twice."""
        if self.version < 2:
            return {}
        found: dict[int, list[_Sealed]] = {}
        columns = f"first_ms, last_ms, segment, count{'' if rest is None else ', ' + rest}"
        walks = (
            (f"id, {columns}", f"{table} NOT INDEXED", "id"),
            (f"{columns}, id", f"{table} INDEXED BY {table}_time", "first_ms"),
        )
        holes = []
        for walk, (what, source, key) in enumerate(walks):
            around = read_around_keys(self._db, what, source, key)
            holes.append(around.holes)
            for row in around.rows:
                number, told = (row[0], row[1:]) if walk == 0 else (row[-1], row[:-1])
                if all(isinstance(part, int) for part in (number, *told)):
                    one = _Sealed(*told, *(() if rest is not None else (None,)))
                    if one not in found.setdefault(number, []):
                        found[number].append(one)
        if holes[0] and holes[1]:
            # What one of the two does not tell the other does.
            why = "the list of sealed hours is damaged: some may be missing of which nobody knows"
            for after_ms, upto_ms in holes[1]:
                self.unread.append(Unread(DamagedHour(after_ms + 1, upto_ms, 0, why), None))
        for both in found.values():
            both.sort(key=lambda one: one.segment not in self._segments)
        return found

    def _segment(self, number: int, offset_ms: int) -> OldSegment:
        """A segment; one that stands for it, with this offset, where its record is damaged."""
        if number not in self._segments:
            run = self._lost_run(f"segment {number}")
            self._segments[number] = OldSegment(number, run, offset_ms, False, None, is_made_up=True)
        return self._segments[number]

    # --- what it holds -----------------------------------------------------------------------------------------

    def segment_numbers(self) -> set[int]:
        """Of all segments that are named anywhere, as far as anybody has looked: `spans` has."""
        return set(self._segments)

    def count(self) -> int:
        """About how many pieces there are, for a bar."""
        return len(self._blocks) + len(self._summaries)

    def spans(self) -> dict[int, tuple[OldSegment, int, int]]:
        """By segment's number: first and last boot clock of what it has, sealed or fresh."""
        found: dict[int, tuple[OldSegment, int, int]] = {}

        def widen(segment: OldSegment, first_ms: int, last_ms: int) -> None:
            _, low, high = found.get(segment.number, (segment, first_ms, last_ms))
            found[segment.number] = (segment, min(low, first_ms), max(high, last_ms))

        with self._words():
            for number, told in self._blocks.items():
                if len(told) == 1 and (segment := self._segments.get(told[0].segment)) is not None:
                    widen(segment, told[0].first_ms - segment.offset_ms, told[0].last_ms - segment.offset_ms)
                elif isinstance(piece := self._piece(number), Piece):
                    first_ms, last_ms = (int(piece.rows["t_ms"][at]) - piece.segment.offset_ms for at in (0, -1))
                    widen(piece.segment, first_ms, last_ms)
            for rows in self._fresh(None):
                for number in np.unique(rows["segment"]).tolist():
                    stamps = rows["t_ms"][rows["segment"] == number]
                    segment = self._segment(number, 0)
                    widen(segment, int(stamps[0]) - segment.offset_ms, int(stamps[-1]) - segment.offset_ms)
        return found

    def pieces(self) -> Iterator[Piece]:
        """All readings that can be read, sealed hours first; what cannot be is in `unread` from then on."""
        with self._words():
            for number in sorted(self._blocks):
                piece = self._piece(number)
                if isinstance(piece, Unread):
                    self.unread.append(piece)
                    continue
                named = self._of_named(piece.rows, piece.segment)
                if len(named):
                    yield Piece(
                        piece.segment, named, piece.body if len(named) == len(piece.rows) else None, piece.whole
                    )
            for rows in self._fresh(self.unread):
                yield from self._cut(rows)

    def _piece(self, number: int) -> "Piece | Unread":
        told = self._blocks[number]
        try:
            row = self._db.execute("SELECT body FROM block WHERE id = ?", (number,)).fetchone()
            if row is None:
                raise LogDamaged("it is in the index and not in the file")
            if not isinstance(row[0], bytes):
                raise LogDamaged("it is none")
            for one in told:
                found = Found(number, one.first_ms, one.last_ms, one.segment, one.count)
                # The body has boot-clock times, so where its segment is lost the offset can be told from the index.
                segment = self._segment(one.segment, one.first_ms - _origin_ms(row[0]))
                with contextlib.suppress(LogDamaged):
                    return Piece(segment, read_block(self._db, found, segment.offset_ms), row[0], whole=one.rest != 0)
            raise LogDamaged("its stamps are not those that the index tells")
        except (LogDamaged, *OF_DAMAGE) as error:
            if isinstance(error, sqlite3.OperationalError):
                raise
            one = told[0]
            why = str(error) if isinstance(error, LogDamaged) else f"its place in the file is damaged ({error})"
            return Unread(DamagedHour(one.first_ms, one.last_ms, one.count, why), self._segments.get(one.segment))

    def _fresh(self, unread: list[Unread] | None) -> Iterator[Rows]:
        """Rows that are not sealed, NaN where there is no value."""
        low = -FAR
        while low < FAR:
            try:
                found = read_fresh(self._db, low, FAR, None, _FRESH_AT_ONCE)
            except (MemoryError, sqlite3.OperationalError) as error:
                if isinstance(error, sqlite3.OperationalError) and not is_of_layout(error):
                    raise
                found = None
            if found is None or found.upto_ms <= low:
                if unread is not None:
                    unread.append(Unread(DamagedHour(low + 1, FAR, 0, "readings that were not sealed yet"), None))
                return
            if found.damaged is not None and unread is not None:
                unread.append(Unread(found.damaged, None))
            low = found.upto_ms
            if len(found.rows):
                rows = found.rows.copy()
                for name in ("value", "spread", "count"):
                    rows[name][np.isinf(rows[name])] = np.nan
                yield rows

    def _of_named(self, rows: Rows, segment: OldSegment) -> Rows:
        named = np.isin(rows["sensor"], list(self.sensors))
        if not named.all():
            gone = rows[~named]
            hour = DamagedHour(
                int(gone["t_ms"][0]), int(gone["t_ms"][-1]), len(gone), "its sensor has no name in this log"
            )
            self.unread.append(Unread(hour, segment))
        return rows[named]

    def _cut(self, rows: Rows) -> Iterator[Piece]:
        """Fresh rows as sealing would take them: by segment and hour, not too many at once."""
        for number in np.unique(rows["segment"]).tolist():
            segment = self._segment(number, 0)
            mine = self._of_named(rows[rows["segment"] == number], segment)
            for hour in np.unique(mine["t_ms"] // _HOUR_MS).tolist():
                within = mine[mine["t_ms"] // _HOUR_MS == hour]
                for begin in range(0, len(within), _MOST_ROWS):
                    yield Piece(segment, within[begin : begin + _MOST_ROWS], None, whole=True)

    def minutes(self) -> Iterator[OldMinutes]:
        """What is left of thinned hours."""
        with self._words():
            for number in sorted(self._summaries):
                try:
                    row = self._db.execute("SELECT body, forwarded FROM summary WHERE id = ?", (number,)).fetchone()
                    if row is None or not isinstance(row[0], bytes):
                        raise LogDamaged("it is in the index and not in the file")
                    kind, origin_ms, groups = block.unpack(row[0])
                    if kind != block.MINUTES:
                        raise LogDamaged("it holds readings where minutes should be")
                except (LogDamaged, *OF_DAMAGE) as error:
                    if isinstance(error, sqlite3.OperationalError):
                        raise
                    one = self._summaries[number][0]
                    hour = DamagedHour(one.first_ms, one.last_ms, one.count, f"minutes of it ({error})")
                    self.unread.append(Unread(hour, self._segments.get(one.segment)))
                    continue
                one = self._summaries[number][0]
                segment = self._segment(one.segment, one.first_ms - origin_ms)
                yield OldMinutes(
                    segment,
                    origin_ms,
                    [group for group in groups if group.sensor in self.sensors],
                    row[1] if row[1] in (0, 1) else None,
                )

    def events(self) -> list[tuple[OldSegment, tuple[Any, ...]]]:
        """Alarm events with their segment, and their columns but that one, oldest first."""
        with self._words():
            around = read_around_keys(
                self._db, "t_ms, segment, alarm, subject, state, value, limit_value, unit, reason", "event", "t_ms"
            )
        for after_ms, upto_ms in around.holes:
            self.unread.append(Unread(DamagedHour(after_ms + 1, upto_ms, 0, "alarm events"), None))
        return [
            (self._segment(row[1], 0), (row[0], *row[2:]))
            for row in around.rows
            if isinstance(row[1], int)
            and all(isinstance(part, float) for part in row[5:7])
            and all(isinstance(part, str) and "\ufffd" not in part for part in (*row[2:5], *row[7:]))
        ]

    def settings(self) -> list[tuple[int, str, str]]:
        """Kept settings that are text still: when, digest, text; oldest first."""
        with self._words():
            rows = self._small("t_ms, digest, text", "settings_kept", "t_ms")
        return [row for row in rows if not any(not isinstance(part, str) or "\ufffd" in part for part in row[1:])]


def _origin_ms(body: bytes) -> int:
    return block.unpack(body)[1]
