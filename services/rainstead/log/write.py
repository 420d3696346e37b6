"""The log's one writer."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rainstead.errors import LogError
from rainstead.events import AlarmEvent
from rainstead.readings import F64, I64, U8, Kind

from . import schema
from .damage import damage_found
from .file import LogFile
from .schema import LONGEST_BLOCK_MS
from .sealed import blocks_over, hour_is_closed, read_segment, seal_oldest
from .thinning import Keep, Thinned, thin_oldest

if TYPE_CHECKING:
    from .salvage import OldLog, TakenIn

__all__ = ["Columns", "LogWriter", "Row"]

Row = tuple[int, int, int, float | None, int, float | None, int | None]
"""t_ms, sensor number, segment, value, quality, spread, count."""

# Not INSERT OR IGNORE: that would also pass over a row with a hole in it, without a word.
_INSERT = "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_STAMPED = {"reading": "t_ms", "block": "first_ms", "summary": "first_ms"}
"""Where readings are, fresh and sealed. What is packed has boot-clock times: only its place in the index moves."""
_INSERT_EVENT = "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"


@dataclass(frozen=True, slots=True)
class Columns:
    """Many readings of one sensor; NaN where there is no value or spread."""

    sensor: str
    t_ms: I64
    value: F64
    quality: U8
    spread: F64


class LogWriter(LogFile):
    """Appends; see LogFile for how it is opened and what it raises."""

    def sensor_numbers(self, kinds: Mapping[str, Kind]) -> dict[str, int]:
        """The log's number of each sensor, given out once and for ever.

        Raises LogError if a name is known with another kind: its old readings would change their meaning.
        """
        known = {
            name: (number, schema.kind_of(self.path, name, kind))
            for number, name, kind in self._db.execute("SELECT id, name, kind FROM sensor")
        }
        for name, kind in sorted(kinds.items()):
            if name in known and known[name][1] != kind:
                raise LogError(
                    f"{self.path}: sensor {name} is {known[name][1]} in this log and {kind} in the settings; "
                    "give the new sensor a new name"
                )
        with self.transaction():
            self._db.executemany(
                "INSERT OR IGNORE INTO sensor (name, kind) VALUES (?, ?)",
                [(name, str(kind)) for name, kind in sorted(kinds.items())],
            )
        return {name: number for number, name in self._db.execute("SELECT id, name FROM sensor")}

    def begin_boot(self, source: str, boot_uuid: str, boot_ms: int) -> int:
        """A new writer's place in the log; returns its number."""
        with self.transaction():
            cursor = self._db.execute(
                "INSERT INTO boot (source, boot_uuid, started_ms) VALUES (?, ?, ?)",
                (source, boot_uuid, boot_ms),
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def begin_segment(self, boot: int, offset_ms: int, *, trusted: bool) -> int:
        """A new stretch of one clock offset; returns its number."""
        with self.transaction():
            cursor = self._db.execute(
                "INSERT INTO segment (boot, offset_ms, trusted) VALUES (?, ?, ?)",
                (boot, offset_ms, int(trusted)),
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def runs_of(self, boot_uuid: str) -> list[tuple[int, int]]:
        """Every run of a logger in one boot of the machine: its number, and the boot clock when it began."""
        rows = self._db.execute(
            "SELECT id, started_ms FROM boot WHERE boot_uuid = ? AND source = 'logger' ORDER BY id", (boot_uuid,)
        )
        return list(rows)

    def is_dated_otherwise(self, runs: Sequence[int], offset_ms: int, by_ms: int) -> bool:
        """Whether any stamps of these runs are a guess, or of an offset that is `by_ms` or more from this one."""
        for run in runs:
            found = self._db.execute(
                "SELECT 1 FROM segment WHERE boot = ? AND (trusted = 0 OR abs(offset_ms - ?) >= ?) LIMIT 1",
                (run, offset_ms, by_ms),
            )
            if found.fetchone() is not None:
                return True
        return False

    def put_back_untrusted(self, boot: int, before_ms: int) -> int | None:
        """Earlier boots whose clock was never set, and that reach a time that is certain: each is moved whole.

        Their order stays, none overlaps another, and they stay marked as not trusted.
        Returns the earliest stamp that moved, before or after; None if nothing had to.
        """
        spans = self._db.execute(
            "SELECT boot.id, min(r.first_ms - s.offset_ms), max(r.last_ms - s.offset_ms), max(s.offset_ms)"
            " FROM boot JOIN segment s ON s.boot = boot.id JOIN"
            " (SELECT segment, t_ms AS first_ms, t_ms AS last_ms FROM reading"
            " UNION ALL SELECT segment, first_ms, last_ms FROM block) r ON r.segment = s.id"
            " WHERE boot.id < ? AND boot.source = 'logger'"
            " GROUP BY boot.id HAVING max(s.trusted) = 0 ORDER BY boot.id DESC",
            (boot,),
        ).fetchall()
        earliest: list[int] = []
        for number, first_boot_ms, last_boot_ms, offset_ms in spans:
            if last_boot_ms + offset_ms >= before_ms:
                offset_ms = before_ms - 1 - last_boot_ms  # noqa: PLW2901 - where it belongs instead
                moved_ms = self.correct_boot(number, offset_ms, trusted=False)
                earliest += [] if moved_ms is None else [moved_ms]
            before_ms = min(before_ms, first_boot_ms + offset_ms)
        return min(earliest) if earliest else None

    def correct_boot(self, boot: int, offset_ms: int, *, trusted: bool = True) -> int | None:
        """Move all of a boot's readings and events to the right offset, once, in one transaction.

        trusted=False: to a better guess, which stays marked as one.

        Each segment gets a new number, so that a shifted row cannot meet its not yet shifted neighbour.
        Returns the earliest stamp that moved, before or after; None if nothing had to.
        """
        earliest: list[int] = []
        with self.transaction():
            newest_ms = self._newest_ms()
            wrong = self._db.execute(
                "SELECT id, offset_ms FROM segment WHERE boot = ? AND offset_ms <> ?", (boot, offset_ms)
            ).fetchall()
            was_trusted, behind_ms = self._standing(boot)
            for number, old_offset_ms in wrong:
                fresh = self._db.execute(
                    # What was brought in from another log has a number below 0, and stays known by it.
                    "INSERT INTO segment (id, boot, offset_ms, trusted, was_offset_ms)"
                    " VALUES (iif(?1 < 0, (SELECT min(id) - 1 FROM segment), NULL), ?2, ?3, ?4, ?5)",
                    (number, boot, offset_ms, int(trusted), old_offset_ms),
                ).lastrowid
                shift_ms = offset_ms - old_offset_ms
                for table, stamp in _STAMPED.items():
                    (first_ms,) = self._db.execute(
                        f"SELECT min({stamp}) FROM {table} WHERE segment = ?", (number,)
                    ).fetchone()
                    if first_ms is not None:
                        earliest += [first_ms, first_ms + shift_ms]
                    also = "" if stamp == "t_ms" else ", last_ms = last_ms + ?1"
                    self._db.execute(
                        f"UPDATE {table} SET {stamp} = {stamp} + ?1{also}, segment = ?2 WHERE segment = ?3",
                        (shift_ms, fresh, number),
                    )
                # The key of an event has no segment: taken out first, so that none meets its neighbour on the way.
                events = self._db.execute(
                    "SELECT t_ms + ?, ?, alarm, subject, state, value, limit_value, unit, reason"
                    " FROM event WHERE segment = ?",
                    (shift_ms, fresh, number),
                ).fetchall()
                self._db.execute("DELETE FROM event WHERE segment = ?", (number,))
                self._db.executemany(_INSERT_EVENT, events)
                self._db.execute("DELETE FROM segment WHERE id = ?", (number,))
            self._db.execute("UPDATE segment SET trusted = ? WHERE boot = ?", (int(trusted), boot))
            if earliest:
                self._db.execute("DELETE FROM checkpoint WHERE t_ms >= ?", (min(earliest),))
            if (earliest and was_trusted) or (trusted and not was_trusted and behind_ms is not None):
                from_ms = min([*earliest, *([] if behind_ms is None else [behind_ms])])
                self._note_behind(from_ms, newest_ms, moved=bool(earliest) and was_trusted)
        return min(earliest) if earliest else None

    def _standing(self, boot: int) -> tuple[bool, int | None]:
        """Whether any of a boot's readings were trusted, and the earliest stamp of those that were not."""
        was_trusted, behind = False, []
        for number, trusted in self._db.execute("SELECT id, trusted FROM segment WHERE boot = ?", (boot,)).fetchall():
            (first_ms,) = self._db.execute(
                "SELECT min(first_ms) FROM (SELECT min(t_ms) AS first_ms FROM reading WHERE segment = ?1"
                " UNION ALL SELECT min(first_ms) FROM block WHERE segment = ?1)",
                (number,),
            ).fetchone()
            if first_ms is None:
                continue
            was_trusted = was_trusted or bool(trusted)
            behind += [] if trusted else [first_ms]
        return was_trusted, min(behind, default=None)

    def append(self, rows: Sequence[Row]) -> int:
        """Commit readings; returns how many were new. All of them are on disk when this returns, or none."""
        with self.transaction():
            newest_ms = self._newest_ms()
            before = self._db.total_changes
            self._db.executemany(_INSERT, self._not_sealed(rows))
            added = self._db.total_changes - before
            if added:
                self._note_behind(min(row[0] for row in rows), newest_ms)
            return added

    def append_columns(self, segment: int, numbers: Mapping[str, int], blocks: Iterable[Columns]) -> int:
        """Commit whole columns of readings in one transaction; returns how many were new."""
        with self.transaction():
            newest_ms = self._newest_ms()
            earliest_ms: int | None = None
            before = self._db.total_changes
            for block in blocks:
                if len(block.t_ms):
                    first_ms = int(block.t_ms.min())
                    earliest_ms = first_ms if earliest_ms is None else min(earliest_ms, first_ms)
                number = numbers[block.sensor]
                # SQLite takes NaN for NULL, which is what we mean by it.
                columns = (block.t_ms, block.value, block.quality, block.spread)
                tuples = zip(*(column.tolist() for column in columns), strict=True)
                rows: list[Row] = [(t, number, segment, v, q, s, None) for t, v, q, s in tuples]
                self._db.executemany(_INSERT, self._not_sealed(rows))
            added = self._db.total_changes - before
            if added and earliest_ms is not None:
                self._note_behind(earliest_ms, newest_ms)
            return added

    def _newest_ms(self) -> int | None:
        (newest_ms,) = self._db.execute(
            # A late reading may be all that is fresh, while newer ones are sealed.
            "SELECT max(newest) FROM (SELECT max(t_ms) AS newest FROM reading UNION ALL SELECT max(last_ms) FROM block"
            " WHERE first_ms > (SELECT max(first_ms) FROM block) - ?)",
            (LONGEST_BLOCK_MS,),
        ).fetchone()
        return None if newest_ms is None else int(newest_ms)

    def _note_behind(self, from_ms: int, newest_ms: int | None, *, moved: bool = False) -> None:
        """Whoever has read beyond from_ms has to look there again."""
        if newest_ms is not None and from_ms <= newest_ms:
            self._db.execute("INSERT INTO behind (from_ms, moved) VALUES (?, ?)", (from_ms, int(moved)))

    def _not_sealed(self, rows: Sequence[Row]) -> Sequence[Row]:
        """Rows whose place is not taken by a sealed reading; nearly always all of them."""
        stamps = [row[0] for row in rows if isinstance(row[0], int)]
        if not stamps:
            return rows
        low_ms, high_ms = min(stamps), max(stamps)
        near = {found.segment for found in blocks_over(self._db, low_ms - 1, high_ms)}
        sealed = {s: read_segment(self._db, s, low_ms, high_ms) for s in near & {row[2] for row in rows}}
        return [row for row in rows if row[:2] not in sealed.get(row[2], ())] if sealed else rows

    def seal_some(self, now_ms: int) -> int:
        """Seal the oldest closed hour, or a part of it, in one short transaction; returns how many readings it had.

        0: no hour is closed. Call it when there is time, again and again. now_ms: UTC by the wall clock.
        Raises sqlite3.Error or LogError with everything left as it was.
        """
        if not hour_is_closed(self._db, now_ms):
            return 0
        with self.transaction():
            return seal_oldest(self._db)

    def thin_some(self, keep: Keep) -> Thinned | None:
        """Remove the full resolution of the oldest sealed hour that `keep` lets go: minutes, tips and pulses stay.

        One short transaction; None where nothing has to go. By default nothing ever has.
        """
        if keep.days is None and keep.mb is None:
            return None
        with self.transaction():
            return thin_oldest(self._db, keep)

    def end_boot(self, boot: int, boot_ms: int) -> None:
        """Note that this run ended in order; a run without that note was cut off."""
        with self.transaction():
            self._db.execute("INSERT OR REPLACE INTO stop VALUES (?, ?)", (boot, boot_ms))

    def was_cut_off(self, boot: int) -> bool:
        """Whether the logger's run before this one ended without that note."""
        before = self._db.execute("SELECT max(id) FROM boot WHERE id < ? AND source = 'logger'", (boot,)).fetchone()[0]
        noted = self._db.execute("SELECT 1 FROM stop WHERE boot = ?", (before,)).fetchone()
        return before is not None and noted is None

    def fold_in(self) -> None:
        """Bring what the write-ahead log has into the log itself, as far as no reader is in the way."""
        self._db.execute("PRAGMA wal_checkpoint(PASSIVE)")

    def append_events(self, segment: int, events: Iterable[AlarmEvent]) -> None:
        """Commit alarm events; one that is there already is left as it is."""
        rows = [(e.t_ms, segment, e.alarm, e.subject, e.state, e.value, e.limit, e.unit, e.reason) for e in events]
        if rows:
            with self.transaction():
                self._db.executemany(_INSERT_EVENT, rows)

    def replace_events(self, segment: int, events: Iterable[AlarmEvent]) -> None:
        """For a log that no logger has watched: its alarms are what the calculation finds in it."""
        with self.transaction():
            self._db.execute("DELETE FROM event")
            self._db.executemany(
                _INSERT_EVENT,
                [(e.t_ms, segment, e.alarm, e.subject, e.state, e.value, e.limit, e.unit, e.reason) for e in events],
            )

    def keep_settings(self, t_ms: int, digest: str, text: str) -> bool:
        """Keep the settings' text if it differs from the newest one kept.

        Returns whether the digest differs too: then the log so far was watched under other settings, or by nobody.
        """
        # As bytes: one that a turned bit has made no text is only another one.
        newest = self._db.execute(
            "SELECT CAST(digest AS BLOB), CAST(text AS BLOB) FROM settings_kept ORDER BY t_ms DESC LIMIT 1"
        ).fetchone()
        if newest is None or newest[1] != text.encode():
            with self.transaction():
                self._db.execute("INSERT OR REPLACE INTO settings_kept VALUES (?, ?, ?)", (t_ms, digest, text))
        return newest is None or newest[0] != digest.encode()

    def save_checkpoint(self, t_ms: int, digest: str, state: str) -> None:
        """Keep the calculation's state; of those older than two days, only the first of each UTC day."""
        day_ms = 86_400_000
        with self.transaction():
            self._db.execute("INSERT OR REPLACE INTO checkpoint VALUES (?, ?, ?)", (t_ms, digest, state))
            self._db.execute(
                "DELETE FROM checkpoint WHERE t_ms < ?1 AND t_ms NOT IN"
                " (SELECT min(t_ms) FROM checkpoint WHERE t_ms < ?1 GROUP BY t_ms / ?2)",
                (t_ms - 2 * day_ms, day_ms),
            )

    def drop_checkpoints(self, from_ms: int) -> None:
        """Forget states that do not know of readings as early as this."""
        with self.transaction():
            self._db.execute("DELETE FROM checkpoint WHERE t_ms >= ?", (from_ms,))

    def take_in(self, old: "OldLog", kinds: Mapping[str, Kind], step: Callable[[int], None]) -> "TakenIn":
        """Bring in what another log of this site has and this one has not, in one transaction; see `salvage`.

        kinds: of the other log's sensors. step: called as each of about `old.count()` pieces is through.
        """
        from .salvage import take_in  # the logger has no use for it

        with self.transaction():
            return take_in(self, self._db, old, kinds, step)

    def damage(self) -> str | None:
        """What SQLite's check of the whole file finds; None where it is sound."""
        return damage_found(self._db)

    def newest_segment(self) -> int:
        """The number of the segment begun last. Raises LogError where there is none."""
        (number,) = self._db.execute("SELECT max(id) FROM segment").fetchone()
        if number is None:
            raise LogError(f"{self.path}: nobody has written to this log yet")
        return int(number)
