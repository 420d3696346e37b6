"""The twin on its wires, read by a few lines of the test's own. `step` is given its time, so nothing sleeps."""

import threading
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import serial
from fake_clock import FakeClock
from gpiozero.pins.mock import MockFactory

from rainstead.errors import RainsteadError
from rainstead.settings import Settings
from rainstead_board.twin import SiteState, TwinSite, demo_settings_text
from rainstead_board.twin.harness import LiveTwin
from rainstead_board.twin.lines import check_byte
from rainstead_board.twin.live_water import Script
from rainstead_board.twin.waterworks import first_state

NOON_MS = 1_783_252_800_000  # 2026-07-05 12:00 UTC
SCRIPT = Script(storm_s=(1, 31), storm_mm_h=120, pump_s=(40, 50), pump_l_min=55, period_s=1000)

Make = Callable[..., "Rig"]


class Rig:
    """A live twin, its time in the test's hand, and an ear at each of its pins."""

    def __init__(self, folder: Path, **options: Any) -> None:
        self.settings = Settings.model_validate(tomllib.loads(demo_settings_text(folder)))
        self.folder, self.factory, self.clock = folder, MockFactory(), FakeClock(wall_ms=NOON_MS)
        self.site = TwinSite.from_settings(self.settings, seed=1, sensor_offset_m=0.0, gap_warmer_c=0.0, gutter_l_s=9)
        self.state: SiteState = first_state(self.site, NOON_MS, 0.5)
        options = {"script": SCRIPT, "lost_echo_ratio": 0.0, "site": self.site, **options}
        self.twin = LiveTwin(self.settings, self.state, folder, self.clock, self.factory, **options)
        self.start_s = float(self.factory.ticks())
        self.heard: dict[int, list[tuple[float, int]]] = {17: [], 24: [], 27: []}
        self._ears = [self._listen(gpio, heard) for gpio, heard in self.heard.items()]
        self.trigger = self.factory.pin(23)
        self.trigger.function = "output"
        self.trigger.state = False

    def _listen(self, gpio: int, heard: list[tuple[float, int]]) -> Callable[[float, int], None]:
        def ear(ticks_s: float, level: int) -> None:
            heard.append((ticks_s, level))

        pin = self.factory.pin(gpio)
        pin.function, pin.pull = "input", "floating" if gpio == 24 else "up"
        pin.when_changed = ear  # the pin keeps a weak reference; we keep the ear
        return ear

    def live(self, from_s: float, to_s: float, every_s: float = 0.02) -> None:
        for at_s in np.arange(from_s, to_s, every_s):
            self.clock.now_ms = 5_000 + int(at_s * 1000)
            self.twin.step(self.start_s + at_s)

    def closures_s(self, gpio: int) -> list[float]:
        return [ticks_s - self.start_s for ticks_s, level in self.heard[gpio] if not level]

    def port(self, name: str) -> serial.Serial:
        return serial.Serial(str(self.folder / "dev" / name), 9600, timeout=1)


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    rigs: list[Rig] = []

    def made(**options: Any) -> Rig:
        rigs.append(Rig(tmp_path, **options))
        return rigs[-1]

    yield made
    for rig in rigs:
        rig.twin.stop()


def tips_s(closures_s: list[float]) -> list[float]:
    """The first closure of each bunch."""
    return [at for at, before in zip(closures_s, [-1.0, *closures_s], strict=False) if at - before > 0.1]


def expected_mm(rig: Rig, tank: int, depth_m: float) -> float:
    """Dry-air speed by ISO 9613-1:1993 and its rise by vapour, 0.16 % for each percent, as the twin has it."""
    probe = (rig.folder / "w1" / "28-0000051fae07" / "w1_slave").read_text("ascii")
    air_c = int(probe.rsplit("t=", 1)[1]) / 1000
    vapour = rig.site.tanks[tank].humidity_ratio * 6.112 * np.exp(17.62 * air_c / (243.12 + air_c)) / 1013.25
    ullage_mm = (rig.site.tanks[tank].face_height_m - depth_m) * 1000
    return float(ullage_mm / np.sqrt((air_c + 273.15) / 293.15) / (1 + 0.16 * vapour))


def test_binary_frames_on_a_real_port_carry_the_true_distance(make: Make) -> None:
    rig = make()
    with rig.port("upper_level") as port:
        rig.live(0, 1)
        said = port.read(4 * 8)
    frames = [said[at : at + 4] for at in range(0, len(said), 4)]
    assert len(frames) == 8
    assert all(frame[0] == 0xFF and sum(frame[:3]) % 256 == frame[3] for frame in frames)
    said_mm = [frame[1] * 256 + frame[2] for frame in frames]
    assert np.median(said_mm) == pytest.approx(expected_mm(rig, 0, 2.05 / 2), abs=4)


