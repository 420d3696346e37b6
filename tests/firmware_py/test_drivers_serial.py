"""A serial ranger on real pseudo-terminals, and every way in which a port can fail. Time is the test's."""

import contextlib
import errno
import grp
import os
import tempfile
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import serial
from serial_desk import Adapter, Desk

from rainstead.errors import DeviceError
from rainstead.readings import Quality, Reading
from rainstead.settings import BinaryRanger, TextRanger
from rainstead_board.drivers.serial_port import SerialPort
from rainstead_board.twin.lines import binary_frame, text_frame

PERIOD_MS = 2_000


def settings(path: Path, **keys: Any) -> BinaryRanger:
    given = {"kind": "ranger-binary", "port": str(path), "every": PERIOD_MS / 1000, "burst": 1.0, **keys}
    return BinaryRanger.model_validate(given)


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[Adapter]:
    adapter = Adapter(tmp_path / "ranger")
    yield adapter
    adapter.unplug()


@pytest.fixture
def desk(adapter: Adapter) -> Iterator[Desk]:
    desk = Desk(adapter, settings(adapter.path))
    desk.poll()  # opens
    yield desk
    desk.ranger.close(0)


def told(reading: Reading) -> tuple[float | None, Quality]:
    return reading.value, reading.quality


def test_frames_become_a_reading_each_period(desk: Desk) -> None:
    readings = desk.live(3 * PERIOD_MS, binary_frame(1234))
    assert [told(one) for one in readings] == [(1234, Quality.OK)] * 3
    assert [one.boot_ms for one in readings] == [12_000, 14_000, 16_000]
    assert desk.ranger.trouble is None


def test_text_frames_too(adapter: Adapter) -> None:
    sensor = TextRanger.model_validate({"kind": "ranger-text", "port": str(adapter.path), "every": 2.0})
    desk = Desk(adapter, sensor)
    desk.poll()
    assert [told(one) for one in desk.live(PERIOD_MS, text_frame(987))] == [(987, Quality.OK)]
    desk.ranger.close(0)


def test_frames_in_halves_joined_and_late(desk: Desk) -> None:
    stream = b"".join(binary_frame(mm) for mm in (1000, 1001, 1002))
    desk.live(1_200)
    for piece in (stream[:2], stream[2:9], stream[9:]):
        desk.adapter.send(piece)
        desk.now_ms += 250
        desk.poll()
    (reading,) = desk.live(50, every_ms=50)
    assert (told(reading), reading.count) == ((1001, Quality.OK), 3)


def test_a_trickle_of_single_bytes_is_read(desk: Desk) -> None:
    frame = binary_frame(1500)
    for number in range(20):
        desk.live(100, frame[number % 4 : number % 4 + 1])
    assert [told(one) for one in desk.readings] == [(1500, Quality.OK)]


def test_a_reading_uses_its_burst_alone(desk: Desk) -> None:
    desk.live(900, binary_frame(1000))
    desk.live(100)
    (reading,) = desk.live(1_000, binary_frame(2000))
    assert told(reading) == (2000, Quality.OK)
    assert reading.count is not None and 8 <= reading.count <= 10


def test_what_waited_for_a_late_poll_is_not_taken_for_new(desk: Desk) -> None:
    # The loop was held up for ten seconds, nine of them at the old level.
    for _ in range(90):
        desk.adapter.send(binary_frame(1000))
    for _ in range(10):
        desk.adapter.send(binary_frame(2000))
    desk.now_ms = 20_000
    desk.poll()
    assert [told(one) for one in desk.readings] == [(2000, Quality.OK)]


def test_more_than_the_kernels_line_buffer_is_read_without_loss(adapter: Adapter) -> None:
    port = SerialPort(str(adapter.path), 9600)
    port.open()
    written, got = adapter.fill(), b""
    until_s = time.monotonic() + 10
    while len(got) < written:  # the kernel hands it over in its own time
        assert time.monotonic() < until_s
        got += port.read()
    assert written > 4_096
    port.close()


def test_echoes_of_no_burst_are_not_kept(adapter: Adapter) -> None:
    desk = Desk(adapter, settings(adapter.path, every=3600.0))
    desk.live(60_000, binary_frame(1000))
    assert len(desk.ranger._echoes) <= 11
    desk.ranger.close(0)


