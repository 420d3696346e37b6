"""Two level sensors whose plugs or names have changed places, and all that only looks like it."""

import fcntl
import os
import sys
import termios
import time
import tty
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest
from board_site import SLOW_SITE, BoardSite, Scripted
from fake_clock import FakeClock
from said_log import Said, write_said

from rainstead import answers
from rainstead.log import LogReader
from rainstead.readings import Kind, Quality, Reading
from rainstead.settings import TextRanger, parse_settings
from rainstead.sickness import Sickness, find_sickness
from rainstead_board.drivers.ranger_serial import SerialRanger

HOUR_MS = 3_600_000
START_MS = 1_780_000_000_000
SECOND = """
[sensors.pool_level]
kind = "ranger-text"
port = "/dev/nowhere_else"
every = 10
[tanks.pool]
sensor = "pool_level"
face_height = 2.5
brim = 2
calibrations = [{ shape = "cylinder", diameter = 3 }]
[sensors.level]"""
TEXT = SLOW_SITE.replace("\n[sensors.level]", SECOND)
SETTINGS = parse_settings(TEXT, "test")
Says = Callable[[int], float | None]


def noise(t: int, number: int) -> float:
    """Some millimetres, from the time alone."""
    return float(np.random.default_rng([t, number]).normal(0, 2))


def sick(
    folder: Path,
    hours: float,
    says: Mapping[str, Says],
    *,
    is_on: Callable[[int], bool] = lambda _: True,
) -> dict[str, Sickness]:
    """What is found at the end of so many hours. is_on: whether the board ran; None of a sensor: absent."""
    path = folder / "readings.db"

    def told(number: int, say: Says, t: int) -> Said:
        mm = say(t)
        return START_MS + t, None if mm is None else mm + noise(t, number), Quality.ABSENT if mm is None else Quality.OK

    times = list(filter(is_on, range(0, round(hours * HOUR_MS), 10_000)))
    said = {name: [told(number, say, t) for t in times] for number, (name, say) in enumerate(says.items())}
    write_said(path, SETTINGS, said)
    with LogReader(path) as reader:
        return find_sickness(SETTINGS, reader, START_MS + round(hours * HOUR_MS))


def level_then(before: float, away: range, after: float) -> Says:
    return lambda t: before if t < away.start else None if t in away else after


@pytest.mark.parametrize("away_min", [0, 2, 60])
def test_two_sensors_that_changed_places_are_told_however_long_they_were_away(tmp_path: Path, away_min: int) -> None:
    away = range(HOUR_MS, HOUR_MS + away_min * 60_000)
    found = sick(
        tmp_path,
        5,
        {"level": level_then(900, away, 1400), "pool_level": level_then(1400, away, 900)},
    )
    assert {name: one.state for name, one in found.items()} == {"level": "swapped", "pool_level": "swapped"}
    assert "what pool_level said before" in found["level"].because and "which plug" in found["level"].because
    assert found["level"].since_ms == START_MS + away.stop
    with LogReader(tmp_path / "readings.db") as reader:
        tanks = answers.now(SETTINGS, reader, START_MS + 5 * HOUR_MS - 1).tanks
    assert {tank.state for tank in tanks} == {"doubtful"}


def test_a_swap_while_the_board_was_off_for_days_is_told(tmp_path: Path) -> None:
    off = range(HOUR_MS, 60 * HOUR_MS)
    found = sick(
        tmp_path,
        61,
        {"level": level_then(900, off, 1410), "pool_level": level_then(1400, off, 890)},
        is_on=lambda t: t not in off,
    )
    assert {one.state for one in found.values()} == {"swapped"} and len(found) == 2


def test_the_one_plug_may_follow_the_other_minutes_later(tmp_path: Path) -> None:
    first, second = range(HOUR_MS, HOUR_MS + 60_000), range(HOUR_MS + 300_000, HOUR_MS + 400_000)
    found = sick(tmp_path, 3, {"level": level_then(900, first, 1400), "pool_level": level_then(1400, second, 900)})
    assert {one.state for one in found.values()} == {"swapped"} and len(found) == 2


