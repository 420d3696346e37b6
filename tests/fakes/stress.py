"""Hours of a site's life in minutes: the twin's sensors, real drivers, the logger, faults from a seed; then the truth.

One clock that is moved by hand drives the twin and the logger, step by step. In the end every tip and all pulses of the
log, and the last level of each tank, are held against what the twin made; alarms against those of a replay.
"""

import contextlib
import random
import sqlite3
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fake_clock import FakeClock
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from rainstead.answers import replay_log
from rainstead.derive import Deriver
from rainstead.log import LogReader, LogWriter, check_log
from rainstead.replay import state_at
from rainstead.settings import parse_settings
from rainstead_board.drivers import build_channels
from rainstead_board.logger import Logger
from rainstead_board.twin import demo_history, demo_settings_text
from rainstead_board.twin.harness import LiveTwin, Script

__all__ = ["Report", "Stress"]

TRUE_MS = 1_780_000_000_000
LOST_BY_A_CUT_MS = 14_000
"""A commit each ten seconds, two seconds held back, and the loop's own second."""
SCRIPT = Script(storm_s=(60.0, 700.0), storm_mm_h=90.0, pump_s=(800.0, 950.0), pump_l_min=50.0, period_s=1500.0)


class SteppedPins(MockFactory):  # type: ignore[misc]  # gpiozero has no type hints
    """Ticks that follow the clock that is moved by hand."""

    clock: FakeClock

    def ticks(self) -> float:
        return self.clock.now_ms / 1000


@dataclass(slots=True)
class Report:
    """What a run did, and what was wrong in the end."""

    seed: int
    hours: float
    faults: dict[str, int] = field(default_factory=dict)
    tips: int = 0
    tips_lost_by_cuts: int = 0
    pulses: int = 0
    pulses_lost_by_cuts: int = 0
    readings: int = 0
    wrong: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Boot:
    """A boot of the board: from when on, and what its wall clock was ahead of the boot clock in the end."""

    from_ms: int
    offset_ms: int