def test_text_frames_on_a_real_port_carry_the_true_distance(make: Make) -> None:
    rig = make()
    with rig.port("house_level") as port:
        rig.live(0, 1)
        said = port.read(6 * 8)
    frames = said.split(b"\r")
    assert frames.pop() == b"" and len(frames) == 8
    assert all(frame[:1] == b"R" and len(frame) == 5 for frame in frames)
    assert np.median([int(frame[1:]) for frame in frames]) == pytest.approx(expected_mm(rig, 1, 1.78 / 2), abs=4)


def test_an_echo_lasts_as_long_as_sound_takes_to_the_water_and_back(make: Make) -> None:
    rig = make()
    rig.live(0, 0.1)
    real_s = []
    for ping in range(9):
        rig.trigger.state = True
        rig.trigger.state = False
        rig.live(0.2 + ping * 0.1, 0.3 + ping * 0.1, 0.001)
        (up_s, up), (down_s, down) = rig.heard[24][-2:]
        assert (up, down) == (1, 0)
        real_s.append(down_s - up_s)
    assert len(rig.heard[24]) == 18
    depth_m = float(rig.site.tanks[2].depth_at(np.array([rig.state.volumes_l[2]]))[0])
    assert np.median(real_s) / 2 * 343.2 * 1000 == pytest.approx(expected_mm(rig, 2, depth_m), abs=4)
    rig.twin.unplug("pool_level")
    rig.trigger.state = True
    rig.trigger.state = False
    rig.live(1.2, 1.4)
    assert len(rig.heard[24]) == 18


