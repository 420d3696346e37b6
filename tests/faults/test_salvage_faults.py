"""What a damaged log still holds comes back: into the log, into every answer, to the server; nobody is told twice."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from board_site import SITE, BoardSite, busy_channels, level
from derived_bits import replayed
from fake_clock import FakeClock
from fake_server import FakeServer
from parted_logs import ASIDE, pages_of, put_aside, readings_of, wipe
from small_disk import fill, small_disk
from telling_site import MINUTE_MS, TellingSite
from typer.testing import CliRunner, Result

from rainstead.cli.commands import app
from rainstead.derive import Deriver
from rainstead.errors import LogError
from rainstead.forward import Forwarder
from rainstead.importing import salvage_log
from rainstead.log import LogReader, LogWriter, back_up, check_log
from rainstead.settings import parse_settings

FAKES = Path(__file__).parents[1] / "fakes"
SETTINGS = parse_settings(SITE, "test")
WALL_MS = 1_780_002_000_000
"""Twenty minutes before an hour is over."""


def lived(folder: Path, aside: bool) -> Path:
    """A site whose log is, or is not, moved aside between two runs of one boot; ends with the second."""
    folder.mkdir()
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    clock, channels = FakeClock(wall_ms=WALL_MS), busy_channels(3)
    for seconds in (1900, 300):
        site = BoardSite(folder, channels, clock)
        site.run(seconds)
        site.logger.stop()
        if aside and seconds == 1900:
            put_aside(folder)
        clock.now_ms += 30_000
    return folder


@pytest.fixture(scope="module")
def parted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The site whose log never broke, and the one whose log did."""
    folder = tmp_path_factory.mktemp("parted")
    return lived(folder / "whole", aside=False), lived(folder / "broken", aside=True)


@pytest.fixture
def sites(parted: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    """Copies of them that a test may damage."""
    whole, broken = (Path(shutil.copytree(one, tmp_path / one.name)) for one in parted)
    return whole, broken


def damage(path: Path) -> list[tuple[int, str, float, int, float]]:
    """Wipe one page of fresh readings; returns the readings that were on it."""
    was = set(readings_of(path))
    wipe(path, pages_of(path, ["reading"])[5:6])
    return sorted(was - set(readings_of(path)))


def said(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(one) for one in arguments])


