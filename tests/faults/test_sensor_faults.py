"""Sensors that fail, each alone: what they say of it, how they come back, and that the others go on."""

import os
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import serial
from board_site import SITE, SLOW_SITE, BoardSite, Scripted, level
from fake_clock import FakeClock
from said_log import write_said

from rainstead import answers
from rainstead.log import LogReader
from rainstead.readings import Kind, Quality, Reading
from rainstead.settings import TextRanger, parse_settings
from rainstead.sickness import Sickness, find_sickness
from rainstead_board.drivers.ranger_serial import SerialRanger

HOUR_MS = 3_600_000
START_MS = 1_780_000_000_000
SETTINGS = parse_settings(SLOW_SITE, "test")
Says = Callable[[int], float | None]


def noise(t: int) -> float:
    """Some millimetres, from the time alone."""
    return float(np.random.default_rng(t).normal(0, 2))


def warming(t: int) -> float:
    return 12.0 + t / HOUR_MS


class Kept:
    """A log of a level and an air temperature each ten seconds, from a start on."""

    def __init__(
        self,
        folder: Path,
        hours: float,
        level: Says,
        *,
        quality: Callable[[int], Quality] = lambda _: Quality.OK,
        air: Says = lambda _: 12.5,
    ) -> None:
        self.path = folder / "readings.db"
        times = range(0, round(hours * HOUR_MS), 10_000)
        said = {
            "level": [(START_MS + t, level(t), quality(t)) for t in times],
            "air": [(START_MS + t, air(t), Quality.OK) for t in times],
        }
        write_said(self.path, SETTINGS, said)

    def sick(self, hours: float) -> dict[str, Sickness]:
        """As of so many hours after the start."""
        with LogReader(self.path) as reader:
            return find_sickness(SETTINGS, reader, START_MS + round(hours * HOUR_MS))


def test_a_frozen_value_is_told_and_its_tank_is_doubted(tmp_path: Path) -> None:
    kept = Kept(tmp_path, 8, lambda t: 1234.0 + (noise(t) if t < HOUR_MS else 0.0), air=warming)
    assert kept.sick(6.5) == {}
    found = kept.sick(7.5)["level"]
    assert found.state == "frozen" and "while air moved" in found.because
    assert found.since_ms is not None and abs(found.since_ms - (START_MS + HOUR_MS)) <= 10_000
    with LogReader(kept.path) as reader:
        now = answers.now(SETTINGS, reader, START_MS + round(7.5 * HOUR_MS))
    assert [(tank.state, tank.because) for tank in now.tanks] == [("doubtful", f"level: {found.because}")]
    assert now.reserve is not None and now.reserve.because == f"house: level: {found.because}"
    assert [one.state for one in now.sensors if one.name == "level"] == ["frozen"]


def test_the_logger_raises_an_alarm_for_a_frozen_sensor(tmp_path: Path) -> None:
    text = SITE.replace("every = 1\n", "every = 1\nfrozen_after = 600\n")
    air = Scripted("air", Kind.TEMPERATURE, lambda t: [Reading("air", t, 12.0 + t / 60_000)])
    site = BoardSite(tmp_path, [level(lambda _: 1234.0), air], FakeClock(), text=text)
    site.run(1_500)
    assert site.events("sensor_fault") == []
    site.run(1_000)
    site.logger.stop()
    (event,) = site.events("sensor_fault")
    assert event.subject == "level" and "is it frozen?" in event.reason


def test_still_water_in_a_still_site_is_not_called_frozen(tmp_path: Path) -> None:
    assert Kept(tmp_path, 9, lambda _: 1234.0).sick(9) == {}


def test_a_covered_tank_with_ordinary_noise_is_not_called_frozen(tmp_path: Path) -> None:
    assert Kept(tmp_path, 9, lambda t: round(1234.0 + noise(t) / 2), air=warming).sick(9) == {}


@pytest.mark.parametrize(("to_mm", "way"), [(1500.0, "farther from"), (1000.0, "nearer to")])
def test_a_level_that_jumps_more_than_water_can_is_told_for_an_hour(tmp_path: Path, to_mm: float, way: str) -> None:
    kept = Kept(tmp_path, 3, lambda t: (1200.0 if t < HOUR_MS else to_mm) + noise(t))
    found = kept.sick(1.5)["level"]
    assert found.state == "jumped" and way in found.because
    assert found.since_ms == START_MS + HOUR_MS
    assert kept.sick(2.5) == {}


