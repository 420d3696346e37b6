"""A supply whose voltage drops: told beside what it may have caused, and little is left in memory for a cut to take."""

import shutil
import sqlite3
from pathlib import Path

import pytest
from board_site import SITE, BoardSite, Scripted, level
from fake_clock import FakeClock

from rainstead.boardhealth import read_board_health
from rainstead.log import LogReader
from rainstead.readings import Kind, Reading
from rainstead_board.boardcare import BoardCare
from rainstead_board.supply import AFTER_MS, RECENT_MS, Remarks, Supply, SupplySays, read_supply

ACTIVE, NORMAL = "active_unacknowledged", "normal"
REMARK = "; the board's supply was low at the time"
QUICK = SITE + "sensor_fault = { after = 60 }\n"


class Kernel:
    """What the kernel shows of the supply, in a folder that stands for /sys."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._alarm = folder / "class/hwmon/hwmon2/in0_lcrit_alarm"
        self._word = folder / "devices/platform/soc/soc:firmware/get_throttled"

    def alarm(self, content: str) -> None:
        self._alarm.parent.mkdir(parents=True, exist_ok=True)
        self._alarm.write_text(content, encoding="ascii")

    def word(self, content: str) -> None:
        self._word.parent.mkdir(parents=True, exist_ok=True)
        self._word.write_text(content, encoding="ascii")


@pytest.fixture
def kernel(tmp_path: Path) -> Kernel:
    return Kernel(tmp_path / "sys")


class Port(Scripted):
    """A sensor that the test unplugs."""

    def __init__(self) -> None:
        super().__init__("gauge", Kind.TIP, lambda _: [])


def board(
    tmp_path: Path, kernel: Kernel, clock: FakeClock, *, channels: list[Scripted] | None = None, boot: str = "test"
) -> BoardSite:
    site = tmp_path / "site"
    site.mkdir(exist_ok=True)
    return BoardSite(
        site,
        channels or [level(lambda t: 1200.0 + t % 7)],
        clock,
        text=QUICK,
        boot=boot,
        board=BoardCare(clock, supply=Supply(kernel.folder)),
        health_path=site / "health.json",
    )


def told_by(site: BoardSite) -> dict[str, object]:
    told = read_board_health(site.path.parent, "a test's site", Path("/nowhere"))
    assert told is not None
    return told


def test_every_bit_of_the_firmwares_word_is_told_apart(kernel: Kernel) -> None:
    assert read_supply(kernel.folder) == SupplySays(None, None)
    for bit in range(20):
        kernel.word(f"{1 << bit:x}\n")
        assert read_supply(kernel.folder) == SupplySays(bit == 0, bit == 16)
    kernel.word("0x50005\n")
    assert read_supply(kernel.folder) == SupplySays(True, True)
    for nonsense in ("", "well", "0x"):
        kernel.word(nonsense)
        assert read_supply(kernel.folder) == SupplySays(None, None)
    kernel.word("0\n")
    kernel.alarm("1\n")
    assert read_supply(kernel.folder) == SupplySays(True, False)
    kernel.alarm("nothing\n")
    assert read_supply(kernel.folder) == SupplySays(False, False)


def test_what_the_kernel_does_not_tell_is_not_known_and_said_to_be_neither_low_nor_well(
    tmp_path: Path, kernel: Kernel
) -> None:
    port = Port()
    site = board(tmp_path, kernel, FakeClock(), channels=[level(lambda _: 1200.0), port])
    port.trouble = "unplugged"
    site.run(120)
    told = told_by(site)
    assert told["supply_is_low"] is None and told["supply_low_age_s"] is None and told["began"] is None
    assert site.events("supply_low") == []
    assert site.events("sensor_fault")[0].reason == "unplugged"
    site.logger.stop()


def test_a_supply_that_drops_is_an_alarm_until_it_has_been_well_for_some_minutes(
    tmp_path: Path, kernel: Kernel
) -> None:
    kernel.alarm("0")
    site = board(tmp_path, kernel, FakeClock())
    site.run(60)
    for _ in range(5):  # the kernel's alarm lasts for two seconds, and comes back
        kernel.alarm("1")
        site.run(2)
        kernel.alarm("0")
        site.run(60)
    assert [event.state for event in site.events("supply_low")] == [ACTIVE]
    assert told_by(site)["supply_low_age_s"] == pytest.approx(60, abs=12)
    site.run(RECENT_MS / 1000)
    assert [event.state for event in site.events("supply_low")] == [ACTIVE, NORMAL]
    assert "has not been low for some minutes" in site.events("supply_low")[-1].reason
    kernel.alarm("1")
    site.run(2)
    kernel.alarm("no answer")  # what is not known is not well either
    site.run(4 * RECENT_MS / 1000)  # what came twice in a day takes longer to be over
    assert site.events("supply_low")[-1].reason.startswith("how the supply is now is not known")
    site.logger.stop()


def test_a_supply_that_was_low_before_this_process_began_is_no_news_of_this_moment(
    tmp_path: Path, kernel: Kernel
) -> None:
    kernel.word("10000")
    site = board(tmp_path, kernel, FakeClock())
    site.run(60)
    assert site.events("supply_low") == []
    kernel.word("0")  # somebody wiped it
    site.run(60)
    kernel.word("10000")  # low between two looks
    site.run(60)
    assert [event.state for event in site.events("supply_low")] == [ACTIVE]
    site.logger.stop()


@pytest.mark.parametrize(
    ("low_s", "is_said"),
    [(-RECENT_MS // 1000 - 60, False), (-120, True), (0, True), (20, True), (AFTER_MS // 1000 + 30, False)],
)
def test_a_port_that_is_lost_when_the_supply_is_low_is_told_with_it(
    tmp_path: Path, kernel: Kernel, caplog: pytest.LogCaptureFixture, low_s: int, is_said: bool
) -> None:
    """The supply is low for two seconds, so long before or after the trouble begins."""
    kernel.alarm("0")
    port = Port()
    site = board(tmp_path, kernel, FakeClock(), channels=[port])
    trouble_s, began_s = 400, 400 + low_s
    for second in range(trouble_s + 120):
        if second == trouble_s:
            port.trouble = "the port is gone"
        kernel.alarm("1" if began_s <= second < began_s + 2 else "0")
        site.run(1)
    (raised,) = site.events("sensor_fault")
    assert raised.reason == "the port is gone" + REMARK * is_said
    sensors = told_by(site)["sensors"]
    assert isinstance(sensors, list)
    assert sensors[0]["trouble"] == "the port is gone" + REMARK * is_said
    # The journal has a line of the moment: what comes later is told with the alarm.
    line = next(record.getMessage() for record in caplog.records if record.getMessage().startswith("sensor gauge"))
    assert (REMARK in line) == (is_said and low_s < 0)
    # The next trouble is another, and has nothing to do with it.
    port.trouble = None
    site.run(RECENT_MS / 1000 + 60)
    port.trouble = "the port is gone"
    site.run(120)
    assert len(site.events("sensor_fault")) == 3
    assert site.events("sensor_fault")[-1].reason.startswith("the port is gone")
    assert REMARK not in site.events("sensor_fault")[-1].reason
    site.logger.stop()


def test_a_disk_that_fails_when_the_supply_is_low_is_told_with_it(
    tmp_path: Path, kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    kernel.alarm("0")
    site = board(tmp_path, kernel, FakeClock())
    site.run(60)
    kernel.alarm("1")
    site.run(5)
    kernel.alarm("0")
    with monkeypatch.context() as patch:

        def refuse(*_: object) -> int:
            raise sqlite3.OperationalError("disk I/O error")

        for name in ("append", "append_events", "reopen"):
            patch.setattr(site.keeper.writer, name, refuse)
        site.run(120)
        assert told_by(site)["disk_trouble"] == "disk I/O error" + REMARK
    site.run(60)
    assert REMARK in site.events("disk_fault")[0].reason
    site.logger.stop()


def test_before_low_voltage_becomes_a_cut_all_that_waits_is_committed_with_the_state(
    tmp_path: Path, kernel: Kernel
) -> None:
    kernel.alarm("0")
    clock = FakeClock()
    site = board(tmp_path, kernel, clock)
    site.run(64)
    kernel.alarm("1")
    site.run(1)
    # The power goes now: nothing more is written, and this is what is there.
    with LogReader(site.path) as reader:
        newest_ms = max(int(batch.t_ms.max()) for batch in reader.batches(sensors=["level"]))
        assert clock.wall_ms() - newest_ms <= 2000, "without it up to a commit interval and the hold-back are missing"
        assert [event.state for event in reader.events() if event.alarm == "supply_low"] == [ACTIVE]
    (kept,) = site.keeper.writer._db.execute("SELECT max(t_ms) FROM checkpoint").fetchone()
    assert kept == newest_ms
    # All of that is in the log's own file already, too: its write-ahead log may be lost with what else a card loses.
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copy(site.path, alone)
    with LogReader(alone / site.path.name) as reader:
        assert (reader.span_ms() or (0, 0))[1] == newest_ms
    site.logger.stop()


def test_a_start_after_a_cut_that_came_with_low_voltage_says_so_and_one_after_an_ordinary_stop_does_not(
    tmp_path: Path, kernel: Kernel, caplog: pytest.LogCaptureFixture
) -> None:
    kernel.alarm("0")
    clock = FakeClock()
    first = board(tmp_path, kernel, clock)
    first.run(60)
    kernel.alarm("1")
    first.run(3)
    first.keeper.writer.close()  # the power goes
    kernel.alarm("0")
    second = board(tmp_path, kernel, clock, boot="next")
    second.run(30)
    said = "the logger's run before was cut off when the board's supply was low, or had been minutes before"
    assert said in caplog.text
    assert told_by(second)["began"] == said
    assert second.events("supply_low")[-1].state == NORMAL
    assert said in second.events("supply_low")[-1].reason
    kernel.alarm("1")
    second.run(3)
    second.logger.stop()
    kernel.alarm("0")
    third = board(tmp_path, kernel, clock, boot="third")
    third.run(1200)
    assert told_by(third)["began"] is None
    third.keeper.writer.close()
    fourth = board(tmp_path, kernel, clock, boot="fourth")
    fourth.run(30)
    assert told_by(fourth)["began"] is None, "cut off, with a supply that was well"
    fourth.keeper.writer.close()
    # The kernel is the only witness, or tells nothing any more.
    kernel.word("10000")
    fifth = board(tmp_path, kernel, clock, boot="fourth")
    fifth.run(30)
    assert "has been low since it booted" in str(told_by(fifth)["began"])
    fifth.logger.stop()


def test_a_remark_stays_for_as_long_as_what_it_was_made_of(kernel: Kernel) -> None:
    kernel.alarm("1")
    supply = Supply(kernel.folder)
    remarks = Remarks(supply)
    assert supply.look(0)
    assert remarks.beside("a", "gone", 1000) == "gone" + REMARK
    kernel.alarm("0")
    day_ms = 86_400_000
    assert not supply.look(day_ms)
    assert remarks.beside("a", "still gone", day_ms) == "still gone" + REMARK
    assert remarks.beside("b", "gone", day_ms) == "gone"
    assert remarks.beside("a", None, day_ms) is None
    assert remarks.beside("a", "gone", day_ms) == "gone"


def test_readings_go_on_whatever_the_kernel_shows(tmp_path: Path, kernel: Kernel) -> None:
    (kernel.folder / "class/hwmon/hwmon2/in0_lcrit_alarm").mkdir(parents=True)
    site = board(
        tmp_path, kernel, FakeClock(), channels=[Scripted("level", Kind.LEVEL, lambda t: [Reading("level", t, 1.0)])]
    )
    site.run(120)
    site.logger.stop()
    assert len(site.stamps("level")) >= 119
