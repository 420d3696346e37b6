"""The board itself: its supply, its temperature, its memory, its journal."""

from pathlib import Path

import pytest
from board_site import BoardSite, Scripted, level
from fake_clock import FakeClock

from rainstead.boardhealth import read_board_health
from rainstead.readings import Kind, Reading
from rainstead_board.health import board_facts, write_health


def test_a_low_supply_and_a_hot_board_are_told_and_what_is_missing_is_unknown(tmp_path: Path) -> None:
    assert board_facts(tmp_path) == {"board_temperature_c": None, "supply_is_low": None}
    for name, content in {
        "class/thermal/thermal_zone0/temp": "61200\n",
        "class/thermal/thermal_zone1/temp": "nonsense",
        "class/hwmon/hwmon0/in0_lcrit_alarm": "0\n",
        "class/hwmon/hwmon1/in0_lcrit_alarm": "1\n",
    }.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True)
        path.write_text(content, encoding="ascii")
    assert board_facts(tmp_path) == {"board_temperature_c": 61.2, "supply_is_low": True}
    (tmp_path / "class/hwmon/hwmon1/in0_lcrit_alarm").write_text("0\n", encoding="ascii")
    assert board_facts(tmp_path)["supply_is_low"] is False


def test_the_logger_leaves_an_account_of_itself_and_needs_no_disk_for_it(tmp_path: Path) -> None:
    account = tmp_path / "run" / "health.json"
    account.parent.mkdir()
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock(), health_path=account)
    site.run(60)
    told = read_board_health(tmp_path, "a test's site", account.parent)
    assert told is not None
    assert told["last_commit_age_s"] <= 12
    assert told["disk_trouble"] is None and told["waiting"] <= 13
    assert [sensor["name"] for sensor in told["sensors"]] == ["level"]
    account.unlink()
    account.parent.rmdir()  # whatever becomes of its place
    site.run(30)
    site.logger.stop()
    write_health(tmp_path / "no such folder" / "health.json", {})


def test_a_sensor_in_trouble_for_a_day_is_told_in_a_few_lines(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    class Seldom(Scripted):
        def poll(self, boot_ms: int) -> list[Reading]:
            self._next_ms = boot_ms + 60_000
            raise OSError("nothing there")

        def next_due_ms(self, boot_ms: int) -> int:
            return max(boot_ms, self._next_ms)

    site = BoardSite(tmp_path, [Seldom("gauge", Kind.TIP, lambda _: [])], FakeClock())
    for _ in range(1440):  # a day, a minute at a time: nothing else is due
        site.logger.step()
        site.clock.now_ms += 60_000
    site.logger.stop()
    assert len(caplog.records) <= 4
