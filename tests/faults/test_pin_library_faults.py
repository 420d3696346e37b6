"""The pin library itself: its one thread with reports from a FIFO, its folder, who else holds a line, its mock pins."""

import json
import os
import subprocess
import sys
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fake_clock import FakeClock
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from rainstead.errors import DeviceError
from rainstead_board.drivers import gpio_line
from rainstead_board.drivers.gpio_line import EdgeLine
from rainstead_board.drivers.line_holder import line_holder

ROOT = Path(__file__).parents[2]
REAL = """
import struct, sys, time
import lgpio
sys.path.append({fakes!r})
from fake_clock import FakeClock
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPin
from rainstead_board.drivers import edges_have_ended
from rainstead_board.drivers.gpio_line import EdgeLine

class FifoPin(MockPin):
    # Its edges come through the library's own thread.
    def _enable_event_detect(self):
        def told(_chip, _gpio, level, tick):
            MockPin.__mro__[1]._call_when_changed(self, tick / 1e9, level)
        self.heard = lgpio.callback(0, self.info.name and int(self.info.name[4:]), lgpio.BOTH_EDGES, told)

factory = Device.pin_factory = MockFactory(pin_class=FifoPin)
fifo = open(".lgd-nfy0", "wb", buffering=0)

def report(gpio, level):
    fifo.write(struct.pack("QBBBBI", time.monotonic_ns(), 0, gpio, level, 0, 0))

def settled(what):
    until_s = time.monotonic() + 10
    while not what() and time.monotonic() < until_s:
        time.sleep(0.005)
    return what()

seen = []
def raises(_us, _closed):
    seen.append("raised")
    raise ZeroDivisionError

bad = EdgeLine(6, FakeClock(), raises, pull_up=True, closings_only=False)
good = EdgeLine(5, FakeClock(), lambda _us, closed: seen.append(closed), pull_up=True, closings_only=False)
report(6, 0)
report(5, 0)
report(5, 1)
assert settled(lambda: len(seen) == 3), seen
assert seen == ["raised", True, False], seen
assert not edges_have_ended()

# Without the guard, one exception ends every line; that is noticed.
sys.stderr.close()
lgpio.callback(0, 7, lgpio.BOTH_EDGES, lambda *_: 1 / 0)
report(7, 0)
assert settled(edges_have_ended)
report(5, 0)
time.sleep(0.1)
assert len(seen) == 3
print("as it should be", flush=True)
"""


def test_a_callback_that_raises_in_the_librarys_own_thread_ends_no_other_line(tmp_path: Path) -> None:
    """The library as it is, without a chip: reports are written into its FIFO."""
    done = subprocess.run(
        [sys.executable, "-c", REAL.format(fakes=str(ROOT / "tests" / "fakes"))],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "LG_WD": str(tmp_path)},
    )
    assert done.stdout == "as it should be\n", done.stderr


def test_the_library_is_named_and_none_stands_in_for_it(tmp_path: Path) -> None:
    """As a service without a chip: the line is refused with the reason, and no other library is tried in its place."""
    program = """
import warnings
warnings.simplefilter("error")
from fake_clock import FakeClock
from rainstead.errors import DeviceError
from rainstead_board.drivers.gpio_line import EdgeLine
import sys
try:
    EdgeLine(5, FakeClock(), print, pull_up=True, closings_only=True)
except DeviceError as error:
    print(error)
print(sorted(name for name in sys.modules if name.startswith("gpiozero.pins.") and name.split(".")[-1] in
             ("rpigpio", "pigpio", "native")))
"""
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={
            **os.environ,
            "LG_WD": str(tmp_path),
            "GPIOZERO_PIN_FACTORY": "lgpio",
            "PYTHONPATH": str(ROOT / "tests" / "fakes"),
        },
    )
    said = done.stdout.splitlines()
    assert len(said) == 2 and said[0].startswith("GPIO 5: cannot be used"), done.stderr
    assert said[1] == "[]"