def test_plugs_that_were_put_back_are_no_swap_any_more(tmp_path: Path) -> None:
    def there_and_back(own: float, other: float) -> Says:
        return lambda t: other if HOUR_MS <= t < 2 * HOUR_MS else own

    says = {"level": there_and_back(900, 1400), "pool_level": there_and_back(1400, 900)}
    assert sick(tmp_path, 4, says) == {}


@pytest.mark.parametrize(
    ("level", "pool"),
    [
        ((1400, 900), (1200, 1200)),  # a refill
        ((1400, 900), (900, 1150)),  # a transfer, out of a tank that is twice as wide
        ((1400, 900), (1700, 1400)),  # rain on both
        ((1200, 1240), (1240, 1200)),  # too near to one another to be told apart
    ],
)
def test_a_refill_or_a_transfer_during_a_long_outage_is_no_swap(
    tmp_path: Path, level: tuple[float, float], pool: tuple[float, float]
) -> None:
    away = range(HOUR_MS, 2 * HOUR_MS)
    assert (
        sick(
            tmp_path,
            4,
            {"level": level_then(level[0], away, level[1]), "pool_level": level_then(pool[0], away, pool[1])},
        )
        == {}
    )


class Plug:
    """A sensor on an adapter of its own; which name the system gives it is the test's to say."""

    def __init__(self, mm: int) -> None:
        self.near, self._far = os.openpty()
        tty.setraw(self._far)
        self.mm, self.node = mm, os.ttyname(self._far)
        self.is_in = True

    def send(self) -> None:
        """One frame; returns when it can be read."""
        if not self.is_in:
            return
        frame = b"R%04d\r" % self.mm
        before = self._waiting()
        os.write(self.near, frame)
        until_s = time.monotonic() + 10
        while self._waiting() < before + len(frame):
            assert time.monotonic() < until_s
            os.sched_yield()

    def _waiting(self) -> int:
        return int.from_bytes(fcntl.ioctl(self._far, termios.FIONREAD, bytes(4)), sys.byteorder)

    def pull(self) -> None:
        os.close(self.near)
        os.close(self._far)
        self.is_in = False


@pytest.fixture
def links(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    """Two names of adapters that share one serial number."""
    folder = tmp_path / "by-id"
    folder.mkdir()
    yield folder / "adapter-if00", folder / "adapter-if01"


def test_two_ports_whose_links_were_swapped_while_unplugged_are_doubted(
    tmp_path: Path, links: tuple[Path, Path]
) -> None:
    plugs = [Plug(900), Plug(1400)]

    def plug_in(order: list[Plug]) -> None:
        for link, plug in zip(links, order, strict=True):
            link.unlink(missing_ok=True)
            link.symlink_to(plug.node)

    def feed(_: int) -> list[Reading]:
        for plug in plugs:
            plug.send()
        return []

    plug_in(plugs)
    rangers = [
        SerialRanger(
            name,
            TextRanger.model_validate({"kind": "ranger-text", "port": str(link), "every": 2.0, "fewest_echoes": 1}),
        )
        for name, link in zip(("level", "pool_level"), links, strict=True)
    ]
    site = BoardSite(tmp_path, [Scripted("air", Kind.TEMPERATURE, feed), *rangers], FakeClock(), text=TEXT)
    site.run(120)
    for plug in plugs:
        plug.pull()
    site.run(90)  # water could have moved by 0.8 m meanwhile: no jump
    plugs[:] = [Plug(902), Plug(1398)]
    plug_in(plugs[::-1])
    site.run(2_000)
    site.logger.stop()
    assert site.values("level")[-1] == 1398 and site.values("pool_level")[-1] == 902
    told = {event.subject: event.reason for event in site.events("sensor_fault") if event.state != "normal"}
    assert set(told) == {"level", "pool_level"}
    assert all("may be another sensor" in reason for reason in told.values())
    for plug in plugs:
        plug.pull()
