"""Readings of one moment are worked out in the log's order, whatever the order in which sensors are polled."""

import random
from pathlib import Path

from fake_clock import FakeClock

from rainstead.derive import Derived, Deriver
from rainstead.events import AlarmEvent
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Batch, Kind, Reading
from rainstead.replay import replay
from rainstead.settings import parse_settings
from rainstead_board.logger import Logger

SITE = """
[site]
name = "two tanks"
time_zone = "UTC"
latitude_deg = 0
[reserve]
fire = 9000
tanks = ["a", "b"]
[alarms]
low_reserve = { deadband = 10, on_delay = 0, off_delay = 0 }
""" + "".join(
    f"""
[sensors.{name}_level]
kind = "ranger-text"
port = "/dev/{name}"
every = 1
median_of = 1
[tanks.{name}]
sensor = "{name}_level"
face_height = 2.5
brim = 2
calibrations = [{{ shape = "cylinder", diameter = 2.2 }}]
"""
    for name in ("a", "b")
)


class Level:
    """A ranger whose water moves at random, read at every whole second."""

    kind = Kind.LEVEL
    trouble: str | None = None

    def __init__(self, name: str, seed: int) -> None:
        self.name, self._rnd, self._next_ms = name, random.Random(seed), 0

    def poll(self, boot_ms: int) -> list[Reading]:
        self._next_ms = (boot_ms // 1000 + 1) * 1000
        return [Reading(self.name, boot_ms // 1000 * 1000, self._rnd.uniform(1000, 1600))]

    def next_due_ms(self, boot_ms: int) -> int:
        return max(boot_ms, self._next_ms)

    def close(self, boot_ms: int) -> list[Reading]:  # noqa: ARG002 - the protocol's
        return []


def test_sensors_polled_against_the_logs_order_give_the_same_alarms(tmp_path: Path) -> None:
    settings, clock = parse_settings(SITE, "test"), FakeClock(boot_ms=5_000)
    live: list[AlarmEvent] = []

    def keep(_: Batch, derived: Derived) -> None:
        live.extend(derived.events)

    logger = Logger(
        settings,
        SITE,
        LogWriter(tmp_path / "readings.db"),
        [Level("b_level", 1), Level("a_level", 2)],
        clock,
        clock_is_trusted=lambda: True,
        boot_uuid="test",
        on_derived=keep,
    )
    for _ in range(200):
        clock.wait_until(logger.step())
    logger.stop()
    with LogReader(tmp_path / "readings.db") as reader:
        later = [event for _, derived in replay(reader, Deriver(settings)) for event in derived.events]
    assert len(later) > 10
    assert live == later
