"""The logger: reads every sensor, commits what they said, works out alarms, and goes on whatever one of them does.

`due = step()`, then wait: all waiting is in `run`, so that a test can call `step` with a clock of its own.
"""

import argparse
import logging
import os
import signal
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from rainstead.clock import Clock, SystemClock
from rainstead.derive import Derived, Deriver, State
from rainstead.errors import RainsteadError, SettingsError
from rainstead.log import LogReader, LogWriter, Row
from rainstead.readings import Batch, Reading
from rainstead.replay import replay, resume
from rainstead.settings import Settings, parse_settings
from rainstead.statekeeping import state_to_text

from .drivers import Channel, build_channels
from .timekeeping import ClockNews, TimeKeeper, machine_clock_is_synchronised

__all__ = ["Logger", "main"]

HOLD_BACK_MS: Final = 2000
"""The newest readings wait this long before they are committed, so that a late edge still takes its place."""
LONGEST_WAIT_MS: Final = 1000
CHECKPOINT_EVERY_MS: Final = 3_600_000
MOST_WAITING: Final = 500_000
"""Readings kept in memory while the disk refuses them: about 40 hours of three rangers every second."""
RETRY_MS: Final = 5000

_journal = logging.getLogger("rainstead.logger")

Listener = Callable[[Batch, Derived], None]


