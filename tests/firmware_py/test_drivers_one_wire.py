"""A probe behind the kernel's text file. Its reads are slow, and may hang: polls never wait for them."""

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.readings import Quality, Reading
from rainstead.settings import OneWireProbe
from rainstead_board.drivers.one_wire import OneWireThermometer, parse_probe
from rainstead_board.twin.lines import write_probe

GOOD = "73 01 4b 46 7f ff 0d 10 41 : crc=41 YES\n73 01 4b 46 7f ff 0d 10 41 t=23187\n"


def probe(path: Path) -> OneWireThermometer:
    return OneWireThermometer(
        "air", OneWireProbe.model_validate({"kind": "one-wire", "path": str(path), "every": 10.0})
    )


def read_once(channel: OneWireThermometer, boot_ms: int = 5_000) -> Reading:
    """Start a read, let it end, and fetch it."""
    assert channel.poll(boot_ms) == []
    if channel._thread is not None:
        channel._thread.join(timeout=10)
    (reading,) = channel.poll(boot_ms + 250)
    return reading


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (GOOD, (23.187, Quality.OK)),
        (GOOD.replace("t=23187", "t=-1062"), (-1.062, Quality.OK)),
        (GOOD.replace("YES", "NO"), (None, Quality.GARBLED)),
        (GOOD.replace("t=23187", "t=85000"), (None, Quality.GARBLED)),
        (GOOD.replace("t=23187", "t=127937"), (127.937, Quality.OUT_OF_RANGE)),
        (GOOD.replace("t=23187", "t=-60001"), (-60.001, Quality.OUT_OF_RANGE)),
        (GOOD.replace("t=23187", ""), (None, Quality.GARBLED)),
        ("23187\n", (23.187, Quality.OK)),
        ("\x1d23187\x1d", (23.187, Quality.OK)),
        ("85000\n", (None, Quality.GARBLED)),
        ("", (None, Quality.GARBLED)),
        ("t=23187", (None, Quality.GARBLED)),
        ("\n\n", (None, Quality.GARBLED)),
    ],
)
def test_the_kernels_text(text: str, told: tuple[float | None, Quality]) -> None:
    assert parse_probe(text) == told


@given(st.one_of(st.text(), st.text(alphabet="t=-0123456789YES \n")))
def test_any_text_is_parsed_without_an_error(text: str) -> None:
    value, quality = parse_probe(text)
    assert (value is None) == (quality is Quality.GARBLED)


@pytest.mark.parametrize("name", ["w1_slave", "temperature"])
def test_a_good_probe(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text(GOOD if name == "w1_slave" else "23187\n")
    channel = probe(tmp_path / name)
    assert read_once(channel) == Reading("air", 5_250, 23.187)
    assert channel.trouble is None


def test_a_probes_folder_will_do(tmp_path: Path) -> None:
    write_probe(tmp_path / "w1_slave", -3.5)
    assert read_once(probe(tmp_path)).value == -3.5


@pytest.mark.parametrize("content", [GOOD.replace("YES", "NO").encode(), b"85000\n", b"\xff\xfe\x00binary", b""])
def test_a_probe_that_speaks_nonsense_is_garbled_and_says_why(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "w1_slave"
    path.write_bytes(content)
    channel = probe(path)
    reading = read_once(channel)
    assert (reading.value, reading.quality) == (None, Quality.GARBLED)
    assert channel.trouble is not None and str(path) in channel.trouble


def test_a_missing_probe_is_absent_until_it_comes(tmp_path: Path) -> None:
    path = tmp_path / "28-000" / "w1_slave"
    channel = probe(path)
    reading = read_once(channel)
    assert (reading.value, reading.quality) == (None, Quality.ABSENT)
    assert channel.trouble is not None and str(path) in channel.trouble and "/sys/bus/w1/devices" in channel.trouble
    write_probe(path, 12.5)
    assert read_once(channel, 10_000).value == 12.5
    assert channel.trouble is None


def test_it_asks_to_be_polled_when_something_is_to_do(tmp_path: Path) -> None:
    # The loop polls a channel only when its next_due_ms has come: one that is always later is never polled.
    write_probe(tmp_path / "w1_slave", 20.0)
    channel, readings = probe(tmp_path), []
    for boot_ms in range(5_000, 36_000, 50):
        if channel.next_due_ms(boot_ms) <= boot_ms:
            readings += channel.poll(boot_ms)
            if channel._thread is not None:
                channel._thread.join(timeout=10)
    assert [reading.boot_ms for reading in readings] == [5_250, 10_250, 20_250, 30_250]


def test_a_read_that_hangs_never_blocks_a_poll_and_is_told_each_period(tmp_path: Path) -> None:
    path = tmp_path / "w1_slave"
    os.mkfifo(path)
    channel, readings = probe(path), []
    for boot_ms in range(5_000, 36_000, 50):
        if channel.next_due_ms(boot_ms) <= boot_ms:
            readings += channel.poll(boot_ms)
    assert [(one.boot_ms, one.value, one.quality) for one in readings] == [
        (at_ms, None, Quality.SILENT) for at_ms in (10_000, 20_000, 30_000)
    ]
    assert channel.trouble is not None and str(path) in channel.trouble
    thread = channel._thread
    assert thread is not None
    path.write_text(GOOD)  # its reader is let go, and the next read is a good one
    thread.join(timeout=10)
    (reading,) = channel.poll(36_000)
    assert reading.value == 23.187
    told: str | None = channel.trouble
    assert told is None