def test_no_echo_is_the_sensors_own_word(desk: Desk) -> None:
    (reading,) = desk.live(PERIOD_MS, binary_frame(0xFFFF))
    assert told(reading) == (None, Quality.NO_ECHO)


def test_silence_is_told_as_silence(desk: Desk) -> None:
    readings = desk.live(3 * PERIOD_MS)
    assert [told(one) for one in readings] == [(None, Quality.SILENT)] * 3
    assert desk.ranger.trouble is not None
    assert str(desk.adapter.path) in desk.ranger.trouble and "power" in desk.ranger.trouble


def test_bytes_without_frames_are_garbled(desk: Desk) -> None:
    readings = desk.live(3 * PERIOD_MS, b"\x12\x34\x56")
    assert [told(one) for one in readings] == [(None, Quality.GARBLED)] * 3
    assert desk.ranger.trouble is not None and "9600 baud" in desk.ranger.trouble


def test_it_recovers_from_garbage(desk: Desk) -> None:
    desk.live(3 * PERIOD_MS, b"\xff\x12\x34")
    assert [told(one) for one in desk.live(PERIOD_MS, binary_frame(800))] == [(800, Quality.OK)]
    assert desk.ranger.trouble is None


def test_stale_bytes_before_opening_are_dropped(adapter: Adapter) -> None:
    adapter.send(binary_frame(3000) * 50)
    desk = Desk(adapter, settings(adapter.path))
    desk.now_ms = 10_500
    desk.poll()
    (reading,) = desk.live(1_500, binary_frame(1000))
    assert (told(reading), reading.spread) == ((1000, Quality.OK), 0.29)
    assert reading.count is not None and reading.count <= 6
    desk.ranger.close(0)


def test_a_missing_port_is_absent_and_says_what_to_do(tmp_path: Path, adapter: Adapter) -> None:
    desk = Desk(adapter, settings(tmp_path / "nowhere"))
    readings = desk.live(3 * PERIOD_MS)
    assert [told(one) for one in readings] == [(None, Quality.ABSENT)] * 3
    assert desk.ranger.trouble is not None
    assert str(tmp_path / "nowhere") in desk.ranger.trouble and "/dev/serial/by-id" in desk.ranger.trouble