class Logger:
    """One site's logger. Takes the log's writer lock with the writer it is given.

    settings_text: the settings as the owner wrote them, kept in the log.
    on_derived: called with each batch and what followed from it, for whoever watches live.
    """

    def __init__(
        self,
        settings: Settings,
        settings_text: str,
        writer: LogWriter,
        channels: Sequence[Channel],
        clock: Clock,
        *,
        clock_is_trusted: Callable[[], bool],
        boot_uuid: str,
        on_derived: Listener | None = None,
    ) -> None:
        self._writer, self._channels, self._clock = writer, channels, clock
        self._on_derived = on_derived
        self._deriver = Deriver(settings)
        self._time = TimeKeeper(clock, clock_is_trusted)
        self._numbers = writer.sensor_numbers({channel.name: channel.kind for channel in channels})
        # Positions in a live batch follow the log's numbers, as on replay: both order equal stamps alike.
        self._names = tuple(sorted(self._numbers, key=lambda name: self._numbers[name]))
        self._position = {self._numbers[name]: position for position, name in enumerate(self._names)}
        self._boot = writer.begin_boot("logger", boot_uuid, clock.boot_ms())
        self._clock_news = ClockNews.NONE
        """News of the clock that the log does not have yet."""
        self._offset_ms = self._time.offset_ms
        """Of the segment that is being written, which a step of the clock leaves behind until a new one is begun."""
        self._segment = writer.begin_segment(self._boot, self._offset_ms, trusted=self._time.trusted)
        self._settings_are_new = writer.keep_settings(self._wall_ms(), self._deriver.digest, settings_text)
        self._pending: list[Reading] = []
        self._dropped = 0
        self._retry_at_ms = 0
        self._commit_after_ms = round(settings.log.commit_every_s * 1000)
        self._troubles: dict[str, str | None] = {}
        self._disk_trouble: str | None = None
        self._state = self._caught_up(None)
        self._checkpoint_ms = self._state.upto_ms or 0
        if not self._time.trusted:
            _journal.warning("the clock is not set yet: stamps are provisional until it is")

    # --- the loop ----------------------------------------------------------------------------------------------

    def step(self) -> int:
        """Do all that is due now; returns the boot-clock time at which something is due again."""
        now_ms = self._clock.boot_ms()
        self._look_at_clock(now_ms)
        for channel in self._channels:
            if channel.next_due_ms(now_ms) <= now_ms:
                self._take(channel, channel.poll, now_ms)
        if self._pending and now_ms >= self._commit_due_ms():
            self._commit(now_ms - HOLD_BACK_MS)
        due_ms = [channel.next_due_ms(now_ms) for channel in self._channels]
        if self._pending:
            due_ms.append(self._commit_due_ms())
        return min([now_ms + LONGEST_WAIT_MS, *(max(due, now_ms + 1) for due in due_ms)])

    def run(self, stopped: Callable[[], bool]) -> None:
        """Step and wait until told to stop; then commit everything and close."""
        try:
            while not stopped():
                self._clock.wait_until(self.step())
        finally:
            self.stop()

    def stop(self) -> None:
        """Take what the sensors still have, commit it with the calculation's state, and let go of everything."""
        now_ms = self._clock.boot_ms()
        for channel in self._channels:
            self._take(channel, channel.poll, now_ms)
            self._take(channel, channel.close, now_ms)
        self._retry_at_ms = 0
        # Nothing is held back any more: what came while the lines were let go of is there as well.
        self._commit(max((reading.boot_ms for reading in self._pending), default=now_ms))
        if self._pending:
            _journal.error("%d readings could not be stored: %s", len(self._pending), self._disk_trouble)
        else:
            self._keep_state()
        self._writer.close()

    # --- sensors -----------------------------------------------------------------------------------------------

    def _take(self, channel: Channel, ask: Callable[[int], list[Reading]], now_ms: int) -> None:
        try:
            self._pending += ask(now_ms)
            trouble = channel.trouble
        except Exception as error:  # one sensor's fault, of whatever kind, must not stop the others
            trouble = f"its driver failed: {error!r}"
        if trouble != self._troubles.get(channel.name):
            if trouble is None:
                _journal.info("sensor %s is back", channel.name)
            else:
                _journal.warning("sensor %s: %s", channel.name, trouble)
            self._troubles[channel.name] = trouble
        if len(self._pending) > MOST_WAITING:
            excess = len(self._pending) - MOST_WAITING
            self._dropped += excess
            del self._pending[:excess]

    # --- the clock ---------------------------------------------------------------------------------------------

    def _wall_ms(self) -> int:
        return self._clock.boot_ms() + self._offset_ms

    def _look_at_clock(self, now_ms: int) -> None:
        news = self._time.look()
        if news is ClockNews.NONE and self._clock_news is ClockNews.NONE:
            return
        if news is ClockNews.NONE:
            news = self._clock_news  # the disk refused to take it before
        else:
            _journal.warning("the clock was %s; offset is now %d ms", news.value, self._time.offset_ms)
        self._clock_news = news
        # What is pending was read under the old offset; if that was wrong it is corrected with the rest.
        self._commit(now_ms)
        try:
            earliest_ms = None
            if news is not ClockNews.STEPPED_FORWARD:
                # Going back, the stamps before the step would lie in the future of those after it.
                earliest_ms = self._writer.correct_boot(self._boot, self._time.offset_ms)
            self._segment = self._writer.begin_segment(self._boot, self._time.offset_ms, trusted=self._time.trusted)
            self._offset_ms, self._clock_news = self._time.offset_ms, ClockNews.NONE
        except sqlite3.Error as error:
            self._disk_failed(error, now_ms)
            return
        if earliest_ms is not None:
            self._state = self._caught_up(earliest_ms)

    # --- the disk ----------------------------------------------------------------------------------------------

    def _commit_due_ms(self) -> int:
        oldest_ms = self._pending[0].boot_ms
        return max(oldest_ms + self._commit_after_ms, self._retry_at_ms)

    def _commit(self, upto_boot_ms: int) -> None:
        """Commit what was read up to a boot-clock time, then work out what follows from it."""
        ready = [reading for reading in self._pending if reading.boot_ms <= upto_boot_ms]
        if not ready:
            return
        rows = sorted(self._row(reading) for reading in ready)
        try:
            self._writer.append(rows)
        except sqlite3.Error as error:
            self._disk_failed(error, self._clock.boot_ms())
            return
        self._pending = [reading for reading in self._pending if reading.boot_ms > upto_boot_ms]
        if self._disk_trouble is not None:
            _journal.warning("the disk takes readings again; %d were dropped meanwhile", self._dropped)
            self._disk_trouble, self._dropped = None, 0
        try:
            self._work_out(rows)
        except Exception:  # raw readings go on being stored whatever the calculation does; replay will tell
            _journal.exception("the calculation failed; readings are stored, alarms are not watched")

    def _disk_failed(self, error: sqlite3.Error, now_ms: int) -> None:
        self._retry_at_ms = now_ms + RETRY_MS
        if self._disk_trouble is None:
            _journal.error("%s: readings cannot be stored (%s); they wait in memory", self._writer.path, error)
        self._disk_trouble = str(error)

    def _row(self, reading: Reading) -> Row:
        t_ms = reading.boot_ms + self._offset_ms
        number = self._numbers[reading.sensor]
        return (t_ms, number, self._segment, reading.value, int(reading.quality), reading.spread, reading.count)

    # --- the calculation ---------------------------------------------------------------------------------------

    def _work_out(self, rows: list[Row]) -> None:
        first_ms = rows[0][0]
        if self._state.upto_ms is not None and first_ms <= self._state.upto_ms:
            # Later than the hold-back allows for: the log has it in its place, so begin again from there.
            _journal.warning("a reading came %d ms late", self._state.upto_ms - first_ms)
            self._writer.drop_checkpoints(first_ms)
            self._state = self._caught_up(first_ms)
            return
        batch = Batch.from_rows(self._names, [(t, self._position[s], v, q, d) for t, s, _, v, q, d, _ in rows])
        self._state, derived = self._deriver.advance(self._state, batch)
        for event in derived.events:
            _journal.warning("%s %s: %s (%s)", event.alarm, event.subject, event.state, event.reason)
        self._keep_events(derived)
        if self._on_derived is not None:
            self._on_derived(batch, derived)
        if batch.t_ms[-1] - self._checkpoint_ms >= CHECKPOINT_EVERY_MS:
            self._keep_state()

    def _caught_up(self, changed_from_ms: int | None) -> State:
        """The state after all that is in the log, from the newest kept state that knows nothing of the change.

        Events that the log does not have yet are added, unless the settings are new: those do not rewrite the past.
        """
        upto_ms = None if changed_from_ms is None else changed_from_ms - 1
        with LogReader(self._writer.path) as reader:
            state = resume(reader, self._deriver, upto_ms=upto_ms)
            for newer, derived in replay(reader, self._deriver, state=state):
                state = newer
                if changed_from_ms is not None or not self._settings_are_new:
                    self._keep_events(derived)
        return state

    def _keep_events(self, derived: Derived) -> None:
        self._writer.append_events(
            self._segment,
            derived.events,
        )

    def _keep_state(self) -> None:
        if self._state.upto_ms is not None:
            self._writer.save_checkpoint(self._state.upto_ms, self._deriver.digest, state_to_text(self._state))
            self._checkpoint_ms = self._state.upto_ms


