"""A slip in the settings of a board that nobody stands beside."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from board_site import SITE, BoardSite, busy_channels
from fake_clock import FakeClock

from rainstead.errors import SettingsError
from rainstead.inforce import settings_in_force
from rainstead.log import LogReader

NOW_MS = 1_785_000_000_000
PROBE = '[sensors.air]\nkind = "one-wire"\npath = "/nowhere"'
RANGER = '[sensors.air]\nkind = "ranger-text"\nport = "/dev/x"'
FEW = SITE.replace(
    '[sensors.gauge]\nkind = "tipping-bucket"\ngpio = 5', '[sensors.gauge]\nkind = "tipping-bucket"\ngpio = 6'
)
QUICK = SITE + "[log]\ncommit_every = 3\n"
FORWARD = '\n[forward]\nurl = "http://127.0.0.1:9"\norg = "o"\nbucket = "b"\ntoken_file = "t"\n'


def logged(site: Path, text: str = SITE) -> FakeClock:
    """A site that has run on these settings."""
    clock = FakeClock(wall_ms=NOW_MS)
    life = BoardSite(site, busy_channels(1), clock, text=text)
    life.run(8)
    life.logger.stop()
    return clock


@pytest.mark.parametrize(
    ("slip", "told"),
    [
        ("[sensors.level", "site.toml"),  # not TOML
        (SITE.replace("brim = 2", 'brim = "two"'), "tanks.house.brim"),
        (SITE.replace("gpio = 17", "gpio = 5"), "gpio"),
        ('[site]\nname = "a"\ntime_zone = "Europe/Lisbon"\nlatitude_deg = 39\n', "tanks: is missing"),
        (
            SITE.replace(PROBE, RANGER).replace('air = "air"\n', ""),
            "sensors.air.kind = ranger-text: the log has temperature under this name",
        ),
        (None, "there is no such file"),
    ],
)
def test_settings_that_cannot_be_used_leave_the_last_good_ones_in_force(
    tmp_path: Path, slip: str | None, told: str
) -> None:
    logged(tmp_path)
    if slip is not None:
        (tmp_path / "site.toml").write_text(slip, encoding="utf-8")
    found = settings_in_force(tmp_path, NOW_MS, tell=print)
    assert found.text == SITE and found.settings.site.name == "a test's site"
    assert found.refused is not None and told in found.refused


def test_good_settings_are_in_force_whatever_the_log_has(tmp_path: Path) -> None:
    logged(tmp_path)
    (tmp_path / "site.toml").write_text(FEW, encoding="utf-8")
    found = settings_in_force(tmp_path, NOW_MS, tell=print)
    assert (found.text, found.refused) == (FEW, None)


def test_where_no_log_has_good_settings_the_slip_itself_is_told(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text("[site", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"site\.toml"):
        settings_in_force(tmp_path, NOW_MS, tell=print)
    (tmp_path / "readings.db").write_bytes(b"rubbish" * 1000)
    with pytest.raises(SettingsError, match=r"site\.toml"):
        settings_in_force(tmp_path, NOW_MS, tell=print)


def test_refused_settings_raise_an_alarm_until_a_start_with_good_ones(tmp_path: Path) -> None:
    clock = logged(tmp_path)
    (tmp_path / "site.toml").write_text(SITE.replace("brim = 2", "brim = 0"), encoding="utf-8")
    refused = settings_in_force(tmp_path, NOW_MS, tell=print).refused
    assert refused is not None
    life = BoardSite(tmp_path, busy_channels(1), clock, settings_refused=refused)
    before = len(life.stamps("level"))
    life.run(8)
    life.logger.stop()
    assert len(life.stamps("level")) > before
    life = BoardSite(tmp_path, busy_channels(1), clock)
    life.run(8)
    life.logger.stop()
    with LogReader(tmp_path) as reader:
        raised, cleared = [event for event in reader.events() if event.alarm == "settings_refused"]
    assert raised.state == "active_unacknowledged" and "tanks.house.brim" in raised.reason
    assert "start the logger again" in raised.reason
    assert cleared.state == "normal"


def test_the_program_itself_goes_on_with_the_last_good_settings(tmp_path: Path) -> None:
    logged(tmp_path, QUICK)
    (tmp_path / "site.toml").write_text(QUICK.replace("brim = 2", "brim = 0"), encoding="utf-8")
    with LogReader(tmp_path) as reader:
        before = len(reader.events())
    run = "import sys; from rainstead_board.logger import main; main(sys.argv[1:])"
    process = subprocess.Popen([sys.executable, "-c", run, str(tmp_path)], stderr=subprocess.PIPE, text=True)
    try:
        ends = time.perf_counter() + 30
        while time.perf_counter() < ends and process.poll() is None:
            with LogReader(tmp_path) as reader:
                if len(reader.events()) > before:
                    break
            time.sleep(0.1)
    finally:
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 0, said
    assert "tanks.house.brim" in said and "going on with the last good settings" in said
    with LogReader(tmp_path) as reader:
        assert "settings_refused" in {event.alarm for event in reader.events()}


def test_a_slip_in_the_settings_ends_neither_sending_nor_telling(tmp_path: Path) -> None:
    logged(tmp_path, SITE + FORWARD)
    slip = SITE.replace("brim = 2", "brim = 0")
    (tmp_path / "site.toml").write_text(slip + FORWARD, encoding="utf-8")
    told: list[str] = []
    found = settings_in_force(tmp_path, NOW_MS, tell=told.append, table="forward")
    assert found.settings.forward is not None
    assert len(told) == 2 and "tanks.house.brim" in told[0] and "mend the file" in told[1]
    with pytest.raises(SettingsError, match=r"tanks\.house\.brim"):
        settings_in_force(tmp_path, NOW_MS, tell=told.append, table="messages")
