"""Serial lines that fail in every way: pulled out under any call, shared, garbled, of another variant, just opened."""

import random
import subprocess
import sys
import termios
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
from board_site import SITE, SLOW_SITE
from said_log import Said, write_said
from serial_desk import Adapter, Desk

from rainstead import answers
from rainstead.errors import DeviceError
from rainstead.holding import Hold
from rainstead.log import LogReader
from rainstead.readings import Quality
from rainstead.serialports import grabbers, has_console, holder
from rainstead.settings import BinaryRanger, TextRanger, advice, parse_settings
from rainstead_board.drivers.frames import BinaryFrames
from rainstead_board.drivers.garbled import garbled_words
from rainstead_board.drivers.serial_port import SerialPort
from rainstead_board.twin.lines import binary_frame, text_frame

KINDS: dict[str, type[BinaryRanger] | type[TextRanger]] = {"ranger-binary": BinaryRanger, "ranger-text": TextRanger}


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[Adapter]:
    adapter = Adapter(tmp_path / "ranger")
    yield adapter
    adapter.unplug()


def desk(adapter: Adapter, kind: str = "ranger-binary", **keys: object) -> Desk:
    given = {"kind": kind, "port": str(adapter.path), "every": 2.0, **keys}
    found = Desk(adapter, KINDS[kind].model_validate(given))
    found.poll()  # opens
    return found


# --- pulled out -----------------------------------------------------------------------------------------------------

FAMILIES = [
    serial.SerialException("device reports readiness to read but returned no data"),
    OSError(5, "Input/output error"),
    termios.error(5, "Input/output error"),
    TypeError("object of type 'NoneType' has no len()"),
    ValueError("file descriptor cannot be a negative integer"),
]


@pytest.mark.parametrize("call", ["__init__", "read", "in_waiting", "close"])
@pytest.mark.parametrize("error", FAMILIES, ids=lambda error: type(error).__name__)
def test_whatever_a_call_raises_when_the_plug_is_pulled_is_a_device_that_is_absent(
    adapter: Adapter, monkeypatch: pytest.MonkeyPatch, call: str, error: Exception
) -> None:
    really_close = serial.Serial.close

    def fails(self: serial.Serial, *_: object, **__: object) -> None:
        if call == "close":
            really_close(self)
        raise error

    port = SerialPort(str(adapter.path), 9600)
    with monkeypatch.context() as patched:
        if call != "__init__":
            port.open()
        patched.setattr(serial.Serial, call, property(fails) if call == "in_waiting" else fails)
        if call == "close":
            port.close()
        else:
            with pytest.raises(DeviceError, match=str(adapter.path)):
                port.open() if call == "__init__" else port.read()
    assert not port.is_open
    port.open()  # and it can be tried again
    adapter.send(b"x")
    assert port.read() == b"x"
    port.close()


# --- shared ---------------------------------------------------------------------------------------------------------

HOLDS = (
    "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); sys.stdin.read()"
)