def test_tips_come_with_their_bounces_when_the_bucket_is_full(make: Make) -> None:
    rig = make()
    rig.live(0, 33)
    closures_s = rig.closures_s(17)
    tips = tips_s(closures_s)
    assert rig.twin.rain_mm == pytest.approx(1.0)
    # 0.2 mm at 120 mm/h is a tip each 6 s; the first comes when the rest of the bucket is full.
    first_s = 1 + (0.2 - rig.state.bucket_mm) / 120 * 3600
    assert tips == pytest.approx([first_s + 6 * n for n in range(len(tips))], abs=1e-3)
    assert len(tips) == int((rig.state.bucket_mm + 1.0) // 0.2)
    assert rig.twin.tips_ms == [pytest.approx(5_000 + at * 1000, abs=2) for at in tips]
    assert len(closures_s) > 2 * len(tips)
    assert max(at - max(tip for tip in tips if tip <= at) for at in closures_s) < 0.1


def test_a_held_switch_hides_its_tips_even_from_who_comes_later(make: Make) -> None:
    rig = make()
    rig.live(0, 0.5)
    rig.twin.hold_switch_closed()
    rig.factory.pin(17).pull = "up"
    assert rig.factory.pin(17).state == 0
    rig.live(0.5, 20)
    assert len(tips_s(rig.closures_s(17))) == 1
    assert rig.twin.tips_ms == [] and len(rig.twin.refused_tips_ms) >= 3
    rig.twin.hold_switch_closed(False)
    assert rig.factory.pin(17).state == 1
    rig.live(20, 33)
    assert len(rig.twin.tips_ms) >= 2


def test_pulses_received_are_pulses_made_at_the_true_rate(make: Make) -> None:
    rig = make()
    rig.live(38, 52)
    closures_s = rig.closures_s(27)
    assert len(closures_s) == rig.twin.pulses
    assert rig.twin.pulses == pytest.approx(55 / 6 * 390, abs=1)
    assert rig.twin.pump_l == pytest.approx(55 / 6)
    # A counter's stamps are the pulses' own, however late the twin is: 357.5 Hz, evenly. The last may fall into the
    # step in which the pump stops, whose little water the twin spreads over the whole step.
    assert np.diff(closures_s)[:-1] == pytest.approx(1 / (55 / 60 * 390), abs=1e-6)
    assert 40 <= closures_s[0] < closures_s[-2] <= 50.001 and closures_s[-1] < 50.1 + 1e-6


def test_the_live_water_balances(make: Make) -> None:
    rig = make()
    rig.live(0, 60)
    fell = rig.twin.rain_mm
    roofs_l = (fell - 0.4) * 74 * 0.88 - 10 + (fell - 0.5) * 138 * 0.9 - 30
    catch_l = fell * 15.667  # m2 of the pool between 0.90 and 1.05 m, by its strapping table
    gained_l = sum(rig.twin.volumes_l) - sum(rig.state.volumes_l)
    used_l = 60 * 380 / 86_400
    assert gained_l == pytest.approx(roofs_l + catch_l - rig.twin.pump_l, abs=2 * used_l)
    assert [boot_ms for boot_ms, _ in rig.twin.levels][:3] == pytest.approx([5000, 6000, 7000], abs=25)
    assert rig.twin.levels[0][1][0] == pytest.approx(rig.state.volumes_l[0], abs=0.1)


def test_an_unplugged_port_fails_its_reader_and_comes_back_behind_the_same_link(make: Make) -> None:
    rig = make()
    with rig.port("upper_level") as port:
        rig.live(0, 0.3)
        port.read(4)
        rig.twin.unplug("upper_level")
        with pytest.raises(serial.SerialException):
            port.read(100)
    assert not (rig.folder / "dev" / "upper_level").exists()
    with pytest.raises(serial.SerialException):
        rig.port("upper_level")
    rig.live(0.3, 0.6)
    rig.twin.replug("upper_level")
    with rig.port("upper_level") as port:
        rig.live(0.6, 0.9)
        assert port.read(4)[0] == 0xFF
    with pytest.raises(ValueError, match="no sensor attic"):
        rig.twin.unplug("attic")


def test_noise_comes_before_the_next_frame(make: Make) -> None:
    rig = make()
    with rig.port("house_level") as port:
        rig.twin.garble("house_level", 50)
        rig.live(0, 0.1)
        said = port.read(56)
    assert len(said) == 56 and said[50:51] == b"R" and said[-1:] == b"\r"


def test_an_unplugged_counter_hears_nothing_though_rain_falls_and_the_pump_runs(make: Make) -> None:
    rig = make()
    rig.twin.unplug("rain_gauge")
    rig.twin.unplug("pump_meter")
    rig.live(0, 45)
    assert rig.closures_s(17) == rig.closures_s(27) == []
    assert rig.twin.tips_ms == [] and rig.twin.pulses == 0
    assert rig.twin.rain_mm > 0 and rig.twin.pump_l > 0


def test_the_probe_is_written_as_the_kernel_does(make: Make) -> None:
    rig = make()
    path = rig.folder / "w1" / "28-0000051fae07" / "w1_slave"
    rig.live(0, 0.1)
    first, second = path.read_text("ascii").splitlines()
    scratch = bytes.fromhex(first.split(" :")[0])
    assert first.endswith(f": crc={scratch[8]:02x} YES") and check_byte(scratch) == 0
    assert second.split(" t=")[1] == str(int(int.from_bytes(scratch[:2], "little", signed=True) * 62.5))
    # The kernel's own example of such a file, 23.125 deg C (from memory).
    assert check_byte(bytes.fromhex("72014b467fff0e10")) == 0x57
    rig.twin.unplug("gap_air")
    assert not path.exists()
    rig.twin.replug("gap_air")
    rig.live(0.1, 0.2)
    assert path.exists()


def test_the_twin_makes_devices_in_its_own_folder_only(tmp_path: Path) -> None:
    outside = Settings.model_validate(tomllib.loads(demo_settings_text(tmp_path / "elsewhere")))
    site = TwinSite.from_settings(outside, seed=1)
    with pytest.raises(RainsteadError, match=r"upper_level.*outside; give a path inside"):
        LiveTwin(outside, first_state(site, NOON_MS, 0.5), tmp_path / "own", FakeClock(), MockFactory())
    assert not list(tmp_path.iterdir())


def test_a_pin_that_is_open_already_is_refused(tmp_path: Path) -> None:
    inside = Settings.model_validate(tomllib.loads(demo_settings_text(tmp_path)))
    site, factory = TwinSite.from_settings(inside, seed=1), MockFactory()
    factory.pin(17)
    with pytest.raises(RainsteadError, match="GPIO 17 was opened before"):
        LiveTwin(inside, first_state(site, NOON_MS, 0.5), tmp_path, FakeClock(), factory)


def test_the_thread_runs_and_stops(make: Make) -> None:
    rig = make()
    rig.twin.start()
    with rig.port("upper_level") as port:
        assert port.read(8)[0] == 0xFF
    rig.twin.stop()
    assert not (rig.folder / "dev" / "upper_level").exists()


def test_what_ends_the_thread_is_raised_by_stop(make: Make) -> None:
    rig = make()
    heard = threading.Event()

    def broken(_ticks_s: float, _level: int) -> None:
        heard.set()
        raise RuntimeError("a driver's fault")

    rig.factory.pin(24).when_changed = broken
    rig.twin.start()
    rig.trigger.state = True
    rig.trigger.state = False
    assert heard.wait(5)
    with pytest.raises(RuntimeError, match="a driver's fault"):
        rig.twin.stop()
