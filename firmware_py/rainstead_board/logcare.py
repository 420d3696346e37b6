"""A log to write to, whatever becomes of it: begun anew where it is damaged or gone, waited for where there is none."""

import logging
import sqlite3
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from rainstead.clock import Clock
from rainstead.errors import DiskRefuses, LogMalformed, RainsteadError
from rainstead.events import AlarmEvent
from rainstead.log import LogReader, LogWriter

from .doubt import LONG_WORK_MS
from .keeper import Keeper
from .logless import Logless, to_hand_on
from .waiting import Waiting

__all__ = ["LogCare"]

_journal = logging.getLogger("rainstead.logger")


class LogCare:
    """One site's log. Where SQLite says that it is damaged, it is moved aside and a new one begun; where the disk lets
    no log be opened or begun, it is tried again until it does, and what sensors say waits meanwhile.

    keeper_of: makes what writes the log as it stands; `floor_ms` is still to be given.
    busy, make_room: given to each keeper; make_room is asked as well where no log can be opened. allow: told before
    long work how many milliseconds it may take, and with 0 after it.
    on_log: called each time that there is a log to go on with, with the events that stand in it or are about to.
    Raises what Keeper raises, but neither LogMalformed nor what comes of the disk.
    """

    keeper: Keeper | Logless
    """What stores readings now, or stands in for it."""

    def __init__(
        self,
        writer: LogWriter,
        keeper_of: partial[Keeper],
        clock: Clock,
        waiting: Waiting,
        *,
        clock_is_trusted: Callable[[], bool],
        allow: Callable[[int], None],
        busy: Callable[[int], None],
        make_room: Callable[[Exception], bool],
        on_log: Callable[[Sequence[AlarmEvent]], None],
    ) -> None:
        self.writer = writer
        self._keeper_of, self._clock, self._waiting = keeper_of, clock, waiting
        self._clock_is_trusted, self._on_log = clock_is_trusted, on_log
        self._allow, self._busy, self._make_room = allow, busy, make_room
        self._aside_told: tuple[Path, str] | None = None
        self._take_up(None)

    def step(self) -> int:
        """Store what is due, or try again where there is no log; returns the boot-clock time of what is due next."""
        try:
            due_ms = self.keeper.step()
            if isinstance(self.keeper, Logless) and due_ms <= self._clock.boot_ms():
                due_ms = self._take_up(self.keeper)
        except LogMalformed as error:
            due_ms = self._take_up(self.keeper, error.why)
        return due_ms

    def secure(self) -> None:
        """Power may go at any moment: see Keeper."""
        if isinstance(self.keeper, Keeper):
            try:
                self.keeper.secure()
            except LogMalformed as error:
                self._take_up(self.keeper, error.why)

    def try_once_more(self) -> None:
        """Store what waits now, if the disk lets us, however soon after the last try."""
        try:
            if isinstance(self.keeper, Logless):
                self._take_up(self.keeper)
            if isinstance(self.keeper, Keeper):
                self.keeper.try_once_more()
        except LogMalformed as error:
            self._take_up(self.keeper, error.why)

    def begin_anew_if_taken(self) -> int | None:
        """Where somebody deleted or moved the log while it was written, begin a new one; then returns as `step`."""
        if not isinstance(self.keeper, Keeper) or not self.writer.is_taken_away():
            return None
        _journal.error(
            "%s: this log was deleted or moved while it was written; a new one is begun, and readings of some "
            "seconds may be missing between them",
            self.writer.path,
        )
        self.writer.let_go_of_taken()
        return self._take_up(self.keeper)

    def finish(self) -> None:
        """Store all that waits, with the calculation's state, and close the log."""
        if isinstance(self.keeper, Logless):
            self._take_up(self.keeper)
        if isinstance(self.keeper, Keeper):
            try:
                self.keeper.finish()
            except LogMalformed as error:
                self._take_up(self.keeper, error.why)
                if isinstance(self.keeper, Keeper):
                    self.keeper.finish()
        if isinstance(self.keeper, Logless):
            _journal.error("%d readings could not be stored: %s", len(self._waiting), self.keeper.disk_trouble)
            self.writer.close()

    def _take_up(self, before: Keeper | Logless | None, why: str | None = None) -> int:
        """Go on with the log, with a new one where it is damaged, or without one until the disk lets us.

        before: what went on until now. why: the log is damaged for certain, in SQLite's words. Returns as `step`.
        """
        now_ms = self._clock.boot_ms()
        if before is not None:
            self._allow(LONG_WORK_MS)  # to check a large log, or to put its stamps right
        try:
            keeper, stood = self._made(before, why)
        except (sqlite3.Error, DiskRefuses, LogMalformed) as error:
            if isinstance(before, Logless):
                before.refused_again(str(error))
            else:
                before = Logless(self._clock, self._clock_is_trusted, str(error), before)
            self.keeper = before
            if self._make_room(error):
                before.due_ms = now_ms
            return before.due_ms
        finally:
            self._allow(0)
            self._tell_of_damage()
        if before is not None:
            shift_ms = keeper.wall_ms() - before.wall_ms()
            keeper.keep_events(to_hand_on(before.events, stood, shift_ms))
        if isinstance(before, Logless):
            _journal.warning("there is a log to write to again; %d readings waited for it", len(self._waiting))
        self._on_log([*stood, *keeper.events])
        self.keeper = keeper
        return now_ms

    def _made(self, before: Keeper | Logless | None, why: str | None) -> tuple[Keeper, list[AlarmEvent]]:
        """What writes the log as it stands or, where SQLite says twice that it is damaged, a new one; and its events.

        What waits in memory goes into it, and keeps its stamps if nobody set the clock meanwhile.
        """
        wall_ms = self._clock.wall_ms() if before is None else before.wall_ms()
        floor_ms = None
        if before is not None:
            now_ms = self._clock.boot_ms()
            floor_ms = wall_ms - now_ms + self._waiting.earliest_ms(now_ms) - 1
        for is_second in (False, True):  # a card may misread once
            if why is not None:
                break
            try:
                if is_second or isinstance(before, Logless) or self.writer.trouble is not None:
                    self.writer.try_again(wall_ms)
                return self._made_of(floor_ms)
            except Exception as error:  # what is read may be anything
                is_ours = isinstance(error, RainsteadError) and not isinstance(error, LogMalformed)
                found = None if is_ours else self.writer.damage_behind(error)
                if found is None:
                    raise
                why = found if is_second else None
        assert why is not None
        self.writer.begin_anew(wall_ms, why)
        return self._made_of(floor_ms)

    def _made_of(self, floor_ms: int | None) -> tuple[Keeper, list[AlarmEvent]]:
        keeper = self._keeper_of(floor_ms=floor_ms)
        keeper.busy, keeper.make_room = self._busy, self._make_room
        with LogReader(self.writer.path) as reader:
            return keeper, reader.events()

    def _tell_of_damage(self) -> None:
        if self.writer.moved_aside is None or self.writer.moved_aside == self._aside_told:
            return
        self._aside_told = self.writer.moved_aside
        moved, why = self._aside_told
        _journal.error(
            "%s: SQLite called this log damaged (%s); it is moved to %s, whole, and a new log is begun",
            self.writer.path,
            why,
            moved.name,
        )
