"""The logger: reads every sensor, commits what they said, works out alarms, and goes on whatever one of them does.

`due = step()`, then wait: all waiting is in `run`, so that a test can call `step` with a clock of its own.
"""

import logging
import os
import sqlite3
import tempfile
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rainstead.alarms import ACTIVE
from rainstead.boardhealth import HEALTH_FILE
from rainstead.clock import Clock, SystemClock
from rainstead.clockword import clock_is_confirmed, machine_boot_uuid
from rainstead.events import AlarmEvent
from rainstead.inforce import settings_in_force
from rainstead.journal import about
from rainstead.log import LONG_WAL_BYTES, AsideLook, LogWriter, wal_bytes
from rainstead.running import BrokeOff, until_told
from rainstead.settings import Settings

from .account import as_data, as_lamp, as_line, pending_alarms
from .boardcare import BoardCare
from .boardwatch import BoardWatch, Facts
from .drivers import Channel, build_channels, edges_have_ended
from .health import free_mb, write_health
from .keeper import UNKNOWN_BOOT, Keeper, Listener
from .lamp import Lamp
from .logcare import LogCare
from .logless import Logless
from .sampler import Sampler
from .sicksensors import SickSensors
from .timekeeping import machine_clock_is_synchronised
from .upkeepwatch import UpkeepWatch
from .waiting import MOST_WAITING, Waiting
from .watchdog import Duties, Notifier

if TYPE_CHECKING:
    from .drivers.gpio_line import OutputLine

__all__ = ["Logger", "main"]

LOOK_EVERY_MS: Final = 5_000
HEALTH_EVERY_MS: Final = 10_000
SENSORS_MAY_TAKE_MS: Final = 15_000
"""A round of all sensors takes milliseconds; one that takes this long hangs."""

_journal = logging.getLogger("rainstead.logger")


class SensorsEnded(BrokeOff):
    """The sensors' thread is dead: this process is no use any more, and another will be started."""