def read_boot_uuid() -> str:
    """The kernel's name for this boot."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def main(argv: Sequence[str] | None = None) -> None:
    """`rainstead-logger SITE`: run until told to stop by a signal."""
    parser = argparse.ArgumentParser(prog="rainstead-logger", description="Read a site's sensors into its log.")
    parser.add_argument("site", type=Path, help="the site's folder, with site.toml in it")
    arguments = parser.parse_args(argv)
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    try:
        _run_site(arguments.site.absolute())
    except RainsteadError as error:
        print(f"rainstead-logger: {error}", file=sys.stderr)
        raise SystemExit(2) from None


def _run_site(site: Path) -> None:
    clock = SystemClock()
    settings_path = site / "site.toml"
    try:
        text = settings_path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{settings_path}: cannot be read ({error}); `rainstead settings new {settings_path}` writes one"
        ) from None
    settings = parse_settings(text, str(settings_path), now_ms=clock.wall_ms())
    if not settings.sensors:
        raise SettingsError(f"{settings_path}: sensors = nothing: there is nothing to read; add a [sensors.NAME] table")
    # Named, because the GPIO library would otherwise fall back to another one without a word; and it wants a
    # folder for its FIFO that it may write to.
    os.environ.setdefault("GPIOZERO_PIN_FACTORY", "lgpio")
    os.environ.setdefault("LG_WD", os.environ.get("RUNTIME_DIRECTORY", tempfile.gettempdir()))
    stopping: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda signum, _frame: stopping.append(signum))
    logger = Logger(
        settings,
        text,
        LogWriter(site / "readings.db"),
        build_channels(settings, clock),
        clock,
        clock_is_trusted=machine_clock_is_synchronised if settings.clock.trust == "synchronised" else lambda: True,
        boot_uuid=read_boot_uuid(),
    )
    _journal.info("logging %s with %d sensors", settings.site.name, len(settings.sensors))
    logger.run(lambda: bool(stopping))
    _journal.info("stopped")