@pytest.mark.parametrize("wild", [1, 2])
def test_a_spike_is_no_jump(tmp_path: Path, wild: int) -> None:
    def says(t: int) -> float:
        return 400.0 if HOUR_MS <= t < HOUR_MS + wild * 10_000 else 1200.0 + noise(t)

    assert Kept(tmp_path, 1.2, says).sick(1.2) == {}


def test_the_hardest_pumping_and_filling_is_no_jump(tmp_path: Path) -> None:
    """1000 litres a minute into and out of the test's tank of 3.8 m2: 263 mm a minute."""
    there_and_back = 240_000

    def says(t: int) -> float:
        into = t % there_and_back
        return 700.0 + 263 * min(into, there_and_back - into) / 60_000 + noise(t)

    assert Kept(tmp_path, 1, says).sick(1) == {}


def test_a_gap_in_the_log_is_no_jump(tmp_path: Path) -> None:
    """While nobody looked, water had time to move."""
    gone = range(HOUR_MS // 2, HOUR_MS)
    kept = Kept(tmp_path, 1.2, lambda t: None if t in gone else (1200.0 if t < HOUR_MS else 700.0) + noise(t))
    assert kept.sick(1.2) == {}


def test_no_echo_for_hours_is_told_with_its_beginning(tmp_path: Path) -> None:
    kept = Kept(
        tmp_path,
        4,
        lambda t: 1200.0 + noise(t) if t < HOUR_MS else None,
        quality=lambda t: Quality.OK if t < HOUR_MS else Quality.NO_ECHO,
    )
    assert kept.sick(1.9) == {}
    found = kept.sick(3.5)["level"]
    assert (found.state, found.since_ms) == ("no_value", START_MS + HOUR_MS)
    with LogReader(kept.path) as reader:
        told = answers.health(SETTINGS, reader, START_MS + 4 * HOUR_MS, site=tmp_path, run_folder=tmp_path)
    (one,) = (report.health for report in told.sensors if report.health.name == "level")
    assert one.because is not None and one.because.startswith("no echo; no usable value for 3.0 h")


def test_a_good_echo_now_and_then_hides_no_ranger_that_has_lost_the_water(tmp_path: Path) -> None:
    def after_an_hour(every_ms: int) -> Callable[[int], Quality]:
        return lambda t: Quality.OK if t < HOUR_MS or t % every_ms == 0 or t >= 5 * HOUR_MS else Quality.NO_ECHO

    (tmp_path / "seldom").mkdir()
    kept = Kept(tmp_path / "seldom", 6, lambda t: 1200.0 + noise(t), quality=after_an_hour(300_000))
    assert kept.sick(1.9) == {}
    found = kept.sick(3.5)["level"]
    assert found.state == "no_value" and found.because == "hardly a usable value for 2.5 h"
    assert found.since_ms is not None and abs(found.since_ms - (START_MS + HOUR_MS)) <= 10_000
    assert kept.sick(5.1) == {}, "minutes of good values end it"
    often = Kept(tmp_path, 4, lambda t: 1200.0 + noise(t), quality=after_an_hour(100_000))
    assert often.sick(3.5) == {}


def test_a_full_tank_too_near_to_be_measured_is_not_sick(tmp_path: Path) -> None:
    assert Kept(tmp_path, 3, lambda _: 240.0, quality=lambda _: Quality.BLANKED).sick(3) == {}


def test_one_sick_sensor_leaves_the_others_alone(tmp_path: Path) -> None:
    def broken(_: int) -> list[Reading]:
        raise OSError("a wire fell off")

    site = BoardSite(tmp_path, [Scripted("gauge", Kind.TIP, broken), level(lambda t: 1200.0 + t % 7)], FakeClock())
    site.run(1200)
    site.logger.stop()
    assert len(site.stamps("level")) >= 1200
    (event,) = site.events("sensor_fault")
    assert event.subject == "gauge" and "a wire fell off" in event.reason


def test_a_sensor_that_is_never_away_for_long_raises_no_alarm(tmp_path: Path) -> None:
    def now_and_then(t: int) -> list[Reading]:
        if t % 600_000 < 300_000:
            raise OSError("loose")
        return [Reading("level", t, 1200.0)]

    site = BoardSite(tmp_path, [Scripted("level", Kind.LEVEL, now_and_then)], FakeClock())
    site.run(3 * 3600)
    site.logger.stop()
    assert site.events("sensor_fault") == []


# --- serial ports -------------------------------------------------------------------------------------------------


class Port:
    """A serial line behind a name that stays, as the system gives names by what the adapter is."""

    def __init__(self, by_id: Path) -> None:
        self.by_id = by_id
        self.near = -1

    def plug(self) -> None:
        self.near, far = os.openpty()
        tty.setraw(far)
        self.by_id.unlink(missing_ok=True)
        self.by_id.symlink_to(os.ttyname(far))
        self._far = far

    def unplug(self) -> None:
        os.close(self.near)
        os.close(self._far)
        self.by_id.unlink()

    def send(self, data: bytes) -> None:
        os.write(self.near, data)


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    port = Port(tmp_path / "usb-adapter-if00")
    port.plug()
    yield port
    port.unplug()


def serial_ranger(port: Port) -> SerialRanger:
    return SerialRanger(
        "level", TextRanger.model_validate({"kind": "ranger-text", "port": str(port.by_id), "every": 1.0})
    )


def poll(
    ranger: SerialRanger, clock: FakeClock, seconds: float, data: Callable[[], None] = lambda: None
) -> list[Reading]:
    readings, until_ms = [], clock.now_ms + round(seconds * 1000)
    while clock.now_ms < until_ms:
        data()
        readings += ranger.poll(clock.now_ms)
        clock.now_ms += 250
    return readings


def test_an_adapter_that_returns_under_another_number_is_found_by_its_name(port: Port) -> None:
    clock, ranger = FakeClock(), serial_ranger(port)
    good = poll(ranger, clock, 3, lambda: port.send(b"R1200\r"))
    assert good[-1].value == 1200
    first = port.by_id.readlink()
    held = os.open(first, os.O_RDWR | os.O_NOCTTY)  # so that its old number is given to nobody
    port.unplug()
    gone = poll(ranger, clock, 5)
    assert {one.quality for one in gone[-3:]} == {Quality.ABSENT}
    assert ranger.trouble is not None and "there is no such port" in ranger.trouble
    port.plug()
    assert port.by_id.readlink() != first
    back = poll(ranger, clock, 70, lambda: port.send(b"R1300\r"))
    assert back[-1].value == 1300 and ranger.trouble is None
    assert ranger.counts()["opened_anew"] >= 1
    os.close(held)
    ranger.close(clock.now_ms)


def test_line_noise_is_counted_and_makes_no_level(port: Port) -> None:
    clock, ranger = FakeClock(), serial_ranger(port)
    noise = bytes(range(256))
    rows = poll(ranger, clock, 10, lambda: port.send(noise))
    assert all(one.value is None for one in rows)
    assert {one.quality for one in rows[1:]} == {Quality.GARBLED}
    assert ranger.trouble is not None and "no frame among them" in ranger.trouble
    assert ranger.counts()["bad_bytes"] > 1000
    ranger.close(clock.now_ms)


def test_a_forbidden_port_says_who_may_open_it(port: Port, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(serial, "Serial", forbidden)
    clock, ranger = FakeClock(), serial_ranger(port)
    poll(ranger, clock, 3)
    assert ranger.trouble is not None and "this user may not open it" in ranger.trouble
    monkeypatch.undo()
    poll(ranger, clock, 70, lambda: port.send(b"R900\r"))
    assert ranger.trouble is None
    ranger.close(clock.now_ms)


def test_a_thousand_unplugs_leave_no_descriptor_behind(port: Port) -> None:
    clock, ranger = FakeClock(), serial_ranger(port)
    poll(ranger, clock, 1)
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(1000):
        port.unplug()
        poll(ranger, clock, 0.5)
        port.plug()
        clock.now_ms += 61_000
        poll(ranger, clock, 0.5)
    assert len(list(Path("/proc/self/fd").iterdir())) <= before + 1
    ranger.close(clock.now_ms)