def derived(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """All that the calculation makes of a log, to the bit."""
    return replayed(folder / "readings.db", SETTINGS)


# --- the answers ---------------------------------------------------------------------------------------------------


def test_after_a_salvage_every_answer_is_that_of_a_log_that_never_broke(sites: tuple[Path, Path]) -> None:
    whole, broken = sites
    done = said("salvage", broken / ASIDE, "--site", broken)
    assert done.exit_code == 0, done.output
    assert "may be taken away" in done.output and "lost" not in done.output
    assert readings_of(broken / "readings.db") == readings_of(whole / "readings.db")
    assert derived(broken) == derived(whole)
    at = ("--as-of", "2026-05-28T22:00:00Z", "--json")
    for command in ("now", "tanks", "rain", "storms", "pump"):
        answers = [json.loads(said(command, "--site", site, *at).output) for site in (whole, broken)]
        for answer in answers:
            answer.pop("alarms", None)  # one more: that a log was damaged
        assert answers[0] == answers[1]
    again = said("salvage", broken / ASIDE, "--site", broken)
    assert again.exit_code == 0 and "0 readings added" in again.output


def test_but_for_what_was_on_a_damaged_page_and_that_is_told(sites: tuple[Path, Path]) -> None:
    whole, broken = sites
    missing = damage(broken / ASIDE)
    assert missing
    done = said("salvage", broken / ASIDE, "--site", broken, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)
    (lost,) = told["lost"]
    assert lost["first_ms"] <= missing[0][0] and missing[-1][0] <= lost["last_ms"]
    assert told["added"] == len(readings_of(broken / ASIDE))
    found, expected = readings_of(broken / "readings.db"), readings_of(whole / "readings.db")
    assert [one for one in expected if one not in set(missing)] == found
    # A log that never broke, and never had those readings, says the same of all the rest.
    db = sqlite3.connect(whole / "readings.db")
    db.executemany(
        "DELETE FROM reading WHERE t_ms = ? AND sensor = (SELECT id FROM sensor WHERE name = ?)",
        [one[:2] for one in missing],
    )
    db.execute("DELETE FROM checkpoint")
    db.commit()
    db.close()
    assert derived(broken) == derived(whole)
    in_words = said("salvage", broken / ASIDE, "--site", broken)
    assert "  lost: 2026-05-28T" in in_words.output and "0 readings added" in in_words.output


def test_the_logger_goes_on_from_what_was_brought_in_without_working_it_out_again(sites: tuple[Path, Path]) -> None:
    _, broken = sites
    salvage_log(broken, broken / ASIDE, SETTINGS)
    with LogReader(broken) as reader:
        kept, span_ms = reader.checkpoint(Deriver(SETTINGS).digest), reader.span_ms()
    assert kept is not None and span_ms is not None and kept[0] == span_ms[1]
    clock = FakeClock(wall_ms=span_ms[1] + 60_000)
    site = BoardSite(broken, busy_channels(4), clock, boot="next")
    site.run(60)
    site.logger.stop()
    assert check_log(broken).is_whole


# --- the server ----------------------------------------------------------------------------------------------------


def sent(forwarder: Forwarder, now_ms: int) -> int:
    """Until nothing is left to send."""
    for _ in range(5000):
        due_ms = forwarder.step(now_ms, now_ms)
        if forwarder.is_idle and due_ms > now_ms:
            return due_ms
        now_ms = max(now_ms, due_ms)
    raise AssertionError("it does not come to an end")


def test_what_was_brought_in_reaches_the_server_exactly(sites: tuple[Path, Path]) -> None:
    whole, broken = sites
    server, told = FakeServer(), list[str]()
    running = Forwarder(SETTINGS, broken, server, tell=told.append)
    now_ms = sent(running, 0)
    of_the_new_log = len(server.of("level"))
    salvage_log(broken, broken / ASIDE, SETTINGS)
    sent(running, now_ms + 10_000)
    running.close()
    reference = FakeServer()
    fresh = Forwarder(SETTINGS, whole, reference)
    sent(fresh, 0)
    fresh.close()
    assert len(server.of("level")) > 5 * of_the_new_log
    assert not [line for line in told if "new log" in line]
    # Alarms are what the logger saw at the time: the new log's began anew.
    for measurement in {head.split(",")[0] for head, _ in reference.points} - {"alarm", "site"}:
        assert server.of(measurement) == reference.of(measurement), measurement


# --- messages, alarm, health ---------------------------------------------------------------------------------------


def test_old_alarms_that_are_brought_in_are_told_to_nobody(tmp_path: Path) -> None:
    old = TellingSite(tmp_path / "old")
    old.boot_uuid = "an earlier boot"
    old.begin_log()
    old.alarm(True)
    old.clock.now_ms += MINUTE_MS
    old.alarm(False)
    old.clock.now_ms += MINUTE_MS
    old.alarm(True)
    old.end_log()
    site = TellingSite(tmp_path / "site")
    site.clock.now_ms += 10 * MINUTE_MS
    site.start()
    site.run(MINUTE_MS)
    site.end_log()
    done = salvage_log(site.folder, tmp_path / "old" / "readings.db", site.settings)
    assert done.taken.events == 3
    site.begin_log()
    site.run(2 * MINUTE_MS)
    assert site.carriers["mail"].taken == []
    site.alarm(True)
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 1


def test_health_and_the_alarm_name_the_salvage_and_then_that_the_file_may_go(sites: tuple[Path, Path]) -> None:
    _, broken = sites

    def states() -> list[tuple[str, str]]:
        with LogReader(broken) as reader:
            return [(event.state, event.reason) for event in reader.events() if event.alarm == "log_damaged"]

    ((_, reason),) = states()
    assert "`rainstead salvage`" in reason and ASIDE in reason
    before = said("health", "--site", broken)
    assert "rainstead salvage" in before.output and "take the file away" in before.output
    salvage_log(broken, broken / ASIDE, SETTINGS)
    assert "is in the log again; the file may be taken away" in said("health", "--site", broken).output
    with LogReader(broken) as reader:
        span_ms = reader.span_ms()
    assert span_ms is not None
    site = BoardSite(broken, [level(lambda _: 1200.0)], FakeClock(wall_ms=span_ms[1] + 60_000), boot="next")
    site.run(60)
    site.logger.stop()
    assert [state for state, _ in states()] == ["active_unacknowledged", "normal"]
    assert ASIDE in states()[-1][1] and "may be taken away" in states()[-1][1]
    # Of a log that was begun anew since, that is not true any more.
    put_aside(broken, "readings-damaged-20260602T000000Z.db")
    LogWriter(broken / "readings.db").close()
    (broken / "readings.db").unlink()
    again = BoardSite(broken, [level(lambda _: 1200.0)], FakeClock(wall_ms=span_ms[1] + 600_000), boot="third")
    again.run(60)
    again.logger.stop()
    assert [state for state, _ in states()][-1] == "active_unacknowledged"


# --- cuts, disks ---------------------------------------------------------------------------------------------------


def test_a_salvage_that_is_killed_anywhere_leaves_the_log_as_it_was_or_has_done_all(
    sites: tuple[Path, Path], tmp_path: Path
) -> None:
    _, broken = sites
    (tmp_path / "cuts").mkdir()
    for name in ("readings.db", ASIDE):
        with sqlite3.connect(broken / name) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.close()
    done = subprocess.run(
        [sys.executable, FAKES / "cut_salvage.py", tmp_path / "cuts", broken / "readings.db", broken / ASIDE],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    report = json.loads(done.stdout)
    assert report["wrong"] == []
    assert report["struck"] >= 25 and 20 <= report["undone"] < report["cuts"]


def test_a_disk_that_is_full_in_the_middle_has_nothing_by_halves(sites: tuple[Path, Path], tmp_path: Path) -> None:
    _, broken = sites
    with small_disk(tmp_path / "disk", 4) as disk:
        site = Path(shutil.copytree(broken, disk / "site"))
        was = readings_of(site / "readings.db")
        filler = fill(disk, 16_000)
        with pytest.raises(LogError, match=r"nothing was brought in; the disk needs room"):
            salvage_log(site, site / ASIDE, SETTINGS)
        assert readings_of(site / "readings.db") == was
        assert check_log(site).is_whole
        filler.unlink()
        assert salvage_log(site, site / ASIDE, SETTINGS).taken.added > 1000


@pytest.mark.parametrize("free_bytes", [0, 16_000, 50_000])
def test_a_disk_that_is_full_when_the_own_log_is_moved_aside_costs_nothing(
    sites: tuple[Path, Path], tmp_path: Path, free_bytes: int
) -> None:
    whole, _ = sites
    with small_disk(tmp_path / "disk", 4) as disk:
        site = Path(shutil.copytree(whole, disk / "site"))
        damage(site / "readings.db")
        was = readings_of(site / "readings.db")
        filler = fill(disk, free_bytes)
        with pytest.raises(LogError) as refused:
            salvage_log(site, site, SETTINGS, aside_at_ms=WALL_MS)
        (aside,) = site.glob("readings-damaged-*.db")
        assert f"was moved aside to {aside.name} before, whole: salvage it by that name" in str(refused.value)
        filler.unlink()
        salvage_log(site, aside, SETTINGS)
        assert readings_of(site / "readings.db") == was


def test_while_a_logger_runs_it_is_refused_and_told_who_writes(sites: tuple[Path, Path]) -> None:
    _, broken = sites
    with LogWriter(broken / "readings.db"):
        for told in ([broken / ASIDE], [broken / "readings.db", "--log-aside"]):
            done = said("salvage", *told, "--site", broken)
            assert done.exit_code != 0
            assert f"process {os.getpid()} is writing" in str(done.exception)


# --- what is refused -----------------------------------------------------------------------------------------------


def renamed(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("UPDATE settings_kept SET text = replace(text, 'a test''s site', 'the neighbours')")
    db.close()


def other_sensors(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("UPDATE sensor SET name = 'their_' || name")
        db.execute("DELETE FROM settings_kept")
    db.close()


@pytest.mark.parametrize(("change", "words"), [(renamed, "'the neighbours'"), (other_sensors, "their_level")])
def test_another_sites_log_is_refused_unless_the_owner_knows_better(
    sites: tuple[Path, Path], change: Callable[[Path], None], words: str
) -> None:
    _, broken = sites
    was = readings_of(broken / "readings.db")
    change(broken / ASIDE)
    with pytest.raises(LogError, match=words) as refused:
        salvage_log(broken, broken / ASIDE, SETTINGS)
    assert "--site" in str(refused.value) and "--same-site" in str(refused.value)
    assert readings_of(broken / "readings.db") == was
    assert salvage_log(broken, broken / ASIDE, SETTINGS, same_site=True).taken.added > 1000


def test_a_sensor_that_is_of_another_kind_here_is_refused(sites: tuple[Path, Path]) -> None:
    _, broken = sites
    with sqlite3.connect(broken / ASIDE) as db:
        db.execute("UPDATE sensor SET kind = 'pulse' WHERE name = 'gauge'")
    db.close()
    with pytest.raises(LogError, match="its sensor gauge is pulse, and here gauge is tip"):
        salvage_log(broken, broken / ASIDE, SETTINGS)


def test_the_sites_own_log_is_refused(sites: tuple[Path, Path]) -> None:
    _, broken = sites
    for own in (broken / "readings.db", broken):
        with pytest.raises(LogError, match="this is the site's own log"):
            salvage_log(broken, own, SETTINGS)


def test_a_damaged_page_of_the_sites_own_log_that_no_write_meets_ends_no_salvage(
    sites: tuple[Path, Path], tmp_path: Path
) -> None:
    site, _ = sites
    was = readings_of(site / "readings.db")
    back_up(site / "readings.db", tmp_path / "backup.db")
    lost = damage(site / "readings.db")
    refused = said("salvage", tmp_path / "backup.db", "--site", site)
    assert isinstance(refused.exception, LogError) and lost
    assert f"`rainstead salvage {site / 'readings.db'} --site {site} --log-aside`" in str(refused.exception)
    done = said("salvage", site / "readings.db", "--site", site, "--log-aside")
    assert done.exit_code == 0, done.output
    (aside,) = site.glob("readings-damaged-*.db")
    assert f"it is {aside.name} now" in done.output and "may be taken away" in done.output
    assert readings_of(site / "readings.db") == sorted(set(was) - set(lost))
    assert said("salvage", tmp_path / "backup.db", "--site", site).exit_code == 0
    assert readings_of(site / "readings.db") == was
    assert check_log(site / "readings.db").is_whole


def test_only_the_sites_own_log_is_moved_aside_and_only_a_damaged_one(sites: tuple[Path, Path]) -> None:
    whole, broken = sites
    for old, why in ((whole / "readings.db", "finds no damage"), (broken / "readings.db", "the site's own log alone")):
        with pytest.raises(LogError, match=why):
            salvage_log(whole, old, SETTINGS, aside_at_ms=WALL_MS)
    assert list(whole.glob("readings-damaged-*")) == []


def test_a_newer_log_and_a_first_page_that_is_gone_are_told_and_nothing_is_done(sites: tuple[Path, Path]) -> None:
    _, broken = sites
    newer = Path(shutil.copy(broken / ASIDE, broken / "newer.db"))
    with sqlite3.connect(newer) as db:
        db.execute("PRAGMA user_version = 99")
        db.execute("CREATE TABLE what_a_later_version_has (a)")
    db.close()
    with pytest.raises(LogError, match="schema 99"):
        salvage_log(broken, newer, SETTINGS)
    wipe(broken / ASIDE, [1])
    done = said("salvage", broken / ASIDE, "--site", broken)
    assert done.exit_code != 0 and "nothing of it can be read" in str(done.exception)
    assert "may be taken away" not in said("health", "--site", broken).output


def test_where_no_reading_can_be_read_the_exit_code_says_so_and_the_file_is_not_to_go(
    sites: tuple[Path, Path],
) -> None:
    _, broken = sites
    wipe(broken / ASIDE, pages_of(broken / ASIDE, ["reading", "block", "block_time"]))
    done = said("salvage", broken / ASIDE, "--site", broken)
    assert done.exit_code == 1 and "Nothing of it could be read" in done.output
    assert "rainstead salvage" in said("health", "--site", broken).output