class Stress:
    """One site, one seed."""

    def __init__(self, folder: Path, seed: int, hours: float) -> None:
        self.report = Report(seed, hours)
        self._rnd, self._folder, self._seed = random.Random(seed), folder, seed
        self.clock = FakeClock(boot_ms=60_000, wall_ms=TRUE_MS)
        self._until_ms = self.clock.now_ms + round(hours * 3_600_000)
        self._text = demo_settings_text(folder, every="2 s")
        self._settings = parse_settings(self._text, "soak")
        self._pins = SteppedPins()
        self._pins.clock = self.clock
        Device.pin_factory = self._pins
        history = demo_history(self._settings, end_ms=TRUE_MS, days=2, seed=seed)
        self._twin = LiveTwin(self._settings, history.end, folder, self.clock, self._pins, script=SCRIPT, seed=seed)
        self._trusted = True
        self._boots = [_Boot(self.clock.now_ms, self.clock.offset_ms)]
        self._not_down: int | None = None
        """What this boot was dated by before the clock was set, while no disk takes the correction."""
        self._dated_in_memory = False
        """This boot's clock became trusted while no disk takes that word."""
        self._healed_ms = -(2**62)
        self._cuts_ms: list[int] = []
        self._away: list[tuple[int, int, str]] = []
        """When which sensor was unplugged or held, and until when."""
        self._closed_ms: list[int] = []
        """When the switch was held closed: no gauge can tell such a closure from a tip."""
        self._let_go_ms: list[int] = []
        """When it was let go of: what closes within its bounce is taken for the same closure."""
        self._started_ms: list[int] = []
        self._pulse_history: list[tuple[int, int]] = []
        self._later: list[tuple[int, Callable[[], None]]] = []
        self._refusing = self._ending = False
        self._logger: Logger
        self._start_logger()

    # --- life ----------------------------------------------------------------------------------------------------

    def run(self) -> Report:
        """Live, then compare."""
        self._plan_next()
        while self.clock.now_ms < self._until_ms:
            self._step()
        self._calm_down()
        self._logger.stop()
        self._twin.stop()
        self._compare()
        self._pins.reset()
        Device.pin_factory = None
        return self.report

    def _step(self) -> None:
        now_ms = self.clock.now_ms
        twin_due_ms = round(self._twin.step(now_ms / 1000) * 1000)
        if not self._pulse_history or now_ms - self._pulse_history[-1][0] >= 500:
            self._pulse_history.append((now_ms, self._twin.pulses))
        due_ms = self._logger.step()
        for at_ms, do in sorted(self._later, key=lambda one: one[0]):
            if at_ms <= now_ms:
                self._later.remove((at_ms, do))
                do()
        # Edges carry their own stamps: that they come in bunches changes nothing.
        self.clock.wait_until(max(now_ms + 50, min(due_ms, twin_due_ms)))

    def _start_logger(self) -> None:
        writer = LogWriter(self._folder / "readings.db")
        append = writer.append

        def maybe(rows: Any) -> int:
            if self._refusing:
                raise sqlite3.OperationalError("database or disk is full")
            return append(rows)

        writer.append = maybe  # type: ignore[method-assign]
        self._logger = Logger(
            self._settings,
            self._text,
            writer,
            build_channels(self._settings, self.clock),
            self.clock,
            clock_is_trusted=lambda: self._trusted,
            boot_uuid=f"boot {len(self._boots)}",
        )
        self._writer = writer
        self._started_ms.append(self.clock.now_ms)
        # Its lines are open before the twin goes on: how long a start takes is no case for the truth.
        self._logger.step()

    def _calm_down(self) -> None:
        """Whatever is wrong still is mended, and some time goes by."""
        self._ending = True
        while self._later:
            _, do = self._later.pop(0)
            do()
        self._refusing = False
        until_ms = self.clock.now_ms + 120_000
        while self.clock.now_ms < until_ms:
            self._step()

    # --- faults --------------------------------------------------------------------------------------------------

    def _in(self, seconds: float, do: Callable[[], None]) -> None:
        self._later.append((self.clock.now_ms + round(seconds * 1000), do))

    def _plan_next(self) -> None:
        if not self._ending:
            self._in(self._rnd.uniform(20, 240), self._something)

    def _something(self) -> None:
        if self._ending:
            return
        name, do = self._rnd.choice(
            [
                ("unplug", self._unplug),
                ("garble", self._garble),
                ("hold the switch", self._hold),
                ("disk full", self._refuse),
                ("clock set", self._set_clock),
                ("restart", self._restart),
                ("kill", self._kill),
                ("power cut", self._power_cut),
            ]
        )
        self.report.faults[name] = self.report.faults.get(name, 0) + 1
        do()
        self._plan_next()

    def _unplug(self) -> None:
        name = self._rnd.choice([name for name in self._settings.sensors if name != self._gauge])
        self._twin.unplug(name)
        began_ms = self.clock.now_ms

        def back() -> None:
            self._twin.replug(name)
            self._away.append((began_ms, self.clock.now_ms, name))

        self._in(self._rnd.uniform(5, 200), back)

    def _garble(self) -> None:
        with contextlib.suppress(ValueError):
            self._twin.garble(self._rnd.choice(list(self._settings.sensors)), self._rnd.randrange(1, 2000))

    def _hold(self) -> None:
        self._twin.hold_switch_closed()
        self._closed_ms.append(self.clock.now_ms)

        def let_go() -> None:
            self._twin.hold_switch_closed(False)
            self._let_go_ms.append(self.clock.now_ms)

        self._in(self._rnd.uniform(1, 90), let_go)

    def _refuse(self) -> None:
        self._refusing = True

        def heal() -> None:
            self._refusing, self._not_down, self._dated_in_memory = False, None, False
            self._healed_ms = self.clock.now_ms

        self._in(self._rnd.uniform(5, 400), heal)

    def _set_clock(self) -> None:
        """By two minutes to two days; this boot is then dated by what it was set to.

        Back only in the first boot: to set one behind another that was dated is to say that both were right.
        """
        if self._refusing and self._not_down is None:
            self._not_down = self._boots[-1].offset_ms
        way = self._rnd.choice([-1, 1]) if len(self._boots) == 1 else 1
        self.clock.step_wall(way * round(self._rnd.uniform(120_000, 172_800_000)))
        self._boots[-1].offset_ms = self.clock.offset_ms

    def _restart(self) -> None:
        refused, self._refusing = self._refusing, False
        # The log can be written to at its stop, and a next run dates what was before it.
        self._not_down, self._dated_in_memory = None, False
        self._logger.stop()
        self._start_logger()
        self._refusing = refused

    def _kill(self) -> None:
        """Nothing is flushed. What the disk refused is lost with the memory that it waited in."""
        oldest_ms = self._logger._waiting.oldest_ms()
        self._cuts_ms.append(self.clock.now_ms)
        if oldest_ms is not None:
            self._away.append((oldest_ms - 1000, self.clock.now_ms, "all"))
        for channel in self._logger._sampler.channels:
            channel.close(self.clock.now_ms)
        self._writer.close()
        self._start_logger()
        self._not_down, self._dated_in_memory = None, False

    def _power_cut(self) -> None:
        """The board boots again with a clock that is wrong by years, and is set after a while."""
        if not self._trusted or self._dated_in_memory:
            return  # a boot that ends before its date is down stays a guess, and is no case for exact stamps
        if self.clock.now_ms - self._healed_ms < 10_000:
            return  # whether the log has heard of the clock by now is the order of two moments
        true_offset_ms = self._boots[-1].offset_ms
        if self._not_down is not None:
            # The disk took no word of the clock's being set, and memory is gone: that boot stays as it was dated.
            self._boots[-1].offset_ms, self._not_down = self._not_down, None
        self._boots.append(_Boot(self.clock.now_ms, true_offset_ms))
        self.clock.step_wall(-round(self._rnd.uniform(1e8, 1e11)))
        self._trusted = False
        self._kill()

        def set_right() -> None:
            # Somebody may have set it in the meantime; the last word counts.
            if not self._trusted:
                self.clock.step_wall(true_offset_ms - self.clock.offset_ms)
                self._boots[-1].offset_ms = true_offset_ms
                self._trusted, self._dated_in_memory = True, self._refusing

        self._in(self._rnd.uniform(5, 300), set_right)

    # --- the truth -------------------------------------------------------------------------------------------------

    @property
    def _gauge(self) -> str:
        assert self._settings.rain is not None
        return self._settings.rain.gauge

    def _stamp(self, boot_ms: int) -> int:
        k = bisect_right([boot.from_ms for boot in self._boots], boot_ms) - 1
        return boot_ms + self._boots[max(k, 0)].offset_ms

    def _compare(self) -> None:
        wrong = self.report.wrong
        check = check_log(self._folder / "readings.db")
        if check.faults:
            wrong.append(f"the log is damaged: {check.faults}")
        with LogReader(self._folder) as reader:
            self.report.readings = reader.count()
            self._tips(reader)
            self._pulses(reader)
            self._levels(reader)
            replayed = replay_log(self._settings, reader, 2**62)
            if not replayed.is_identical:
                wrong.append(f"replay finds other alarms: {replayed.events[:4]}")
            if reader.undated_runs():
                wrong.append(f"runs without a date: {reader.undated_runs()}")

    def _tips(self, reader: LogReader) -> None:
        assert self._settings.rain is not None
        logged = []
        for batch in reader.batches(sensors=[self._gauge]):
            mine = batch.of(self._gauge)
            logged += mine.t_ms[mine.value > 0].tolist()
        truth = sorted((self._stamp(t), t) for t in self._twin.tips_ms)
        stamps = [stamp for stamp, _ in truth]
        logged.sort()
        found, held = set(), 0
        for t_ms in logged:
            k = bisect_left(stamps, t_ms - 5)
            if k == len(stamps) or stamps[k] > t_ms + 5:
                if any(abs(self._stamp(closed_ms) - t_ms) <= 5 for closed_ms in self._closed_ms):
                    held += 1
                    continue
                self.report.wrong.append(f"a tip at {t_ms} that never was")
            else:
                found.add(k)
        if len(found) != len(logged) - held:
            self.report.wrong.append(f"{len(logged) - held} tips logged for {len(found)} that were")
        missing = [boot_ms for k, (_, boot_ms) in enumerate(truth) if k not in found]
        excused = [t for t in missing if self._cut_near(t) or self._taken_for_bounce(t)]
        self.report.tips, self.report.tips_lost_by_cuts = len(truth), len(excused)
        if len(missing) > len(excused):
            self.report.wrong.append(f"{len(missing) - len(excused)} tips of {len(truth)} are missing without a reason")

    def _taken_for_bounce(self, boot_ms: int) -> bool:
        """Soon after a switch was let go of, or within the bounce time of a start, perhaps in mid-closure."""
        return any(0 <= boot_ms - at <= 400 for at in self._let_go_ms) or any(
            0 <= boot_ms - at <= 110 for at in self._started_ms
        )

    def _pulses(self, reader: LogReader) -> None:
        assert self._settings.pump is not None and self._settings.pump.meter is not None
        meter = self._settings.pump.meter
        logged = 0
        for batch in reader.batches(sensors=[meter]):
            values = batch.of(meter).value
            logged += int(values[values > 0].sum())
        at, counts = [t for t, _ in self._pulse_history], [n for _, n in self._pulse_history]

        def made(from_ms: int, to_ms: int) -> int:
            low, high = max(bisect_right(at, from_ms) - 1, 0), min(bisect_left(at, to_ms), len(at) - 1)
            return counts[high] - counts[low]

        most_lost = sum(made(cut_ms - LOST_BY_A_CUT_MS, cut_ms) for cut_ms in self._cuts_ms)
        most_lost += sum(made(a, b) for a, b, name in self._away if name == "all")
        lost = self._twin.pulses - logged
        self.report.pulses, self.report.pulses_lost_by_cuts = self._twin.pulses, lost
        if not 0 <= lost <= most_lost:
            self.report.wrong.append(f"{lost} pulses of {self._twin.pulses} lost, where cuts explain {most_lost}")

    def _levels(self, reader: LogReader) -> None:
        deriver = Deriver(self._settings)
        state = state_at(reader, deriver, upto_ms=self.clock.wall_ms())
        now = dict(zip(deriver.tank_names, (tank.now for tank in state.tanks), strict=True))
        for name, litres in zip(self._settings.tanks, self._twin.volumes_l, strict=True):
            told = now.get(name)
            if told is None or told.volume_l is None or told.volume_u_l is None:
                continue
            if abs(told.volume_l - litres) > 4 * told.volume_u_l + 15:
                self.report.wrong.append(f"{name}: {told.volume_l:.0f} L logged, {litres:.0f} L in it")

    def _cut_near(self, boot_ms: int) -> bool:
        return any(cut - LOST_BY_A_CUT_MS <= boot_ms <= cut + 1000 for cut in self._cuts_ms) or any(
            a <= boot_ms <= b for a, b, name in self._away if name == "all"
        )
