"""What hangs ends the pings, what only fails does not: a hung logger is started again, a full disk is waited out."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from board_site import SITE, Scripted
from service_manager import ServiceManager

from rainstead.clock import SystemClock
from rainstead.log import LogWriter
from rainstead.readings import Kind, Reading
from rainstead.settings import parse_settings
from rainstead_board import logger as logger_module
from rainstead_board.logger import Logger
from rainstead_board.watchdog import Notifier

PING_S = 0.2
BOUND_S = 20.0


class Gate:
    """Something that can be made to hang."""

    def __init__(self) -> None:
        self._open = threading.Event()
        self._open.set()
        self.hung = threading.Event()

    def hang(self) -> None:
        self._open.clear()

    def release(self) -> None:
        self._open.set()

    def __call__(self) -> None:
        if not self._open.is_set():
            self.hung.set()
            self._open.wait(BOUND_S)


class Running:
    """A logger in a thread, on the machine's clock, under a service manager with a short patience."""

    def __init__(self, folder: Path, manager: ServiceManager, driver: Gate, disk: Gate) -> None:
        self.manager, self.failed = manager, list[BaseException]()
        self._stopping = threading.Event()
        writer = LogWriter(folder / "readings.db")
        append = writer.append

        def slow(rows: Any) -> int:
            disk()
            return append(rows)

        def says(t: int) -> list[Reading]:
            driver()
            return [Reading("level", t, 1200.0)]

        writer.append = slow  # type: ignore[method-assign]
        self.writer = writer
        channels = [Scripted("level", Kind.LEVEL, says)]
        self.logger = Logger(
            parse_settings(SITE.replace('trust = "system"\n', 'trust = "system"\n[log]\ncommit_every = 3\n'), "test"),
            SITE,
            writer,
            channels,
            SystemClock(),
            clock_is_trusted=lambda: True,
            boot_uuid="test",
            notifier=Notifier(manager.address, round(PING_S * 3e6)),
        )
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.logger.run(self._stopping.is_set)
        except BaseException as error:
            self.failed.append(error)

    def until(self, true: Callable[[], bool]) -> None:
        """Wait for something, with a bound."""
        ends = time.perf_counter() + BOUND_S
        while not true():
            assert time.perf_counter() < ends, "it did not come"
            time.sleep(0.02)

    def pings(self, for_s: float) -> int:
        """How many pings come from now on."""
        self.manager.heard()
        time.sleep(for_s)
        return self.manager.heard().count("WATCHDOG=1")

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join(BOUND_S)
        assert not self._thread.is_alive()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[ServiceManager]:
    manager = ServiceManager(tmp_path / "notify")
    yield manager
    manager.close()


@contextmanager
def running(folder: Path, manager: ServiceManager, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setattr(logger_module, "SENSORS_MAY_TAKE_MS", 500)
    # Once a second is the pace of the channel; a round counts each time that the loop has been through.
    driver, disk = Gate(), Gate()
    run = Running(folder, manager, driver, disk)
    try:
        run.until(lambda: "READY=1" in manager.heard())
        yield run, driver, disk
    finally:
        driver.release()
        disk.release()
        run.stop()


@pytest.fixture(autouse=True)
def quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rainstead_board.sampler.LONGEST_WAIT_MS", 100)


def test_a_healthy_logger_says_that_it_is_ready_and_goes_on_pinging(
    tmp_path: Path, manager: ServiceManager, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running(tmp_path, manager, monkeypatch) as (run, _, _):
        assert run.pings(1.5) >= 4
    assert "STOPPING=1" in manager.heard()


def test_a_hung_driver_ends_the_pings(tmp_path: Path, manager: ServiceManager, monkeypatch: pytest.MonkeyPatch) -> None:
    with running(tmp_path, manager, monkeypatch) as (run, driver, _):
        driver.hang()
        driver.hung.wait(BOUND_S)
        time.sleep(0.8)  # longer than a round may take
        said = manager.heard()
        assert run.pings(1.0) == 0
        assert any(line.startswith("STATUS=nothing comes from: sensors") for line in [*said, *manager.heard()])
        driver.release()
        run.until(lambda: "WATCHDOG=1" in manager.heard())


def test_a_hung_disk_ends_the_pings_and_holds_up_no_sensor(
    tmp_path: Path, manager: ServiceManager, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running(tmp_path, manager, monkeypatch) as (run, _, disk):
        disk.hang()
        assert disk.hung.wait(BOUND_S)
        waiting = len(run.logger._waiting)
        assert run.pings(2.5) == 0
        assert len(run.logger._waiting) >= waiting + 2
        disk.release()
        run.until(lambda: "WATCHDOG=1" in manager.heard())


def test_a_full_disk_ends_no_ping_and_is_told(
    tmp_path: Path, manager: ServiceManager, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: object) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(logger_module, "LOOK_EVERY_MS", 200)
    with running(tmp_path, manager, monkeypatch) as (run, _, _):
        append, run.writer.append = run.writer.append, full
        run.until(lambda: run.logger._keeper.disk_trouble is not None)
        assert run.pings(1.5) >= 4
        run.until(lambda: run.logger._keeper.disk_trouble is not None)
        status = run.logger._notifier._status
        assert "readings cannot be stored (database or disk is full)" in status
        run.writer.append = append


def test_a_dead_sensor_thread_ends_the_process(
    tmp_path: Path, manager: ServiceManager, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    with running(tmp_path, manager, monkeypatch) as (run, _, _):

        def dies() -> int:
            raise MemoryError

        run.logger._sampler.step = dies
        run.until(lambda: bool(run.failed))
        assert "the sensors' thread has ended" in str(run.failed[0])


def test_a_dead_gpio_thread_ends_the_process(
    tmp_path: Path, manager: ServiceManager, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running(tmp_path, manager, monkeypatch) as (run, _, _):
        monkeypatch.setattr(logger_module, "edges_have_ended", lambda: True)
        run.until(lambda: bool(run.failed))
        assert "no tip and no pulse would be counted" in str(run.failed[0])