def test_tries_to_open_are_a_second_apart_then_ever_further_up_to_a_minute(
    tmp_path: Path, adapter: Adapter, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = Desk(adapter, settings(tmp_path / "nowhere"))
    tries_ms: list[int] = []

    def refuse(_port: SerialPort) -> None:
        tries_ms.append(desk.now_ms)
        raise DeviceError("there is none")

    monkeypatch.setattr(SerialPort, "open", refuse)
    desk.live(300_000)
    waits_ms = [after - before for before, after in pairwise(tries_ms)]
    # A poll each 250 ms, in steps of 100 ms: a try may come that much late.
    for waited_ms, wanted_ms in zip(waits_ms, [1_000, 2_000, 4_000, 8_000, 16_000, 32_000, 60_000], strict=False):
        assert wanted_ms <= waited_ms <= wanted_ms + 350
    assert len(waits_ms) >= 7 and max(waits_ms) <= 60_350


def test_a_device_that_is_gone_but_reads_as_empty_is_told(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    # As on kernels where the read of a hung-up line just ends.
    monkeypatch.setattr(serial.Serial, "read", lambda _port, _size=1: b"")
    desk.adapter.unplug()
    (reading,) = desk.live(PERIOD_MS)
    assert told(reading) == (None, Quality.ABSENT)
    assert desk.ranger.trouble is not None


def test_a_port_that_another_program_holds_says_so(adapter: Adapter) -> None:
    with serial.Serial(str(adapter.path), 9600, exclusive=True):
        desk = Desk(adapter, settings(adapter.path))
        (reading,) = desk.live(PERIOD_MS)
        assert told(reading) == (None, Quality.ABSENT)
        assert desk.ranger.trouble is not None and "another program holds it" in desk.ranger.trouble
    desk.live(PERIOD_MS, binary_frame(900))  # let go: within the back-off it is ours
    assert told(desk.live(2 * PERIOD_MS, binary_frame(900))[-1]) == (900, Quality.OK)
    desk.ranger.close(0)


def test_a_file_that_is_no_port_is_told_apart(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("no port")
    with pytest.raises(DeviceError, match="is it a serial port"):
        SerialPort(str(tmp_path / "plain"), 9600).open()


@contextlib.contextmanager
def without_root() -> Iterator[None]:
    """Root may open everything: be nobody for a moment."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(was)


@pytest.mark.parametrize(
    ("mode", "remedy"),
    [(0o060, "belongs to group .+: add the user to that group"), (0o020, "`chmod g\\+rw .+` lets that group")],
)
def test_a_forbidden_port_names_its_group_and_the_remedy(mode: int, remedy: str) -> None:
    mine = {os.getegid(), *os.getgroups()}
    # Not in tmp_path: pytest closes that to everybody else.
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        locked = Path(folder) / "locked"
        locked.touch()
        if os.geteuid() == 0:  # whose groups stay when it is nobody
            os.chown(locked, -1, next(one.gr_gid for one in grp.getgrall() if one.gr_gid not in mine))
        locked.chmod(mode)
        with without_root(), pytest.raises(DeviceError, match=f"may not open it; .*{remedy}"):
            SerialPort(str(locked), 9600).open()


def test_a_port_that_the_services_confinement_refuses_is_no_matter_of_groups(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = tmp_path / "port"
    port.touch()

    def refused(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(serial, "Serial", refused)
    with pytest.raises(DeviceError, match=r"confinement refuses it.* systemctl restart rainstead-logger"):
        SerialPort(str(port), 9600).open()


def test_unplugged_in_mid_read_is_absent(desk: Desk) -> None:
    desk.live(PERIOD_MS + 500, binary_frame(1000))
    desk.adapter.send(binary_frame(1000)[:2])
    desk.adapter.unplug()
    readings = desk.live(2 * PERIOD_MS)
    assert [told(one) for one in readings] == [(None, Quality.ABSENT)] * 2
    assert desk.ranger.trouble is not None and str(desk.adapter.path) in desk.ranger.trouble


@pytest.mark.parametrize("away_ms", [1_000, 10_000, 300_000])
def test_replugged_it_is_back_within_the_back_off(desk: Desk, away_ms: int) -> None:
    desk.live(PERIOD_MS, binary_frame(1000))
    desk.adapter.unplug()
    desk.live(away_ms)
    desk.adapter.plug()
    # The back-off doubles from a second: the next try is no further away than the device was, and never a minute.
    readings = desk.live(min(away_ms, 60_000) + 2 * PERIOD_MS, binary_frame(1700))
    assert told(readings[-1]) == (1700, Quality.OK)
    assert desk.ranger.trouble is None


def test_a_port_that_is_back_but_silent_is_no_longer_called_missing(desk: Desk) -> None:
    desk.adapter.unplug()
    desk.live(2 * PERIOD_MS)
    assert desk.ranger.trouble is not None and "no such port" in desk.ranger.trouble
    desk.adapter.plug()
    while desk.readings[-1].quality is Quality.ABSENT:
        desk.live(PERIOD_MS)
    assert desk.readings[-1].quality is Quality.SILENT
    desk.live(PERIOD_MS)  # what has just been opened is given a second
    assert "says nothing" in desk.ranger.trouble


def test_exactly_one_reading_each_period_whatever_happens(desk: Desk) -> None:
    desk.live(5_000, binary_frame(1000))
    desk.live(5_000, b"\x00\x01")
    desk.adapter.unplug()
    desk.live(30_000)
    desk.adapter.plug()
    desk.live(40_000, binary_frame(1001))
    desk.live(10_000)
    assert [one.boot_ms for one in desk.readings] == list(range(12_000, 100_001, PERIOD_MS))


def test_a_poll_that_comes_late_is_not_made_up_for(desk: Desk) -> None:
    desk.now_ms = 17_345
    desk.live(PERIOD_MS, binary_frame(1000), every_ms=5)
    assert [one.boot_ms for one in desk.readings] == [17_350, 18_000]


def test_fifty_times_unplugged_leaves_no_descriptor_behind(desk: Desk) -> None:
    def cycle() -> None:
        desk.live(PERIOD_MS, binary_frame(1000))
        desk.adapter.unplug()
        desk.live(PERIOD_MS)
        desk.adapter.plug()
        desk.live(3 * PERIOD_MS)

    cycle()
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(50):
        cycle()
    assert len(list(Path("/proc/self/fd").iterdir())) == before
