"""What a log says beside its readings: sensors, runs and their clocks, settings, alarms, kept states."""

from dataclasses import dataclass
from typing import Final

from rainstead.events import AlarmEvent
from rainstead.readings import Kind

from . import schema
from .gaps import Gap, find_gaps
from .newestrun import NewestRun, find_end_of_run, find_newest_run
from .opened import OpenLog
from .raised import RaisedEvent, count_raised, find_raised
from .undated import UndatedRun, find_undated

__all__ = ["FAR_MS", "Behind", "LogBooks", "SensorRow"]

FAR_MS: Final = 2**62
"""Later than any stamp."""
_MOST_SENSORS: Final = 32_767
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


class LogBooks(OpenLog):
    """Each answer is of the moment in which it is asked for. Raises sqlite3.Error, and what OpenLog raises."""

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

    def _offsets(self) -> dict[int, int]:
        return dict(self._db.execute("SELECT id, offset_ms FROM segment"))

    def events(
        self, *, after_ms: int | None = None, upto_ms: int | None = None, only_trusted: bool = False
    ) -> list[AlarmEvent]:
        """Alarm events with after_ms < t_ms <= upto_ms, oldest first; only_trusted: by a clock known to be right."""
        low, high = (-FAR_MS if after_ms is None else after_ms), (FAR_MS if upto_ms is None else upto_ms)
        rows = self._db.execute(
            "SELECT t_ms, alarm, subject, state, value, limit_value, unit, reason FROM event"
            " WHERE t_ms > ? AND t_ms <= ? AND segment NOT IN (SELECT id FROM segment WHERE trusted = 0 AND ?)"
            " ORDER BY t_ms, alarm, subject, state",
            (low, high, only_trusted),
        )
        return [AlarmEvent(*row) for row in rows]

    def raised_count(self) -> int:
        """How many events there are; none is ever taken out alone, so that a new one changes the number."""
        return count_raised(self._db)

    def raised_events(self) -> list[RaisedEvent]:
        """All events, oldest first, with where they come from."""
        return find_raised(self._db)

    def checkpoint(self, digest: str, *, upto_ms: int | None = None) -> tuple[int, str] | None:
        """The newest kept state of this digest at or before a time: its stamp and its text."""
        high = FAR_MS if upto_ms is None else upto_ms
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

    def behind(self, after: int) -> list[Behind]:
        """Where the log changed behind what a reader may have read already, later than the note of that number."""
        if self._db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'behind'").fetchone() is None:
            return []  # of an older schema, which no writer has opened since
        rows = self._db.execute("SELECT id, from_ms, moved FROM behind WHERE id > ? ORDER BY id", (after,))
        return [Behind(number, from_ms, bool(moved)) for number, from_ms, moved in rows]

    def newest_run(self) -> NewestRun | None:
        """The logger's newest run; None where no logger has written."""
        return find_newest_run(self._db)

    def end_of_run(self, run: NewestRun | None) -> int | None:
        """Stamp of its newest reading, or of the whole log's, of what reads without damage; None where none is."""
        return find_end_of_run(self._db, None if run is None else run.number)

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

    def run_starts_ms(self) -> list[int]:
        """About when each run of a logger began, in order: before it nobody knows what was to be read."""
        rows = self._db.execute(
            "SELECT DISTINCT started_ms + offset_ms FROM boot JOIN segment ON segment.boot = boot.id"
            " WHERE source = 'logger' ORDER BY 1"
        )
        return [int(at_ms) for (at_ms,) in rows]

    def gaps(self) -> list[Gap]:
        """Where no logger ran, and whether the run before was cut off."""
        with self._snapshot() as has_blocks:
            return find_gaps(self._db, has_stops=has_blocks)
