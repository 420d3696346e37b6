"""A logger on a clock that the test moves, with sensors that say what the test says."""

import random
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from fake_clock import FakeClock

from rainstead.derive import Derived
from rainstead.events import AlarmEvent
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Batch, Kind, Quality, Reading
from rainstead.settings import Settings, parse_settings
from rainstead_board.keeper import Keeper
from rainstead_board.logger import Logger

__all__ = ["SITE", "SLOW_SITE", "BoardSite", "Scripted", "busy_channels", "level"]

SITE = """
[site]
name = "a test's site"
time_zone = "Europe/Lisbon"
latitude_deg = 39
[clock]
trust = "system"
[sensors.gauge]
kind = "tipping-bucket"
gpio = 5
calibrations = [{ depth_per_tip = 0.2 }]
[sensors.flow]
kind = "flow-pulse"
gpio = 17
calibrations = [{ k_factor_per_l = 390 }]
[sensors.air]
kind = "one-wire"
path = "/nowhere"
[sensors.level]
kind = "ranger-text"
port = "/dev/nowhere"
every = 1
air = "air"
[tanks.house]
sensor = "level"
face_height = 2.5
brim = 2
calibrations = [{ shape = "cylinder", diameter = 2.2 }]
[rain]
gauge = "gauge"
[pump]
source = "house"
meter = "flow"
[reserve]
fire = 5000
tanks = ["house"]
[alarms]
overflow_risk = { freeboard = 300, on_delay = 10, off_delay = 10 }
low_reserve = { on_delay = 10, off_delay = 10 }
"""
SLOW_SITE = SITE.replace("every = 1\n", "every = 10\n")
"""The same, whose ranger is asked every ten seconds."""


class Scripted:
    """A channel that says what a function says, once a second."""

    def __init__(self, name: str, kind: Kind, says: Callable[[int], list[Reading]]) -> None:
        self.name, self.kind, self._says = name, kind, says
        self.trouble: str | None = None
        self._next_ms = 0
        self.closed = False
        self.at_close: Callable[[int], list[Reading]] = lambda _: []

    def poll(self, boot_ms: int) -> list[Reading]:
        self._next_ms = boot_ms + 1000
        return self._says(boot_ms)

    def next_due_ms(self, boot_ms: int) -> int:
        return max(boot_ms, self._next_ms)

    def close(self, boot_ms: int) -> list[Reading]:
        self.closed = True
        return self.at_close(boot_ms)


class BoardSite:
    """A logger on a fake clock, and everything that it derived."""

    def __init__(
        self,
        folder: Path,
        channels: Sequence[Any],
        clock: FakeClock,
        trusted: bool = True,
        *,
        text: str = SITE,
        boot: str = "test",
        writer: LogWriter | None = None,
        **more: Any,
    ) -> None:
        self.path, self.clock, self.trusted = folder / "readings.db", clock, trusted
        self.settings: Settings = parse_settings(text, "test")
        self.seen: list[tuple[Batch, Derived]] = []
        self.logger = Logger(
            self.settings,
            text,
            writer or LogWriter(self.path),
            channels,
            clock,
            clock_is_trusted=lambda: self.trusted,
            boot_uuid=boot,
            on_derived=lambda batch, derived: self.seen.append((batch, derived)),
            **more,
        )

    @property
    def keeper(self) -> Keeper:
        """What writes the log, while there is one."""
        assert isinstance(self.logger._keeper, Keeper), self.logger._keeper.disk_trouble
        return self.logger._keeper

    def run(self, seconds: float) -> None:
        """Step for so long by the test's clock."""
        until_ms = self.clock.now_ms + round(seconds * 1000)
        while self.clock.now_ms < until_ms:
            self.clock.wait_until(min(self.logger.step(), until_ms))

    def stamps(self, sensor: str) -> list[int]:
        """Of all readings of a sensor that the log has."""
        with LogReader(self.path) as reader:
            return [t for batch in reader.batches(sensors=[sensor]) for t in batch.t_ms.tolist()]

    def values(self, sensor: str) -> list[float]:
        """Raw values of all readings of a sensor that the log has."""
        with LogReader(self.path) as reader:
            return [v for batch in reader.batches(sensors=[sensor]) for v in batch.value.tolist()]

    def events(self, alarm: str) -> list[AlarmEvent]:
        """What the log has of an alarm, oldest first."""
        with LogReader(self.path) as reader:
            return [event for event in reader.events() if event.alarm == alarm]


def level(mm: Callable[[int], float | None], quality: Quality = Quality.OK) -> Scripted:
    return Scripted("level", Kind.LEVEL, lambda t: [Reading("level", t, mm(t), quality, 1.5, 8)])


def busy_channels(seed: int) -> list[Scripted]:
    """A tank that fills past its brim and empties, a shower, a pump run, an air probe; all ragged, from a seed."""
    rnd = random.Random(seed)

    def tips(t: int) -> list[Reading]:
        if t % 60_000 < 20_000:
            return [Reading("gauge", t - rnd.randrange(900), 1.0)]
        return []

    def pulses(t: int) -> list[Reading]:
        running = 30_000 < t < 90_000
        return [Reading("flow", t, float(rnd.randrange(300, 420)) if running else 0.0)]

    def depth(t: int) -> float:
        return 1400 - 1000 * abs(((t / 1000) % 200) / 100 - 1) + rnd.gauss(0, 3)

    return [
        level(depth),
        Scripted("gauge", Kind.TIP, tips),
        Scripted("flow", Kind.PULSE, pulses),
        Scripted("air", Kind.TEMPERATURE, lambda t: [Reading("air", t, 15 + rnd.random())] if t % 7 == 0 else []),
    ]
