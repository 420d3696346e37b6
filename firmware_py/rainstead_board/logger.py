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
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rainstead import __version__
from rainstead.boardhealth import HEALTH_FILE
from rainstead.clock import Clock, SystemClock
from rainstead.clockword import clock_is_confirmed, machine_boot_uuid
from rainstead.errors import DiskRefuses, LogMalformed, RainsteadError
from rainstead.events import AlarmEvent
from rainstead.inforce import settings_in_force
from rainstead.log import LONG_WAL_BYTES, LogReader, LogWriter, damaged_logs, wal_bytes
from rainstead.settings import Settings
from rainstead.sickness import find_sickness

from .boardwatch import BoardWatch, Facts
from .doubt import LONG_WORK_MS
from .drivers import Channel, build_channels, edges_have_ended
from .health import Counting, board_facts, free_mb, open_files, resident_bytes, write_health, written_bytes
from .keeper import UNKNOWN_BOOT, Keeper, Listener
from .lamp import Lamp, LampSays
from .logless import Logless, to_hand_on
from .sampler import Sampler
from .timekeeping import machine_clock_is_synchronised
from .waiting import MOST_WAITING, Waiting
from .watchdog import Duties, Notifier

if TYPE_CHECKING:
    from .drivers.gpio_line import OutputLine

__all__ = ["Logger", "main"]

LOOK_EVERY_MS: Final = 5_000
HEALTH_EVERY_MS: Final = 10_000
SICKNESS_EVERY_MS: Final = 600_000
SENSORS_MAY_TAKE_MS: Final = 15_000
"""A round of all sensors takes milliseconds; one that takes this long hangs."""

_journal = logging.getLogger("rainstead.logger")


class SensorsEnded(RainsteadError):
    """The sensors' thread is dead: this process is no use any more, and another will be started."""