@pytest.fixture
def other(adapter: Adapter) -> Iterator[int]:
    """Another process that has the port open; its number."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(adapter.path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None and process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        yield process.pid
        process.stdin.close()


def test_the_program_that_holds_a_port_is_named(adapter: Adapter, other: int) -> None:
    with pytest.raises(DeviceError, match=rf"another program holds it, python\S* \(process {other}\); end that one"):
        SerialPort(str(adapter.path), 9600).open()


def test_a_port_that_is_quiet_because_another_program_reads_it_names_that_program(
    adapter: Adapter, other: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A program that asks for no lock, as a login console does not: ours opens the port beside it.
    monkeypatch.setattr(serial.Serial, "_set_special_baudrate", lambda *_: None, raising=False)
    import fcntl

    monkeypatch.setattr(fcntl, "flock", lambda *_: None)
    ours = desk(adapter)
    ours.live(8_000)
    assert ours.ranger.trouble is not None
    assert "says nothing" in ours.ranger.trouble and f"(process {other}) has it open too" in ours.ranger.trouble
    ours.ranger.close(0)


def test_who_had_a_port_in_an_outage_that_is_over_is_not_named_in_the_next(
    adapter: Adapter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(SerialPort, "shared_with", lambda _: "a test has it open too")
    ours = desk(adapter)
    ours.live(8_000)
    assert ours.ranger.trouble is not None and "a test has it" in ours.ranger.trouble
    ours.live(4_000, binary_frame(1200))
    assert ours.ranger.trouble is None
    ours.adapter.unplug()
    ours.live(4_000)
    ours.adapter.plug()
    monkeypatch.setattr(SerialPort, "shared_with", lambda _: None)
    said = set()
    for _ in range(100):
        ours.live(250)
        said.add(ours.ranger.trouble or "")
    ours.ranger.close(0)
    assert any("says nothing" in one for one in said) and not any("a test has it" in one for one in said)


def test_where_the_holder_cannot_be_seen_the_message_says_how_to_find_it(
    adapter: Adapter, other: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rainstead_board.drivers.serial_port.holder", lambda _: None)
    with pytest.raises(DeviceError, match=r"another program holds it; `sudo fuser -v .*` names it"):
        SerialPort(str(adapter.path), 9600).open()
    assert other


def test_nobody_is_named_where_nobody_holds_it(adapter: Adapter, tmp_path: Path) -> None:
    assert holder(str(adapter.path)) is None
    assert holder(str(tmp_path / "nowhere")) is None


def on_console(folder: Path, *nodes: str) -> Path:
    console = folder / "sys" / "class" / "tty" / "console"
    console.mkdir(parents=True)
    (console / "active").write_text(" ".join(nodes) + "\n")
    return folder / "sys"


def test_the_login_console_on_a_sensors_line_is_seen_through_links(tmp_path: Path) -> None:
    sys_folder = on_console(tmp_path, "tty1", "ttyAMA0")
    (tmp_path / "ttyAMA0").touch()
    (tmp_path / "serial0").symlink_to("ttyAMA0")
    assert has_console(str(tmp_path / "serial0"), sys_folder)
    assert not has_console(str(tmp_path / "ttyUSB0"), sys_folder)
    assert not has_console(str(tmp_path / "serial0"), tmp_path / "no_sys")


def test_programs_that_take_any_adapter_are_found_where_they_are_installed(tmp_path: Path) -> None:
    assert grabbers(tmp_path) == {}
    (tmp_path / "usr" / "bin").mkdir(parents=True)
    (tmp_path / "usr" / "bin" / "brltty").touch()
    assert list(grabbers(tmp_path)) == ["brltty"]


def test_the_settings_check_advises_against_a_shared_port(
    adapter: Adapter, other: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = parse_settings(SITE.replace("/dev/nowhere", str(adapter.path)), "test")
    (line,) = advice(settings, tmp_path)
    assert line.startswith(f"sensors.level.port = {adapter.path}: ") and f"(process {other})" in line
    monkeypatch.setattr("rainstead.settings.shared_port.has_console", lambda _: True)
    (line,) = advice(settings, tmp_path)
    assert "console" in line


def test_the_settings_check_takes_the_sites_own_logger_for_no_stranger(
    adapter: Adapter, other: int, tmp_path: Path
) -> None:
    settings = parse_settings(SITE.replace("/dev/nowhere", str(adapter.path)), "test")
    lock = tmp_path / "readings.db.lock"
    hold = Hold(lock)
    lock.write_text(f"{other}\n", encoding="ascii")
    assert advice(settings, tmp_path) == ()
    hold.release()  # a number that was left behind is nobody's
    assert len(advice(settings, tmp_path)) == 1


def test_the_settings_check_advises_against_programs_that_take_any_adapter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rainstead.settings.shared_port.grabbers", lambda: {"prober": "it does what it likes"})
    for node, told in (("ttyUSB7", 1), ("ttyAMA0", 0)):
        (tmp_path / node).touch()
        (tmp_path / f"by-id-{node}").symlink_to(node)
        settings = parse_settings(SITE.replace("/dev/nowhere", str(tmp_path / f"by-id-{node}")), "test")
        assert ["prober is installed, and it does what it likes" in line for line in advice(settings, tmp_path)] == [
            True
        ] * told


# --- garbled --------------------------------------------------------------------------------------------------------


def other_sum(mm: int) -> bytes:
    """The variant of the binary frame whose sum leaves the header out."""
    high, low = mm >> 8, mm & 0xFF
    return bytes((0xFF, high, low, (high + low) & 0xFF))


def noise(_: int, *, rng: random.Random = random.Random(3)) -> bytes:  # noqa: B008 - one sequence for all calls
    return rng.randbytes(5)


@pytest.mark.parametrize(
    ("kind", "sends", "told"),
    [
        ("ranger-binary", text_frame, 'say kind = "ranger-text"'),
        ("ranger-text", binary_frame, 'say kind = "ranger-binary"'),
        ("ranger-binary", other_sum, "whose sum leaves the header out"),
        ("ranger-text", lambda mm: b"%.3f m\r\n" % (mm / 1000), "lines of text"),
        ("ranger-binary", noise, "wrong speed, or another variant of sensor? the settings say ranger-binary at 9600"),
        ("ranger-text", noise, "wrong speed, or another variant of sensor? the settings say ranger-text at 9600"),
    ],
)
def test_a_line_of_bad_frames_alone_says_wrong_speed_or_another_variant(
    adapter: Adapter, kind: str, sends: Callable[[int], bytes], told: str
) -> None:
    ours = desk(adapter, kind)
    for mm in range(1200, 1280):
        ours.live(100, sends(mm))
    assert ours.ranger.trouble is not None and told in ours.ranger.trouble
    assert "no frame among them" in ours.ranger.trouble
    assert {one.quality for one in ours.readings} == {Quality.GARBLED}
    ours.live(4_000, text_frame(1200) if kind == "ranger-text" else binary_frame(1200))
    assert ours.ranger.trouble is None
    ours.ranger.close(0)


def test_noise_is_never_taken_for_another_variant() -> None:
    rng = random.Random(4)
    for _ in range(2_000):
        sample = rng.randbytes(256)
        for kind in KINDS:
            assert garbled_words(sample, kind, 9600).startswith("wrong speed")
    assert garbled_words(b"", "ranger-text", 9600)  # nothing at all is no reason to fail


def test_bad_bytes_are_counted_for_the_last_hour_too(adapter: Adapter) -> None:
    ours = desk(adapter, every=60.0)
    ours.live(120_000, binary_frame(1200) + b"\x01\x02", every_ms=1_000)
    counts = ours.ranger.counts()
    assert counts["bad_bytes"] == counts["bad_bytes_last_hour"] >= 200
    ours.live(4_000_000, binary_frame(1200), every_ms=20_000)
    counts = ours.ranger.counts()
    assert counts["bad_bytes"] >= 200 and counts["bad_bytes_last_hour"] <= 2
    ours.ranger.close(0)


def test_of_random_bytes_behind_a_header_no_more_pass_than_the_sum_lets_through() -> None:
    """And what passes is a wild range that lasts for one frame: a burst's median takes it out."""
    rng, frames, good = random.Random(5), BinaryFrames(), binary_frame(1200)
    sent, passed = 20_000, 0
    for _ in range(sent):
        found = frames.feed(b"\xff" + rng.randbytes(3) + good)
        passed += sum(value != 1200 for value in found)
    # One in 256, and as many again where noise and the good frame's beginning make one together. Four deviations.
    assert passed < 2 * (sent / 256 + 4 * (sent / 256) ** 0.5)