SITE = """
[site]
name = "a test's site"
time_zone = "Europe/Lisbon"
latitude_deg = 39
[sensors.gauge]
kind = "tipping-bucket"
gpio = 5
calibrations = [{ depth_per_tip = 0.2 }]
[tanks.house]
brim = 2
calibrations = [{ shape = "cylinder", diameter = 2.2 }]
[rain]
gauge = "gauge"
"""


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_the_librarys_fifo_goes_into_the_services_own_folder_and_the_site_stays_where_it_is(tmp_path: Path) -> None:
    """Loading the library changes the working folder; the site was named from another one, by a relative path."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "site.toml").write_text(SITE)
    run = tmp_path / "run"
    run.mkdir()
    env = {name: value for name, value in os.environ.items() if name not in ("LG_WD", "GPIOZERO_PIN_FACTORY")}
    logger = subprocess.Popen(
        [sys.executable, "-c", "from rainstead_board.logger import main; main()", "site"],
        cwd=tmp_path,
        env={**env, "RUNTIME_DIRECTORY": str(run)},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        until_s = time.monotonic() + 60
        while not (run / "health.json").exists() and logger.poll() is None and time.monotonic() < until_s:
            time.sleep(0.05)
    finally:
        logger.terminate()
        _, said = logger.communicate(timeout=30)
    assert logger.returncode == 0, said
    assert [path.name for path in run.glob(".lgd-nfy*")], sorted(run.iterdir())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run", "site"]
    assert (tmp_path / "site" / "readings.db").exists()
    (gauge,) = json.loads((run / "health.json").read_text())["sensors"]
    assert gauge["trouble"] is None or "GPIO 5: cannot be used" in gauge["trouble"]


# --- who holds a line ----------------------------------------------------------------------------------------------


def process(proc: Path, number: int, comm: str, *fdinfo: str) -> None:
    folder = proc / str(number)
    (folder / "fdinfo").mkdir(parents=True)
    (folder / "comm").write_text(comm + "\n")
    for k, text in enumerate(fdinfo):
        (folder / "fdinfo" / str(k)).write_text(text)


HOLDS = "pos:\t0\nflags:\t02\nmnt_id:\t15\nino:\t1064\ngpio-chip:\tgpiochip0\ngpio-line:\t{}\n"


def test_the_process_that_holds_a_line_is_found_by_its_own_line(tmp_path: Path) -> None:
    process(tmp_path, 71, "blink", "pos:\t0\n", HOLDS.format(15))
    process(tmp_path, 812, "rainstead-logge", "pos:\t0\n", HOLDS.format(4) + "gpio-line:\t5\n")
    assert line_holder(5, tmp_path) == "rainstead-logge (process 812)"
    assert line_holder(15, tmp_path) == "blink (process 71)"
    assert line_holder(1, tmp_path) is None


def test_a_second_program_that_asks_for_a_line_is_told_who_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    class Busy(MockFactory):  # type: ignore[misc]  # gpiozero has no type hints
        def pin(self, _name: Any, pin_class: Any = None) -> Any:  # noqa: ARG002
            raise RuntimeError("'GPIO busy'")

    before, Device.pin_factory = Device.pin_factory, Busy()
    monkeypatch.setattr(gpio_line, "line_holder", lambda line: f"other ({line})")
    with pytest.raises(DeviceError, match=r"GPIO 5: cannot be used \('GPIO busy'\); other \(5\) holds it: stop that"):
        EdgeLine(5, FakeClock(), lambda _us, _closed: None, pull_up=True, closings_only=True)
    Device.pin_factory = before


# --- what mock pins do not show -------------------------------------------------------------------------------------


@pytest.fixture
def pin() -> Iterator[Any]:
    factory = MockFactory()
    yield factory.pin(4)
    factory.reset()


def test_mock_pins_show_neither_a_threads_death_nor_a_queue_nor_a_switch_that_is_closed_at_the_start(pin: Any) -> None:
    """Were one of these limits to go, tests on mock pins would prove more, and some that work around them be wrong."""
    pin.function, pin.edges = "input", "both"

    def raises(_ticks: float, _state: int) -> None:
        raise ZeroDivisionError

    # Callbacks run in whoever drives the pin: an exception comes out there and ends no thread.
    pin.when_changed = raises
    with pytest.raises(ZeroDivisionError):
        pin.drive_high()
    # No queue: what comes while nobody listens is gone, and what comes is handed over before driving returns.
    seen = []

    def hears(_ticks: float, state: int) -> None:
        seen.append(state)

    pin.when_changed = None
    pin.drive_low()
    pin.when_changed = hears
    assert seen == []
    pin.drive_high()
    assert seen == [True]
    # Made an input once more, it is at its pull, wherever the switch was.
    pin.pull = "up"
    pin.drive_low()
    pin.function = "input"
    assert pin.state


def test_a_named_library_is_taken_without_a_word_of_falling_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where none is named, the library tries one after another and only warns: hence the name."""
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    for name in ("lgpio", "RPi", "pigpio"):
        monkeypatch.setitem(sys.modules, name, None)
    for name in ("gpiozero.pins.lgpio", "gpiozero.pins.rpigpio", "gpiozero.pins.pigpio"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        try:
            Device._default_pin_factory()
        except Exception as error:
            assert "Unable to load any default pin factory" in str(error)
    assert any("Falling back from lgpio" in str(one.message) for one in told)


@pytest.mark.parametrize("is_folder", [False, True])
def test_a_pin_library_that_is_an_empty_stand_in_is_told_as_that(tmp_path: Path, is_folder: bool) -> None:
    """As the installer lays one down where there is no ready-made library for this Python."""
    if is_folder:
        (tmp_path / "lgpio").mkdir()
        (tmp_path / "lgpio" / "__init__.py").write_text("", encoding="utf-8")
    else:
        (tmp_path / "lgpio.py").write_text("", encoding="utf-8")
    code = (
        "from fake_clock import FakeClock; from rainstead_board.drivers.gpio_line import EdgeLine\n"
        "EdgeLine(5, FakeClock(), print, pull_up=True, closings_only=True)"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env={
            **os.environ,
            "GPIOZERO_PIN_FACTORY": "lgpio",
            "PYTHONPATH": os.pathsep.join(
                [str(tmp_path), str(ROOT / "tests" / "fakes"), os.environ.get("PYTHONPATH", "")]
            ),
        },
    )
    told = ended.stderr.splitlines()[-1]
    assert "GPIO 5: cannot be used: the GPIO library lgpio that is installed here" in told
    assert str(tmp_path) in told and "is an empty stand-in" in told
    heading = told.partition('hardware/README.md, "')[2].partition('"')[0]
    assert heading and f"### {heading}\n" in (ROOT / "hardware" / "README.md").read_text(encoding="utf-8")
    assert "has no attribute" not in told and "is this a board" not in told