class Logger:
    """One site's logger. Takes the log's writer lock with the writer it is given.

    Sensors are polled by the sampler, readings are stored by the keeper, and the board is watched here. `step` does
    all of it once in the caller's thread; `run` gives the sampler a thread of its own, which no disk can hold up.
    Where SQLite says that the log is damaged, it is moved aside and a new one begun; where the disk lets no log be
    opened or begun, it is tried again until it does. Sensors go on meanwhile, and what they say waits.
    settings_text: the settings as the owner wrote them, kept in the log.
    on_derived: called with each batch and what followed from it, for whoever watches live.
    notifier: the service manager's ear. health_path: where to write how this process is.
    settings_refused: what is wrong with the site's file, where these settings stand in for it.
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
        notifier: Notifier | None = None,
        lamp: Lamp | None = None,
        health_path: Path | None = None,
        most_waiting: int = MOST_WAITING,
        settings_refused: str | None = None,
    ) -> None:
        self._clock, self._settings, self._health_path = clock, settings, health_path
        self._notifier = notifier or Notifier(None)
        self._waiting = Waiting(most_waiting)
        self._sampler = Sampler(channels, clock, self._waiting, lamp)
        self._writer = writer
        self._keeper_of = partial(
            Keeper,
            settings,
            settings_text,
            writer,
            {channel.name: channel.kind for channel in channels},
            clock,
            self._waiting,
            clock_is_trusted=clock_is_trusted,
            boot_uuid=boot_uuid,
            on_derived=on_derived,
        )
        self._settings_refused = settings_refused
        self._started_ms = clock.boot_ms()
        self._aside_told: tuple[Path, str] | None = None
        self._keeper: Keeper | Logless
        self._watch = BoardWatch(settings, (), self._started_ms)
        self._clock_is_trusted = clock_is_trusted
        self._take_up(None)
        self._duties = Duties({"sensors": SENSORS_MAY_TAKE_MS})
        self._rounds = -1
        self._pinged_ms: int | None = None
        self._looked_ms: int | None = None
        self._told_ms: int | None = None
        self._is_ready = False
        self._wal_is_long = False
        self._sick: dict[str, str] = {}
        """Why a sensor that speaks is not to be believed."""
        self._sought_ms: int | None = None
        self._seeking_failed: str | None = None

    # --- the loop ----------------------------------------------------------------------------------------------

    def step(self) -> int:
        """Do all that is due now; returns the boot-clock time at which something is due again."""
        return min(self._sampler.step(), self._keep())

    def run(self, stopped: Callable[[], bool]) -> None:
        """Go on until told to stop; then commit everything and close."""
        try:
            self._sampler.start()
            while not stopped():
                self._clock.wait_until(self._keep())
        finally:
            self.stop()

    def stop(self) -> None:
        """Take what the sensors still have, commit it with the calculation's state, and let go of everything."""
        self._notifier.stopping()
        self._sampler.stop()
        if isinstance(self._keeper, Logless):
            self._take_up(self._keeper)
        if isinstance(self._keeper, Keeper):
            try:
                self._keeper.finish()
            except LogMalformed as error:
                self._take_up(self._keeper, error.why)
                if isinstance(self._keeper, Keeper):
                    self._keeper.finish()
        if isinstance(self._keeper, Logless):
            _journal.error("%d readings could not be stored: %s", len(self._waiting), self._keeper.disk_trouble)
            self._writer.close()
        self._notifier.close()

    def _keep(self) -> int:
        try:
            due_ms = self._keeper.step()
            if isinstance(self._keeper, Logless) and due_ms <= self._clock.boot_ms():
                due_ms = self._take_up(self._keeper)
        except LogMalformed as error:
            due_ms = self._take_up(self._keeper, error.why)
        now_ms = self._clock.boot_ms()
        if not self._sampler.runs:
            raise SensorsEnded("the sensors' thread has ended; see above for why")
        if edges_have_ended():
            raise SensorsEnded("the GPIO library's thread has ended: no tip and no pulse would be counted any more")
        if self._looked_ms is None or now_ms - self._looked_ms >= LOOK_EVERY_MS:
            self._looked_ms = now_ms
            if isinstance(self._keeper, Keeper) and self._writer.is_taken_away():
                _journal.error(
                    "%s: this log was deleted or moved while it was written; a new one is begun, and readings of some "
                    "seconds may be missing between them",
                    self._writer.path,
                )
                self._writer.let_go_of_taken()
                due_ms = self._take_up(self._keeper)
            self._look(now_ms)
        self._sign_of_life(now_ms)
        return min(due_ms, now_ms + min(1000, self._notifier.ping_every_ms or 1000))

    # --- the log -------------------------------------------------------------------------------------------------

    def _take_up(self, before: Keeper | Logless | None, why: str | None = None) -> int:
        """Go on with the log, with a new one where it is damaged, or without one until the disk lets us.

        before: what went on until now. why: the log is damaged for certain, in SQLite's words. Returns the boot-clock
        time at which something is due.
        """
        now_ms = self._clock.boot_ms()
        if before is not None:
            self._notifier.allow(LONG_WORK_MS)  # to check a large log, or to put its stamps right
        try:
            keeper, stood = self._made(before, why)
        except (sqlite3.Error, DiskRefuses, LogMalformed) as error:
            if isinstance(before, Logless):
                before.refused_again(str(error))
            else:
                before = Logless(self._clock, self._clock_is_trusted, str(error), before)
            self._keeper = before
            return before.due_ms
        finally:
            self._notifier.allow(0)
            self._tell_of_damage()
        if before is not None:
            shift_ms = keeper.wall_ms() - before.wall_ms()
            keeper.keep_events(to_hand_on(before.events, stood, shift_ms))
        if isinstance(before, Logless):
            _journal.warning("there is a log to write to again; %d readings waited for it", len(self._waiting))
        self._watch = BoardWatch(self._settings, [*stood, *keeper.events], self._started_ms)
        self._keeper = keeper
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
                if is_second or isinstance(before, Logless) or self._writer.trouble is not None:
                    self._writer.try_again(wall_ms)
                return self._made_of(floor_ms)
            except Exception as error:  # what is read may be anything
                is_ours = isinstance(error, RainsteadError) and not isinstance(error, LogMalformed)
                found = None if is_ours else self._writer.damage_behind(error)
                if found is None:
                    raise
                why = found if is_second else None
        assert why is not None
        self._writer.begin_anew(wall_ms, why)
        return self._made_of(floor_ms)

    def _made_of(self, floor_ms: int | None) -> tuple[Keeper, list[AlarmEvent]]:
        keeper = self._keeper_of(floor_ms=floor_ms)
        keeper.busy = self._busy
        with LogReader(self._writer.path) as reader:
            return keeper, reader.events()

    def _tell_of_damage(self) -> None:
        if self._writer.moved_aside is None or self._writer.moved_aside == self._aside_told:
            return
        self._aside_told = self._writer.moved_aside
        moved, why = self._aside_told
        _journal.error(
            "%s: SQLite called this log damaged (%s); it is moved to %s, whole, and a new log is begun",
            self._writer.path,
            why,
            moved.name,
        )

    # --- the service manager ------------------------------------------------------------------------------------

    def _sign_of_life(self, now_ms: int) -> None:
        """To be called only where something was done: the keeper has just made its round, or a piece of one."""
        if self._sampler.rounds != self._rounds:
            self._rounds = self._sampler.rounds
            self._duties.moved("sensors", now_ms)
            if not self._is_ready:
                self._is_ready = True
                self._notifier.ready()
        if overdue := self._duties.overdue(now_ms):
            told = ", ".join(f"{duty} for {waited_ms // 1000} s" for duty, waited_ms in overdue.items())
            self._notifier.status(f"nothing comes from: {told}")
            return
        every_ms = self._notifier.ping_every_ms
        if every_ms is not None and (self._pinged_ms is None or now_ms - self._pinged_ms >= every_ms):
            self._pinged_ms = now_ms
            self._notifier.ping()

    def _busy(self, next_ms: int) -> None:
        self._notifier.allow(next_ms)
        self._sign_of_life(self._clock.boot_ms())

    # --- the board ---------------------------------------------------------------------------------------------

    def _look(self, now_ms: int) -> None:
        keeper = self._keeper
        if self._sought_ms is None or now_ms - self._sought_ms >= SICKNESS_EVERY_MS:
            self._sought_ms = now_ms
            self._seek_sickness()
        dropped = self._waiting.dropped if keeper.disk_trouble is not None else self._waiting.forget_dropped()
        facts = Facts(
            boot_ms=now_ms,
            t_ms=keeper.wall_ms(),
            troubles={
                channel.name: self._sampler.troubles.get(channel.name) or self._sick.get(channel.name)
                for channel in self._sampler.channels
            },
            free_mb=free_mb(self._writer.path.parent),
            disk_trouble=keeper.disk_trouble,
            waiting=len(self._waiting),
            dropped=dropped,
            clock_is_trusted=keeper.time.trusted,
            calculation_failed=keeper.calculation_failed,
            damaged_logs=tuple(path.name for path in damaged_logs(self._writer.path.parent)),
            settings_refused=self._settings_refused,
        )
        events = self._watch.look(facts)
        for event in events:
            _journal.warning("%s %s: %s (%s)", event.alarm, event.subject, event.state, event.reason)
        keeper.keep_events(events)
        self._tell_of_wal()
        self._sampler.lamp_says = self._lamp_says(facts)
        self._notifier.status(self._status(facts))
        if self._health_path is not None and (self._told_ms is None or now_ms - self._told_ms >= HEALTH_EVERY_MS):
            self._told_ms = now_ms
            write_health(self._health_path, self._health(facts))

    def _tell_of_wal(self) -> None:
        was_long, self._wal_is_long = self._wal_is_long, wal_bytes(self._writer.path) > LONG_WAL_BYTES
        if self._wal_is_long and not was_long:
            _journal.warning(
                "%s-wal has grown past %d MB: a program that reads the log does not let go of it, and the disk fills; "
                "find it with `fuser` and end it",
                self._writer.path,
                LONG_WAL_BYTES / 1e6,
            )
        elif was_long and not self._wal_is_long:
            _journal.warning("%s-wal is short again", self._writer.path)

    def _seek_sickness(self) -> None:
        """Sensors that speak and are sick all the same show in the log alone."""
        keeper, failed = self._keeper, None
        try:
            with LogReader(self._writer.path) as reader:
                found = find_sickness(self._settings, reader, keeper.wall_ms())
            self._sick = {name: sick.because for name, sick in found.items()}
        except (RainsteadError, sqlite3.Error):  # for the commits to tell
            return
        except Exception as error:  # as with the calculation: a fault of it must cost no reading
            failed = repr(error)
            if failed != self._seeking_failed:
                _journal.error("whether sensors are sick cannot be worked out; readings are stored", exc_info=error)
        self._seeking_failed = failed

    def _lamp_says(self, facts: Facts) -> LampSays:
        if facts.disk_trouble is not None:
            return LampSays.DISK
        if any(facts.troubles.values()) or self._watch.active - {("clock_unset", "site")}:
            return LampSays.TROUBLE
        return LampSays.WELL if facts.clock_is_trusted else LampSays.CLOCK

    def _status(self, facts: Facts) -> str:
        told = [f"{name}: {why}" for name, why in facts.troubles.items() if why is not None]
        if facts.disk_trouble is not None:
            told.insert(0, f"readings cannot be stored ({facts.disk_trouble}), {facts.waiting} wait in memory")
        if not facts.clock_is_trusted:
            told.append("the clock is not set")
        if facts.settings_refused is not None:
            told.append("site.toml cannot be used, so the last good settings are in force")
        if facts.calculation_failed is not None:
            told.append("the calculation fails: alarms are not watched")
        return "; ".join(told) or f"{len(facts.troubles)} sensors, all well"

    def _health(self, facts: Facts) -> dict[str, object]:
        keeper = self._keeper
        return {
            "version": __version__,
            "site": self._settings.site.name,
            "process": os.getpid(),
            "written_ms": facts.t_ms,
            "uptime_s": (facts.boot_ms - self._started_ms) / 1000,
            "clock_is_trusted": facts.clock_is_trusted,
            "last_commit_age_s": None
            if keeper.last_commit_ms is None
            else (facts.boot_ms - keeper.last_commit_ms) / 1000,
            "slowest_commit_s": keeper.slowest_commit_ms / 1000,
            "disk_trouble": facts.disk_trouble,
            "free_mb": facts.free_mb,
            "waiting": facts.waiting,
            "dropped": facts.dropped,
            "calculation_failed": facts.calculation_failed,
            "resident_bytes": resident_bytes(),
            "open_files": open_files(),
            "written_bytes": written_bytes(),
            "wal_bytes": wal_bytes(self._writer.path),
            "sqlite_version": sqlite3.sqlite_version,
            **board_facts(),
            "sensors": [
                {
                    "name": channel.name,
                    "trouble": facts.troubles[channel.name],
                    "counts": dict(channel.counts()) if isinstance(channel, Counting) else {},
                }
                for channel in self._sampler.channels
            ],
        }


