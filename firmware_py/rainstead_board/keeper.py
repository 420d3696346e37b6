"""What waits in memory goes to disk, in order and with its stamp; then what follows from it is worked out."""

import contextlib
import logging
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from typing import Final

from rainstead.alarms import ACTIVE
from rainstead.clock import Clock
from rainstead.derive import Derived, Deriver, State
from rainstead.errors import DiskRefuses, LogMalformed, RainsteadError
from rainstead.events import AlarmEvent
from rainstead.journal import about
from rainstead.log import LogReader, LogWriter, Row
from rainstead.readings import Batch, Kind, Reading
from rainstead.replay import replay, resume
from rainstead.settings import Settings
from rainstead.statekeeping import state_to_text

from .doubt import LONG_WORK_MS, Doubt
from .timekeeping import RELEASED_MS, SMALL_MS, ClockNews, TimeKeeper, not_before_release
from .waiting import Waiting
from .whatstays import WhatStays

__all__ = ["UNKNOWN_BOOT", "Keeper", "Listener"]

HOLD_BACK_MS: Final = 2000
"""The newest readings wait this long before they are committed, so that a late edge still takes its place."""
CHECKPOINT_EVERY_MS: Final = 3_600_000
MOST_AT_ONCE: Final = 20_000
"""Readings in one commit: after a long fault the disk gets them in pieces, and none takes long."""
RETRY_MS: Final = 5000
REOPEN_AFTER: Final = 6
"""Tries that the disk refused, before the log is closed and opened anew: some faults stay with a connection."""
UNKNOWN_BOOT: Final = "unknown"
CALCULATE_AGAIN_MS: Final = 600_000
TEND_AGAIN_MS: Final = 3_600_000
_journal = logging.getLogger("rainstead.logger")
_DISK: Final = about(alarm="disk_fault", subject="site")
"""What lines of a refusal and of its end are about."""

Listener = Callable[[Batch, Derived], None]


