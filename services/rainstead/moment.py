"""Which moment it is for whoever reads a log: the one place that says what "now" is.

A board may have a clock that is wrong and that nobody has set; its logger's stamps then go on from the log's newest.
Whoever asked such a board's wall clock would take what the log had an hour ago for the present. So on the machine whose
logger wrote the newest readings, in the same boot, now is what the logger calls so: boot clock and the newest segment's
offset. Elsewhere it is the wall clock, but never before the end of the logger's newest run.
"""

import contextlib
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rainstead.clock import Clock
from rainstead.clockword import machine_boot_uuid
from rainstead.errors import RainsteadError
from rainstead.log import LogReader, NewestRun, ReadingSource, has_writer
from rainstead.words import span

__all__ = ["LogClock", "Moment", "moment_of"]

TOLD_MS: Final = 150_000
"""The logger itself may hold a clock's small steps back for a while: up to this, clocks agree."""
_LOOK_EVERY_MS: Final = 5_000
_STEP_MS: Final = 1_000
_FAR_MS: Final = 2**62
_SHOWN_MS: Final = (0, 253_370_764_800_000)
"""1970 to 9999-01-01: what lies outside was damaged, and no calendar shows it and the days around it."""

BootUuid = Callable[[], str | None]


@dataclass(frozen=True, slots=True)
class Moment:
    """because: why it is not what this machine's clock shows, in a sentence without its full stop; else None."""

    t_ms: int
    because: str | None


def moment_of(log: ReadingSource, clock: Clock, *, boot_uuid: BootUuid = machine_boot_uuid) -> Moment:
    """Now, for whoever answers from this log; by the wall clock where it is too damaged to say."""
    # The damage is told by whoever reads on.
    with contextlib.suppress(sqlite3.Error):
        return _by_log(log, clock, boot_uuid)
    return Moment(clock.wall_ms(), None)


class LogClock:
    """For a process that goes on: now, with the log looked at every few seconds."""

    def __init__(self, folder: Path, clock: Clock, *, boot_uuid: BootUuid = machine_boot_uuid) -> None:
        self._path, self._clock, self._boot_uuid = folder / "readings.db", clock, boot_uuid
        self._reader: LogReader | None = None
        self._looked_ms: int | None = None
        self._wall_offset_ms = self._ahead_ms = 0

    def now_ms(self) -> int:
        """UTC milliseconds: the wall clock while there was no log yet; where none can be read it goes on as it did."""
        boot_ms, wall_ms = self._clock.boot_ms(), self._clock.wall_ms()
        was_set = abs(wall_ms - boot_ms - self._wall_offset_ms) > _STEP_MS
        if self._looked_ms is None or was_set or boot_ms - self._looked_ms >= _LOOK_EVERY_MS:
            self._looked_ms, self._wall_offset_ms = boot_ms, wall_ms - boot_ms
            try:
                self._ahead_ms = _by_log(self._log(), self._clock, self._boot_uuid).t_ms - wall_ms
            except (RainsteadError, sqlite3.Error, OSError):
                self._ahead_ms = 0 if was_set else self._ahead_ms
                self.close()
        return wall_ms + self._ahead_ms

    def _log(self) -> LogReader:
        if self._reader is not None and self._reader.is_replaced():
            self.close()
        if self._reader is None:
            self._reader = LogReader(self._path)
        return self._reader

    def close(self) -> None:
        """Let go of the log."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None


def _by_log(log: ReadingSource, clock: Clock, boot_uuid: BootUuid) -> Moment:
    """Raises sqlite3.Error."""
    wall_ms = clock.wall_ms()
    if not isinstance(log, LogReader):
        return _elsewhere(log.last_before_ms(_FAR_MS), wall_ms)
    run = log.newest_run()
    if run is not None and _is_here(log, run, boot_uuid()):
        return _here(clock.boot_ms() + run.offset_ms, wall_ms)
    return _elsewhere(log.end_of_run(run), wall_ms)


def _is_here(log: LogReader, run: NewestRun, boot_uuid: str | None) -> bool:
    """Whether the run is of this machine and this boot, so that its boot clock is ours."""
    if boot_uuid is not None:
        return run.boot_uuid == boot_uuid
    # A confined service may not see the kernel's name for its boot; but a process that lives is of this one.
    return has_writer(log.path) is True


def _here(t_ms: int, wall_ms: int) -> Moment:
    if not _SHOWN_MS[0] <= t_ms < _SHOWN_MS[1]:
        return Moment(wall_ms, None)
    if abs(t_ms - wall_ms) <= TOLD_MS:
        return Moment(t_ms, None)
    way = "behind" if wall_ms < t_ms else "ahead of"
    return Moment(
        t_ms, f"this machine's clock is {way} its logger by {span(abs(t_ms - wall_ms) / 1000)}; times are the logger's"
    )


def _elsewhere(end_ms: int | None, wall_ms: int) -> Moment:
    if end_ms is None or end_ms <= wall_ms or end_ms >= _SHOWN_MS[1]:
        return Moment(wall_ms, None)
    if end_ms - wall_ms <= TOLD_MS:
        return Moment(end_ms, None)
    behind = span((end_ms - wall_ms) / 1000)
    return Moment(end_ms, f"this machine's clock is behind the log by {behind}; shown as of the log's newest reading")