def main(argv: Sequence[str] | None = None) -> None:
    """`rainstead-logger SITE`: run until told to stop by a signal."""
    parser = argparse.ArgumentParser(prog="rainstead-logger", description="Read a site's sensors into its log.")
    parser.add_argument("site", type=Path, help="the site's folder, with site.toml in it")
    arguments = parser.parse_args(argv)
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    try:
        _run_site(arguments.site.absolute())
    except SensorsEnded as error:
        print(f"rainstead-logger: {error}", file=sys.stderr)
        raise SystemExit(1) from None
    except RainsteadError as error:
        print(f"rainstead-logger: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    except sqlite3.Error as error:
        print(
            f"rainstead-logger: {arguments.site / 'readings.db'}: the log cannot be begun ({error}); is the disk full, "
            "or can it only be read?",
            file=sys.stderr,
        )
        raise SystemExit(3) from None


def _run_site(site: Path) -> None:
    clock = SystemClock()
    in_force = settings_in_force(site, clock.wall_ms(), tell=_journal.error)
    settings = in_force.settings
    # Named, because the GPIO library would otherwise fall back to another one without a word; and it wants a
    # folder for its FIFO that it may write to.
    os.environ.setdefault("GPIOZERO_PIN_FACTORY", "lgpio")
    runtime = os.environ.get("RUNTIME_DIRECTORY")
    os.environ.setdefault("LG_WD", runtime or tempfile.gettempdir())
    stopping: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda signum, _frame: stopping.append(signum))
    boot_uuid = machine_boot_uuid() or UNKNOWN_BOOT
    logger = Logger(
        settings,
        in_force.text,
        LogWriter(site / "readings.db", aside_at_ms=clock.wall_ms(), patient=True),
        build_channels(settings, clock),
        clock,
        clock_is_trusted=lambda: (
            settings.clock.trust == "system" or machine_clock_is_synchronised() or clock_is_confirmed(site, boot_uuid)
        ),
        boot_uuid=boot_uuid,
        notifier=Notifier.from_environment(),
        lamp=_lamp(settings),
        health_path=(Path(runtime) if runtime else site) / HEALTH_FILE,
        settings_refused=in_force.refused,
    )
    _journal.info("logging %s with %d sensors", settings.site.name, len(settings.sensors))
    logger.run(lambda: bool(stopping))
    _journal.info("stopped")


def _lamp(settings: Settings) -> Lamp | None:
    if settings.lamp is None:
        return None
    gpio = settings.lamp.gpio

    def open_line() -> "OutputLine":
        # A board without GPIO does not load the library for them.
        from .drivers.gpio_line import OutputLine

        return OutputLine(gpio)

    return Lamp(open_line)
