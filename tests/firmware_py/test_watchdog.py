"""What the service manager is told, by a socket of the test's own."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from service_manager import ServiceManager

from rainstead_board.watchdog import Duties, Notifier


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[ServiceManager]:
    manager = ServiceManager(tmp_path / "notify")
    yield manager
    manager.close()


def test_the_manager_hears_each_word_once(manager: ServiceManager) -> None:
    notifier = Notifier(manager.address, 30_000_000)
    notifier.ready()
    notifier.status("all\nwell")
    notifier.status("all well")
    notifier.ping()
    notifier.stopping()
    notifier.close()
    assert manager.heard() == ["READY=1", "STATUS=all well", "WATCHDOG=1", "STOPPING=1"]
    assert notifier.ping_every_ms == 10_000


def test_an_abstract_address_is_understood(tmp_path: Path) -> None:
    name = f"\0{tmp_path}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(name)
        notifier = Notifier("@" + name[1:])
        notifier.ready()
        notifier.close()
        assert ear.recv(100) == b"READY=1"


def test_long_work_is_announced_and_taken_back(manager: ServiceManager) -> None:
    notifier = Notifier(manager.address, 30_000_000)
    notifier.allow(0)
    notifier.allow(900_000)
    notifier.allow(900_000)
    notifier.allow(0)
    notifier.close()
    assert manager.heard() == ["WATCHDOG_USEC=900000000", "WATCHDOG_USEC=30000000"]


def test_without_a_manager_nothing_is_said_and_nothing_breaks(tmp_path: Path) -> None:
    for notifier in (Notifier(None), Notifier(str(tmp_path / "nobody"), 10)):
        notifier.ready()
        notifier.ping()
        notifier.allow(5)
        notifier.stopping()
        notifier.close()


@pytest.mark.parametrize(
    ("environment", "ping_every_ms"),
    [
        ({"WATCHDOG_USEC": "60000000"}, 20_000),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 20_000),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({}, None),
    ],
)
def test_only_a_watchdog_that_is_meant_for_this_process_counts(
    environment: dict[str, str], ping_every_ms: int | None
) -> None:
    assert Notifier.from_environment(environment).ping_every_ms == ping_every_ms


def test_a_duty_is_overdue_once_it_has_not_moved_for_longer_than_it_may() -> None:
    duties = Duties({"sensors": 1000})
    assert duties.overdue(50) == {}  # it has not begun
    duties.moved("sensors", 100)
    assert duties.overdue(1100) == {}
    assert duties.overdue(1101) == {"sensors": 1001}
    duties.moved("sensors", 1200)
    assert duties.overdue(2200) == {}