class Logger:
    """One site's logger. Takes the log's writer lock with the writer it is given.

    Sensors are polled by the sampler, readings are stored by the keeper, and the board is watched here. `step` does
    all of it once in the caller's thread; `run` gives the sampler a thread of its own, which no disk can hold up.
    Whatever becomes of the log, sensors go on; see LogCare.
    settings_text: the settings as the owner wrote them, kept in the log.
    on_derived: called with each batch and what followed from it, for whoever watches live.
    notifier: the service manager's ear. health_path: where to write how this process is.
    settings_refused: what is wrong with the site's file, where these settings stand in for it.
    board: what is done for a board in need; without it nothing is.
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
        board: BoardCare | None = None,
    ) -> None:
        self._clock, self._settings, self._health_path = clock, settings, health_path
        self._notifier = notifier or Notifier(None)
        self._waiting = Waiting(most_waiting)
        self._sampler = Sampler(channels, clock, self._waiting, lamp)
        self._settings_refused, self._boot_uuid = settings_refused, boot_uuid
        self._board = board or BoardCare(clock)
        self._sampler.remark = self._board.remark
        self._started_ms = clock.boot_ms()
        pending = pending_alarms(health_path, settings.site.name, boot_uuid)
        self._watch = BoardWatch(settings, (), pending=pending)
        self._writer = writer
        self._sick = SickSensors(settings, writer.path)
        self._upkeep = UpkeepWatch(settings, writer.path)
        self._aside = AsideLook(writer.path.parent)
        self._duties = Duties({"sensors": SENSORS_MAY_TAKE_MS})
        self._rounds = -1
        self._pinged_ms: int | None = None
        self._looked_ms: int | None = None
        self._told_ms: int | None = None
        self._is_ready = False
        self._wal_is_long = False
        keeper_of = partial(
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
        self._care = LogCare(
            writer,
            keeper_of,
            clock,
            self._waiting,
            clock_is_trusted=clock_is_trusted,
            allow=self._notifier.allow,
            busy=self._busy,
            make_room=self._board.make_room,
            on_log=self._watch_from,
        )

    @property
    def _keeper(self) -> Keeper | Logless:
        return self._care.keeper

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
        self._care.finish()
        self._notifier.close()

    def _keep(self) -> int:
        due_ms = self._care.step()
        now_ms = self._clock.boot_ms()
        if not self._sampler.runs:
            raise SensorsEnded("the sensors' thread has ended; see above for why")
        if edges_have_ended():
            raise SensorsEnded("the GPIO library's thread has ended: no tip and no pulse would be counted any more")
        supply_drops = self._board.supply_drops()
        if supply_drops or self._looked_ms is None or now_ms - self._looked_ms >= LOOK_EVERY_MS:
            self._looked_ms = now_ms
            due_of_new_ms = self._care.begin_anew_if_taken()
            due_ms = due_ms if due_of_new_ms is None else due_of_new_ms
            self._look(now_ms)
        if supply_drops:
            self._care.secure()
        self._sign_of_life(now_ms)
        return min(due_ms, now_ms + min(1000, self._notifier.ping_every_ms or 1000))

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

    def _watch_from(self, events: Sequence[AlarmEvent]) -> None:
        self._watch = BoardWatch(self._settings, events, before=self._watch)

    def _look(self, now_ms: int) -> None:
        self._board.look(self._care, len(self._waiting), self._watch.active)
        keeper = self._keeper
        self._sick.seek_if_due(now_ms, keeper.wall_ms())
        self._upkeep.look_if_due(now_ms, keeper.wall_ms(), clock_is_trusted=keeper.time.trusted)
        self._aside.look()
        dropped = self._waiting.dropped if keeper.disk_trouble is not None else self._waiting.forget_dropped()
        facts = Facts(
            boot_ms=now_ms,
            t_ms=keeper.wall_ms(),
            troubles={
                channel.name: self._board.beside(channel.name, self._sampler.troubles.get(channel.name))
                or self._sick.because.get(channel.name)
                for channel in self._sampler.channels
            },
            free_mb=free_mb(self._writer.path.parent),
            disk_trouble=self._board.trouble_of_disk(keeper.disk_trouble),
            waiting=len(self._waiting),
            dropped=dropped,
            clock_is_trusted=keeper.time.trusted,
            calculation_failed=keeper.calculation_failed,
            damaged_logs=tuple(path.name for path in self._aside.damaged),
            brought_in=tuple(path.name for path in self._aside.brought_in),
            settings_refused=self._settings_refused,
            backup=self._upkeep.backup,
            check=self._upkeep.check,
            **self._board.facts(),
        )
        events = self._watch.look(facts)
        for event in events:
            fields = about(alarm=event.alarm, subject=event.subject)
            level = logging.WARNING if event.state == ACTIVE else logging.INFO
            _journal.log(level, "%s %s: %s (%s)", event.alarm, event.subject, event.state, event.reason, extra=fields)
        keeper.keep_events(events)
        self._tell_of_wal()
        self._sampler.lamp_says = as_lamp(facts, self._watch.turns.bad_now)
        self._notifier.status(as_line(facts))
        if self._health_path is not None and (self._told_ms is None or now_ms - self._told_ms >= HEALTH_EVERY_MS):
            self._told_ms = now_ms
            account = as_data(
                facts,
                keeper,
                self._sampler.channels,
                site=self._settings.site.name,
                log=self._writer.path,
                started_ms=self._started_ms,
                boot_uuid=self._boot_uuid,
                pending=self._watch.turns.pending(),
            )
            write_health(self._health_path, account)

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


def main(argv: Sequence[str] | None = None) -> None:
    """`rainstead-logger SITE`: run until told to stop by a signal."""
    with until_told("rainstead-logger", "Read a site's sensors into its log.", argv, _journal) as (site, stopped):
        try:
            _run_site(site, stopped)
        except sqlite3.Error as error:
            raise BrokeOff(
                f"{site / 'readings.db'}: the log cannot be begun ({error}); is the disk full, or can it only be read?"
            ) from None


def _run_site(site: Path, stopped: Callable[[], bool]) -> None:
    clock = SystemClock()
    in_force = settings_in_force(site, clock.wall_ms(), tell=_journal.error)
    settings = in_force.settings
    # Named, because the GPIO library would otherwise fall back to another one without a word; and it wants a
    # folder for its FIFO that it may write to.
    os.environ.setdefault("GPIOZERO_PIN_FACTORY", "lgpio")
    runtime = os.environ.get("RUNTIME_DIRECTORY")
    os.environ.setdefault("LG_WD", runtime or tempfile.gettempdir())
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
        most_waiting=settings.log.most_waiting,
        settings_refused=in_force.refused,
        board=BoardCare.of(settings, clock, site, Path(runtime) if runtime else None),
    )
    _journal.info("logging %s with %d sensors", settings.site.name, len(settings.sensors))
    logger.run(stopped)


def _lamp(settings: Settings) -> Lamp | None:
    if settings.lamp is None:
        return None
    gpio = settings.lamp.gpio

    def open_line() -> "OutputLine":
        # A board without GPIO does not load the library for them.
        from .drivers.gpio_line import OutputLine

        return OutputLine(gpio)

    return Lamp(open_line)