# --- just opened, or late -------------------------------------------------------------------------------------------


def test_a_greeting_after_opening_is_no_level(adapter: Adapter) -> None:
    ours = desk(adapter, "ranger-text", every=1.0, fewest_echoes=1)
    ours.live(750, b"model 7 R0300\r", every_ms=250)
    readings = ours.live(250, every_ms=250)
    readings += ours.live(3_000, text_frame(1200))
    assert [one.value for one in readings] == [None, 1200, 1200, 1200]
    adapter.unplug()
    ours.live(1_000)
    adapter.plug()
    before = ours.ranger.counts()["opened_anew"]
    while ours.ranger.counts()["opened_anew"] == before:
        ours.live(250, every_ms=250)
    readings = ours.live(750, b"model 7 R0300\r", every_ms=250) + ours.live(5_000, text_frame(1300))
    assert {one.value for one in readings} <= {None, 1300} and readings[-1].value == 1300
    ours.ranger.close(0)


def test_a_ramp_that_is_read_once_a_minute_is_as_old_as_its_burst(adapter: Adapter) -> None:
    ours = desk(adapter, every=60.0)
    while len(ours.readings) < 3:
        ours.live(100, binary_frame(ours.now_ms // 100 % 4000 + 300))
    for one in ours.readings:
        said = one.boot_ms // 100 % 4000 + 300
        # A millimetre each tenth of a second; the burst is the last second, and its middle half a second old.
        assert one.value is not None and said - 8 <= one.value <= said - 2
    ours.ranger.close(0)


# --- no echo, in every way it is told -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "sent", "quality"),
    [
        ("ranger-binary", binary_frame(0x0000), Quality.NO_ECHO),
        ("ranger-binary", binary_frame(0xFFFD), Quality.NO_ECHO),
        ("ranger-binary", binary_frame(0xFFFE), Quality.NO_ECHO),
        ("ranger-binary", binary_frame(0xFFFF), Quality.NO_ECHO),
        ("ranger-binary", binary_frame(4501), Quality.OUT_OF_RANGE),
        ("ranger-binary", binary_frame(10_000), Quality.OUT_OF_RANGE),
        ("ranger-binary", b"", Quality.SILENT),
        ("ranger-text", b"R0000\r", Quality.NO_ECHO),
        ("ranger-text", b"R5000\r", Quality.OUT_OF_RANGE),
        ("ranger-text", b"R9999\r", Quality.OUT_OF_RANGE),
        ("ranger-text", b"R10000\r", Quality.OUT_OF_RANGE),
        ("ranger-text", b"", Quality.SILENT),
    ],
)
def test_every_code_for_no_echo_is_a_reason_and_no_level(
    adapter: Adapter, kind: str, sent: bytes, quality: Quality
) -> None:
    ours = desk(adapter, kind)
    readings = ours.live(4_000, sent)
    assert [one.quality for one in readings] == [quality] * 2
    assert quality is Quality.OUT_OF_RANGE or [one.value for one in readings] == [None, None]
    ours.ranger.close(0)


def test_silence_longer_than_three_periods_is_told_with_the_age_of_what_was_last(tmp_path: Path) -> None:
    start_ms, path = 1_780_000_000_000, tmp_path / "readings.db"
    settings = parse_settings(SLOW_SITE, "test")

    def write(says: str) -> None:
        level: list[Said] = [(start_ms + k * 10_000, 1200.0, Quality.OK) for k in range(30)]
        if says == "silent":
            level += [(start_ms + k * 10_000, None, Quality.SILENT) for k in range(30, 60)]
        write_said(path, settings, {"level": level})

    for says, state in (("silent", "silent"), ("nothing", "old")):
        path.unlink(missing_ok=True)
        write(says)
        with LogReader(path) as reader:
            now = answers.now(settings, reader, start_ms + 600_000)
            told = answers.health(settings, reader, start_ms + 600_000, site=tmp_path, run_folder=tmp_path)
        (tank,) = now.tanks
        assert (tank.state, tank.age_s) == ("last_known", 310.0)
        assert [one.state for one in now.sensors if one.name == "level"] == [state]
        assert [one.health.state for one in told.sensors if one.health.name == "level"] == [state]