class Keeper:
    """The writing side of the logger: the only one that touches the disk.

    What waits already, because there was no log before, is stamped and stored with the rest.
    floor_ms: the newest stamp that is known from elsewhere, where this log is new; see TimeKeeper.
    Raises LogMalformed, from `step` and `finish` too, where SQLite says twice that the log is damaged.
    """

    def __init__(
        self,
        settings: Settings,
        settings_text: str,
        writer: LogWriter,
        kinds: Mapping[str, Kind],
        clock: Clock,
        waiting: Waiting,
        *,
        clock_is_trusted: Callable[[], bool],
        boot_uuid: str,
        on_derived: Listener | None,
        floor_ms: int | None = None,
    ) -> None:
        self.writer, self.waiting = writer, waiting
        self.busy: Callable[[int], None] = lambda _: None
        """Called in the middle of long work, so that whoever waits for a sign of life gets one, with the milliseconds
        that the next piece may take; 0 for what is usual."""
        self.make_room: Callable[[Exception], bool] = lambda _: False
        """Asked where the disk refused something; whether there is more room on it now than before."""
        self.disk_trouble: str | None = None
        """Why readings are not being stored, while they are not."""
        self.calculation_failed: str | None = None
        self.last_commit_ms: int | None = None
        """Boot clock."""
        self.slowest_commit_ms = 0
        self.state: State | None = None
        """After all that was committed; None while it is not worked out."""
        newest_ms = _newest_ms(writer)
        begun_ms = waiting.earliest_ms(clock.boot_ms())
        known_ms = floor_ms if newest_ms is None else newest_ms
        self.time = TimeKeeper(
            clock,
            not_before_release(clock, clock_is_trusted),
            floor_ms=max(known_ms or RELEASED_MS, RELEASED_MS),
            begun_ms=begun_ms,
        )
        self._clock, self._on_derived = clock, on_derived
        self._deriver = Deriver(settings)
        self._numbers = writer.sensor_numbers(kinds)
        # Positions in a live batch follow the log's numbers, as on replay: both order equal stamps alike.
        self._names = tuple(sorted(self._numbers, key=lambda name: self._numbers[name]))
        self._position = {self._numbers[name]: position for position, name in enumerate(self._names)}
        self._boot = writer.begin_boot("logger", boot_uuid, begun_ms)
        runs = [(self._boot, begun_ms)] if boot_uuid == UNKNOWN_BOOT else writer.runs_of(boot_uuid)
        self._runs = [number for number, _ in runs]
        """The machine's boot may have seen several runs of this process; its clock was one."""
        self._booted_ms = runs[0][1]
        self._clock_news = ClockNews.NONE
        """News of the clock that the log does not have yet."""
        self._offset_ms = self.time.offset_ms
        """Of the segment that is being written, which a step of the clock leaves behind until a new one is begun."""
        self._segment = writer.begin_segment(self._boot, self._offset_ms, trusted=self.time.trusted)
        self._settings_are_new = writer.keep_settings(self.wall_ms(), self._deriver.digest, settings_text)
        self.events: list[AlarmEvent] = []
        """Those that the log does not have yet."""
        self._commit_after_ms = round(settings.log.commit_every_s * 1000)
        self._what_stays = WhatStays(settings, writer.path, clock)
        self._tended_ms: int | None = None
        self._tend_at_ms = 0
        self._retry_at_ms = self._refused = 0
        self._doubt = Doubt(writer, clock, self._long_work)
        self._checkpoint_ms = 0
        self._begin_at_ms = 0
        """When the calculation may begin again from the log."""
        self._changed_from_ms: int | None = None
        """From where on the log has changed under the calculation."""
        if not self.time.trusted:
            _journal.warning("the clock is not set yet: stamps are provisional until it is")
        elif (self.time.floor_ms or 0) > self.wall_ms() or writer.is_dated_otherwise(
            self._runs, self._offset_ms, SMALL_MS
        ):
            # Set while no logger ran, or while a disk refused to hear of it.
            self._put_right()

    def run_before_was_cut(self) -> bool:
        """Whether the logger's run before this one did not end in order. Raises sqlite3.Error."""
        return self.writer.was_cut_off(self._boot)

    def wall_ms(self) -> int:
        """The stamp of this moment."""
        return self._clock.boot_ms() + self._offset_ms

    def step(self) -> int:
        """Do what is due; returns the boot-clock time at which something is due again."""
        now_ms = self._clock.boot_ms()
        if self.state is None and now_ms >= self._begin_at_ms:
            self._begin()
        self._look_at_clock(now_ms)
        due_ms = self._commit_if_due()
        self._tend(now_ms)
        return now_ms + 1000 if due_ms is None else max(due_ms, now_ms + 1)

    def keep_events(self, events: Iterable[AlarmEvent]) -> None:
        """Put events into the log with the next commit, or as soon as the disk takes them."""
        self.events += events

    def secure(self) -> None:
        """Power may go at any moment: commit what waits, with the calculation's state, and leave nothing half way."""
        self._commit(self._clock.boot_ms())
        if self.disk_trouble is None:
            self._keep_state_or_not()
            with contextlib.suppress(sqlite3.Error):  # it is committed; this only makes the next start shorter
                self.writer.fold_in()

    def try_once_more(self) -> None:
        """Open the log anew and commit what waits, whatever the disk said before."""
        self._retry_at_ms = 0
        self._reopen()
        self._commit(self._clock.boot_ms())

    def finish(self) -> None:
        """Commit all that is left and the calculation's state, and close the log."""
        if self.state is None:
            self._begin()
        self._retry_at_ms = 0
        # Nothing is held back any more: what came while the lines were let go of is there as well.
        newest_ms, doubted_ms = self.waiting.newest_ms(), self._doubt.since_ms
        upto_ms = self._clock.boot_ms() if newest_ms is None else newest_ms
        self._commit(upto_ms)
        if len(self.waiting) and self._doubt.since_ms != doubted_ms:
            self._commit(upto_ms)  # the log has been opened anew; there is no later try
        if len(self.waiting):
            _journal.error("%d readings could not be stored: %s", len(self.waiting), self.disk_trouble)
        else:
            self._keep_state_or_not()
            with contextlib.suppress(sqlite3.Error):  # then the end of this run is told as a cut
                self.writer.end_boot(self._boot, self._clock.boot_ms())
        self.writer.close()

    # --- the clock ---------------------------------------------------------------------------------------------

    def _look_at_clock(self, now_ms: int) -> None:
        news = self.time.look(self._is_still)
        if news is not ClockNews.NONE:
            _journal.warning("the clock was %s; offset is now %d ms", news.value, self.time.offset_ms)
            self._clock_news = news
        elif self._clock_news is ClockNews.NONE or now_ms < self._retry_at_ms:
            return
        # What waits was read under the old offset; if that was wrong it is corrected with the rest.
        self._commit(now_ms)
        if self.disk_trouble is not None:
            return  # what waits carries the old offset
        try:
            earliest_ms = None
            if self._clock_news is not ClockNews.NUDGED_FORWARD:
                earliest_ms = self._put_right()
            self._segment = self.writer.begin_segment(self._boot, self.time.offset_ms, trusted=self.time.trusted)
            self._offset_ms, self._clock_news = self.time.offset_ms, ClockNews.NONE
        except sqlite3.Error as error:
            self._disk_failed(error)
            return
        if earliest_ms is not None:
            self._begin_again(earliest_ms)

    def _is_still(self) -> bool:
        """Whether no storm and no run goes on, by all that was read up to now."""
        if self.disk_trouble is not None or self._something_goes_on():
            return False
        self._commit(self._clock.boot_ms())
        return self.disk_trouble is None and not self._something_goes_on()

    def _something_goes_on(self) -> bool:
        if self.state is None:
            return True  # nobody knows
        return any(ask(self.state) is not None for ask in (self._deriver.open_storm, self._deriver.open_run))

    def _put_right(self) -> int | None:
        """Move what the clock, as it is now, says of stamps in the log; returns the earliest that moved."""
        offset_ms = self.time.offset_ms
        self.busy(LONG_WORK_MS)
        if not self.time.trusted:
            moved = [self.writer.correct_boot(self._boot, offset_ms, trusted=False)]
        else:
            moved = [self.writer.correct_boot(boot, offset_ms) for boot in self._runs]
            moved.append(self.writer.put_back_untrusted(self._runs[0], self._booted_ms + offset_ms))
        self.busy(0)
        return min((earliest_ms for earliest_ms in moved if earliest_ms is not None), default=None)

    # --- the disk ----------------------------------------------------------------------------------------------

    def _commit_due_ms(self) -> int | None:
        oldest_ms = self.waiting.oldest_ms()
        if oldest_ms is None:
            return self._retry_at_ms if self.events else None
        return max(oldest_ms + self._commit_after_ms, self._retry_at_ms)

    def _commit_if_due(self) -> int | None:
        now_ms, due_ms = self._clock.boot_ms(), self._commit_due_ms()
        if due_ms is None or now_ms < due_ms:
            return due_ms
        self._commit(now_ms - HOLD_BACK_MS)
        return self._commit_due_ms()

    def _commit(self, upto_boot_ms: int) -> None:
        """Commit what was read up to a boot-clock time, and work out what follows from it, piece by piece."""
        while True:
            readings = self.waiting.take(upto_boot_ms, MOST_AT_ONCE)
            rows = sorted(self._row(reading) for reading in readings)
            begun_ms = self._clock.boot_ms()
            try:
                self._store(rows)
            except sqlite3.Error as error:
                self.waiting.put_back(readings)
                if self.make_room(error):
                    continue
                self._disk_failed(error)
                return
            except Exception as error:  # a damaged row may hold anything
                self.waiting.put_back(readings)
                self._doubt.is_first(error)
                raise
            self.waiting.stored()
            if rows:
                self.last_commit_ms = self._clock.boot_ms()
                self.slowest_commit_ms = max(self.slowest_commit_ms, self.last_commit_ms - begun_ms)
                self._work_out(rows)
            if len(readings) < MOST_AT_ONCE:
                return
            self.busy(0)

    def _store(self, rows: list[Row]) -> None:
        if rows:
            self.writer.append(rows)
        if self.events:
            self.writer.append_events(self._segment, self.events)
            self.events.clear()
        self._refused = 0
        if self.disk_trouble is not None:
            _journal.warning("%s: readings are stored again", self.writer.path, extra=_DISK)
        self.disk_trouble = None

    def _disk_failed(self, error: sqlite3.Error | OSError | RainsteadError) -> None:
        self._retry_at_ms = self._clock.boot_ms() + RETRY_MS
        self._refused += 1
        if self.disk_trouble is None:
            told = "%s: readings cannot be stored (%s); they wait in memory"
            _journal.error(told, self.writer.path, error, extra=_DISK)
        self.disk_trouble = str(error)
        if self._doubt.is_first(error) or self._refused % REOPEN_AFTER == 0:
            self._reopen()

    def _reopen(self) -> None:
        try:
            self.writer.reopen()
        except (sqlite3.Error, RainsteadError) as error:
            self.disk_trouble = str(error)
            self._doubt.is_first(error)

    def _long_work(self, next_ms: int) -> None:
        self.busy(next_ms)

    def _tend(self, now_ms: int) -> None:
        """After a commit, one short piece of the log's own upkeep: seal an hour, or thin one that the owner lets go."""
        if self.last_commit_ms == self._tended_ms or self.disk_trouble is not None or now_ms < self._tend_at_ms:
            return
        self._tended_ms = self.last_commit_ms
        is_sealing = True
        try:
            if self.writer.seal_some(self.wall_ms()):
                return
            is_sealing = False
            thinned = self.writer.thin_some(self._what_stays.now())
            if thinned is not None and thinned.not_forwarded:
                _journal.warning(
                    "for want of room %d readings went to minutes before they were forwarded", thinned.not_forwarded
                )
        except Exception as error:  # damaged rows may hold anything
            # An old hour that cannot be thinned is lost alone; fresh rows that cannot be sealed hold up all to come.
            if is_sealing and self._doubt.is_first(error):
                self._tend_at_ms = now_ms + RETRY_MS
                self._reopen()
                return
            # Nothing is lost by it but room; that readings can be stored is for the commits to tell.
            done = "sealed" if is_sealing else "thinned"
            _journal.error("%s: an hour could not be %s (%s); trying again in an hour", self.writer.path, done, error)
            self._tend_at_ms = now_ms + TEND_AGAIN_MS

    def _row(self, reading: Reading) -> Row:
        t_ms = reading.boot_ms + self._offset_ms
        number = self._numbers[reading.sensor]
        return (t_ms, number, self._segment, reading.value, int(reading.quality), reading.spread, reading.count)

    # --- the calculation ---------------------------------------------------------------------------------------

    def _work_out(self, rows: list[Row]) -> None:
        if self.state is None:
            return  # the log has them; it is begun again from there
        try:
            self._advance(self.state, rows)
        except Exception as error:  # raw readings go on being stored whatever the calculation does; replay will tell
            self._calculation_failed(error)

    def _advance(self, state: State, rows: list[Row]) -> None:
        first_ms = rows[0][0]
        if state.upto_ms is not None and first_ms <= state.upto_ms:
            # Later than the hold-back allows for: the log has it in its place, so begin again from there.
            _journal.warning("a reading came %d ms late", state.upto_ms - first_ms)
            self.writer.drop_checkpoints(first_ms)
            self._begin_again(first_ms)
            return
        batch = Batch.from_rows(self._names, [(t, self._position[s], v, q, d) for t, s, _, v, q, d, _ in rows])
        self.state, derived = self._deriver.advance(state, batch)
        for event in derived.events:
            fields = about(alarm=event.alarm, subject=event.subject)
            level = logging.WARNING if event.state == ACTIVE else logging.INFO
            _journal.log(level, "%s %s: %s (%s)", event.alarm, event.subject, event.state, event.reason, extra=fields)
        self.keep_events(derived.events)
        if self._on_derived is not None:
            self._on_derived(batch, derived)
        self._store([])
        if batch.t_ms[-1] - self._checkpoint_ms >= CHECKPOINT_EVERY_MS:
            self._keep_state()

    def _begin_again(self, changed_from_ms: int) -> None:
        """The log has changed from there on: work out again what follows."""
        known = self._changed_from_ms
        self._changed_from_ms = changed_from_ms if known is None else min(known, changed_from_ms)
        self.state = None
        self._begin()

    def _begin(self) -> None:
        try:
            self.state = self._caught_up()
        except Exception as error:  # as above
            self._calculation_failed(error)
            return
        self._changed_from_ms = None
        self._checkpoint_ms = self.state.upto_ms or 0
        if self._settings_are_new:
            # From here on the settings are those that watched; what lies before is not asked for its alarms again.
            self._keep_state_or_not()
            self._settings_are_new = False
        if self.calculation_failed is not None:
            _journal.warning("the calculation works again")
            self.calculation_failed = None

    def _calculation_failed(self, error: Exception) -> None:
        self.state = None
        self._begin_at_ms = self._clock.boot_ms() + CALCULATE_AGAIN_MS
        if isinstance(error, (sqlite3.Error, OSError, DiskRefuses, LogMalformed)):
            # No fault of the calculation: the disk cannot be read or written now.
            self._begin_at_ms = self._clock.boot_ms() + RETRY_MS
            self._disk_failed(error)
            return
        if self.calculation_failed is None:
            self._doubt.is_first(error)
            _journal.error("the calculation failed; readings are stored, alarms are not watched", exc_info=error)
        self.calculation_failed = repr(error)

    def _caught_up(self) -> State:
        """The state after all that is in the log, from the newest kept state that knows nothing of the change.

        Events that the log does not have yet are added, unless the settings are new: those do not rewrite the past.
        Rows of a future that a wrong clock made are left out until it comes.
        """
        upto_ms = self.wall_ms() if self._changed_from_ms is None else self._changed_from_ms - 1
        with LogReader(self.writer.path) as reader:
            state = resume(reader, self._deriver, upto_ms=upto_ms)
            newer: State | None = state
            while newer is not None:
                newer = None
                for newer, derived in replay(reader, self._deriver, state=state, upto_ms=self.wall_ms()):
                    state = newer
                    if self._changed_from_ms is not None or not self._settings_are_new:
                        self.keep_events(derived.events)
                    # A year takes minutes. What is read meanwhile goes to disk, and is met in the next round.
                    self.busy(0)
                    self._commit_if_due()
        return state

    def _keep_state(self) -> None:
        if self.state is not None and self.state.upto_ms is not None and not self.events:
            self.writer.save_checkpoint(self.state.upto_ms, self._deriver.digest, state_to_text(self.state))
            self._checkpoint_ms = self.state.upto_ms

    def _keep_state_or_not(self) -> None:
        """A state saves time, nothing else: the log can do without."""
        try:
            self._keep_state()
        except sqlite3.Error as error:
            _journal.warning("%s: the calculation's state could not be kept (%s)", self.writer.path, error)


def _newest_ms(writer: LogWriter) -> int | None:
    with LogReader(writer.path) as reader:
        span_ms = reader.span_ms()
    return None if span_ms is None else span_ms[1]
