"""Whatever happens to the site, the page says it in words: never a traceback, and what is old never looks new."""

import json
import logging
import os
import queue
import re
import shutil
import sqlite3
import subprocess
import threading
from pathlib import Path
from typing import Any

import pytest
from fake_clock import FakeClock
from paged_site import NOW_MS, PAGED, as_json, in_front_of, paged_site
from small_disk import fill, small_disk
from werkzeug.test import Client

from rainstead import answers
from rainstead.errors import LogDamaged
from rainstead.inforce import InForce
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Kind
from rainstead.settings import load_settings, parse_settings
from rainstead_page.keeping import Kept
from rainstead_page.screens import SCREENS, Screen
from rainstead_page.site import Site

SCREENS_OF_NOW = ("/", "/alarms", "/storms", "/runs", "/rain", "/health")


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(wall_ms=NOW_MS)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return paged_site(tmp_path / "site")


def later(clock: FakeClock, minutes: float = 10) -> None:
    clock.now_ms += round(minutes * 60_000)


def test_without_a_log_every_screen_says_that_there_is_none_yet(site: Path, clock: FakeClock) -> None:
    (site / "readings.db").unlink()
    with in_front_of(site, clock) as page:
        for path in SCREENS_OF_NOW:
            told = page.get(path)
            assert told.status_code == 503, path
            assert "there is no log here; start the logger" in told.text, path
            assert str(site) not in told.text
        told_json = page.get("/now.json")
    assert told_json.status_code == 503
    assert "there is no log here" in json.loads(told_json.text)["because"]


def test_a_log_that_comes_is_shown(tmp_path: Path, clock: FakeClock) -> None:
    site = paged_site(tmp_path / "site")
    (site / "readings.db").rename(tmp_path / "kept.db")
    with in_front_of(site, clock) as page:
        assert page.get("/").status_code == 503
        shutil.copy(tmp_path / "kept.db", site / "readings.db")
        later(clock, 0.1)
        assert "2,400 L" in page.get("/").text


def test_a_logger_that_stopped_is_told_with_its_newest_reading_and_every_level_is_marked_old(
    site: Path, clock: FakeClock
) -> None:
    with in_front_of(site, clock) as page:
        assert "nothing here is newer" not in page.get("/").text
        later(clock, 180)
        told = page.get("/").text
    assert re.search(r"Newest reading 3\.0 h old</strong> \(2026-03-20 11:59 WET\): nothing here is newer", told)
    assert told.count('<span class="tag">OLD</span>') == 2
    assert told.count('class="card stale"') >= 3
    assert "last known, 3.0 h old" in told
    assert "last known, not measured now" in told


def test_what_a_killed_logger_left_is_read(site: Path, clock: FakeClock) -> None:
    """The write-ahead log is there as a kill leaves it: nobody has closed the file."""
    killed = site.parent / "killed"
    with LogWriter(site / "readings.db") as writer:
        number = writer.sensor_numbers({"east_level": Kind.LEVEL})["east_level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "another boot", 0), 0, trusted=True)
        writer.append([(NOW_MS - 1000, number, segment, 2000.0, 0, None, None)])
        assert (site / "readings.db-wal").stat().st_size > 0
        shutil.copytree(site, killed)
    with in_front_of(killed, clock) as page:
        assert "1,000 L" in page.get("/").text


def test_a_log_being_written_is_read_beside_its_writer(site: Path, clock: FakeClock) -> None:
    with LogWriter(site / "readings.db") as writer, in_front_of(site, clock) as page:
        number = writer.sensor_numbers({"east_level": Kind.LEVEL})["east_level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "another boot", 0), 0, trusted=True)
        for k in range(5):
            later(clock, 1)
            writer.append([(clock.wall_ms() - 1000, number, segment, 1500.0 + 100 * k, 0, None, None)])
            assert f"{2 * (1000 - 100 * k):,} L" in page.get("/").text


def test_a_late_reading_changes_what_was_carried(site: Path, clock: FakeClock) -> None:
    """The page carries its state from look to look; what comes later with an earlier stamp is not lost on it."""
    with LogWriter(site / "readings.db") as writer, in_front_of(site, clock) as page:
        gauge = writer.sensor_numbers({"gauge": Kind.TIP})["gauge"]
        segment = writer.begin_segment(writer.begin_boot("logger", "another boot", 0), 0, trusted=True)
        assert as_json(page, "/now.json")["rain"]["storm"]["tips"] == 20
        writer.append([(NOW_MS - 600_000, gauge, segment, 1.0, 0, None, None)])
        later(clock, 1)
        carried = as_json(page, "/now.json")
        assert carried["rain"]["storm"]["tips"] == 21
        assert carried["rain"]["last_hour_mm"] == pytest.approx(4.2)


def of_the_desk(site: Path, as_of_ms: int) -> answers.NowAnswer:
    with LogReader(site) as log:
        return answers.now(load_settings(site / "site.toml"), log, as_of_ms)


def test_a_new_log_in_the_place_of_the_old_one_is_begun_anew(site: Path, clock: FakeClock) -> None:
    other = paged_site(site.parent / "other", NOW_MS + 3_600_000)
    with in_front_of(site, clock) as page:
        page.get("/")
        (site / "readings.db").rename(site / "readings-damaged-20260320T120000Z.db")
        later(clock, 60)
        gone = page.get("/").text
        assert "This is not of now" in gone and "there is no log here" in gone and "2,400 L" in gone
        shutil.copy(other / "readings.db", site / "readings.db")
        later(clock, 0.1)
        assert as_json(page, "/now.json") == answers.to_plain(of_the_desk(site, clock.wall_ms()))
        assert "readings-damaged-20260320T120000Z.db" in page.get("/health").text


@pytest.mark.parametrize("spoil", ["emptied", "garbage", "holes", "folder"])
def test_a_damaged_log_is_told_and_the_last_answer_stays_with_its_time(
    site: Path, clock: FakeClock, spoil: str
) -> None:
    log = site / "readings.db"
    with in_front_of(site, clock) as page:
        for path in SCREENS_OF_NOW:
            assert page.get(path).status_code == 200
        later(clock)
        match spoil:
            case "emptied":
                log.write_bytes(b"")
            case "garbage":
                log.write_bytes(b"\x07garbage" * 4000)
            case "holes":
                held = bytearray(log.read_bytes())
                for k in range(4096, len(held) - 4096, 4096):
                    held[k : k + 2048] = os.urandom(2048)
                log.write_bytes(bytes(held))
            case _:
                log.unlink()
                log.mkdir()
        for path in SCREENS_OF_NOW:
            told = page.get(path)
            assert told.status_code in (200, 503), path
            assert "Traceback" not in told.text
            shown = told.text.split("<main>")[1]
            assert "This is not of now" in shown or 'class="said"' in shown, (path, shown[:500])


def test_settings_edited_to_nonsense_do_not_hold_and_good_ones_do(
    site: Path, clock: FakeClock, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    toml = site / "site.toml"
    with in_front_of(site, clock) as page:
        assert "west" in page.get("/").text
        toml.write_text('[site]\nname = "x\nnonsense SECRETVALUE', "utf-8")
        later(clock, 0.02)
        told = page.get("/").text
        assert "site.toml was changed and cannot be used" in told
        assert "SECRETVALUE" not in told
        assert "2,400 L" in told
        for _ in range(3):
            page.get("/")
        assert caplog.text.count("which were in force before") == 1
        toml.unlink()
        assert "cannot be used" in page.get("/").text
        toml.write_text(PAGED.replace('name = "Hand-worked"', 'name = "Renamed"'), "utf-8")
        told = page.get("/").text
        assert "Renamed" in told and "cannot be used" not in told


NO_SENSORS = """
[site]
name = "Bare"
time_zone = "UTC"
latitude_deg = 39.0

[tanks.spare]
brim = "1.0 m"
calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m" }]

[page]
"""
NAMES_SWAPPED = PAGED.replace('"gauge"', '"x"').replace('"meter"', '"gauge"').replace('"x"', '"meter"')
NAMES_SWAPPED = NAMES_SWAPPED.replace("s.gauge]", "s.x]").replace("s.meter]", "s.gauge]").replace("s.x]", "s.meter]")


@pytest.mark.parametrize(
    ("text", "said"),
    [(NO_SENSORS, "there is nothing to read"), (NAMES_SWAPPED, "give the new sensor a new name")],
    ids=["no sensors", "another kind under a name that the log has"],
)
def test_an_edit_that_the_logger_would_refuse_does_not_hold_here_either(
    site: Path, clock: FakeClock, caplog: pytest.LogCaptureFixture, text: str, said: str
) -> None:
    parse_settings(text, "good in itself")
    with in_front_of(site, clock) as page:
        page.get("/")
        (site / "site.toml").write_text(text, "utf-8")
        later(clock, 0.02)
        assert "site.toml was changed and cannot be used, so the last good settings hold" in page.get("/").text
    assert said in caplog.text and "which were in force before" in caplog.text


def test_new_names_hold_at_once_and_a_new_port_at_the_next_start(site: Path, clock: FakeClock) -> None:
    with in_front_of(site, clock) as page:
        assert page.get("/", headers={"Host": "shed.local"}).status_code == 400
        (site / "site.toml").write_text(PAGED.replace("raintank.local", "shed.local") + "port = 9999\n", "utf-8")
        told = page.get("/")  # the first look reads them
        assert "it holds once rainstead-page is started again" in told.text
        assert page.get("/", headers={"Host": "shed.local"}).status_code == 200
        assert page.get("/", headers={"Host": "raintank.local"}).status_code == 400


@pytest.mark.parametrize("trouble", ["full", "read-only"])
def test_a_disk_that_takes_nothing_more_is_read_beside_a_logger_and_is_words_without_one(
    tmp_path: Path, clock: FakeClock, trouble: str
) -> None:
    """Beside a log that nobody has open SQLite wants to lay files of its own, for which there may be no room."""
    with small_disk(tmp_path / "disk", 4) as disk:
        site = paged_site(disk / "site")
        with LogWriter(site / "readings.db"), in_front_of(site, clock) as page:
            spoilt(disk, "full")  # read-only it cannot be made while a file is open for writing
            assert "2,400 L" in page.get("/").text
            spoilt(disk, "well")
        for part in ("-wal", "-shm"):
            (site / f"readings.db{part}").unlink(missing_ok=True)
        spoilt(disk, trouble)
        with in_front_of(site, clock) as page:
            for path in SCREENS_OF_NOW:
                told = page.get(path)
                assert told.status_code in (200, 503) and "Traceback" not in told.text, path
                assert told.status_code == 200 or "cannot be read now" in told.text, path
            spoilt(disk, "well")
            later(clock)
            assert "2,400 L" in page.get("/").text


def spoilt(disk: Path, trouble: str) -> None:
    """Make the disk so."""
    options = "remount,ro" if trouble == "read-only" else "remount,rw"
    subprocess.run(["mount", "-o", options, disk], check=True)
    if trouble == "full":
        fill(disk, 0)
    elif trouble == "well":
        (disk / "something else").unlink(missing_ok=True)


def with_now(monkeypatch: pytest.MonkeyPatch, answer: Any) -> None:
    monkeypatch.setitem(SCREENS, "now", Screen(answer))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(5, "Input/output error"), "Input/output error"),
        (sqlite3.OperationalError("disk I/O error"), "could not be worked out (OperationalError)"),
        (sqlite3.OperationalError("database or disk is full"), "could not be worked out (OperationalError)"),
        (LogDamaged("an hour is not as it was written"), "an hour is not as it was written"),
        (MemoryError(), "could not be worked out (MemoryError)"),
        (ZeroDivisionError("PRIVATE"), "could not be worked out (ZeroDivisionError)"),
    ],
)
def test_an_error_of_any_kind_is_words_once_in_the_journal_and_passes(
    site: Path,
    clock: FakeClock,
    error: Exception,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    good = SCREENS["now"].answer
    caplog.set_level(logging.INFO)

    def fails(_ask: Any) -> Any:
        raise error

    with in_front_of(site, clock) as page:
        with_now(monkeypatch, fails)
        first = page.get("/")
        later(clock)
        second = page.get("/")
        with_now(monkeypatch, good)
        later(clock)
        third = page.get("/")
    assert first.status_code == second.status_code == 503
    assert said in first.text and "PRIVATE" not in first.text and "Traceback" not in first.text
    assert sum("no answer now" in one.message for one in caplog.records) == 1
    assert third.status_code == 200 and "now: answered again" in caplog.text


def test_a_screen_that_cannot_be_laid_out_is_words_too(
    site: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_now(monkeypatch, lambda _ask: (object(), 0))
    with in_front_of(site, clock) as page:
        told = page.get("/")
    assert told.status_code == 503
    assert "This cannot be shown now (UndefinedError)" in told.text


def test_however_many_ask_one_answer_is_worked_out(
    site: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    go = threading.Event()
    real = SCREENS["now"].answer

    def slow(ask: Any) -> Any:
        asked.append(1)
        assert go.wait(30)
        return real(ask)

    with_now(monkeypatch, slow)
    with in_front_of(site, clock) as page:
        found: list[int] = []
        askers = [threading.Thread(target=lambda: found.append(page.get("/").status_code)) for _ in range(20)]
        for one in askers:
            one.start()
        go.set()
        for one in askers:
            one.join(30)
        assert found == [200] * 20 and len(asked) == 1
        page.get("/")
        assert len(asked) == 1, "it is kept for some seconds"
        later(clock, 0.06)
        page.get("/")
        assert len(asked) == 2


def test_a_crowd_that_asks_for_what_takes_long_does_not_fill_the_server(
    site: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three of ten wait, the others are told at once: the server has six threads, and now must have some of them."""
    go = threading.Event()
    real = SCREENS["storms"].answer

    def slow(ask: Any) -> Any:
        assert go.wait(30)
        return real(ask)

    monkeypatch.setitem(SCREENS, "storms", Screen(slow, SCREENS["storms"].takes, is_heavy=True))
    with in_front_of(site, clock) as page:
        found: queue.Queue[int] = queue.Queue()
        askers = [threading.Thread(target=lambda: found.put(page.get("/storms").status_code)) for _ in range(10)]
        for one in askers:
            one.start()
        told = [found.get(timeout=30) for _ in range(7)]
        assert told == [202] * 7
        assert page.get("/").status_code == 200
        go.set()
        assert [found.get(timeout=30) for _ in range(3)] == [200] * 3
        for one in askers:
            one.join(30)


def test_what_takes_long_is_told_at_once_and_shown_when_it_is_there(
    site: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    go, done = threading.Event(), threading.Event()
    real = SCREENS["now"].answer

    def slow(ask: Any) -> Any:
        assert go.wait(30)
        done.set()
        return real(ask)

    with_now(monkeypatch, slow)
    with in_front_of(site, clock, patience_s=0.05) as page:
        told, told_json = page.get("/"), page.get("/now.json")
        assert told.status_code == 202 and 'http-equiv="refresh"' in told.text and "being worked out" in told.text
        assert told_json.status_code == 503 and int(told_json.headers["Retry-After"]) > 0
        go.set()
        assert done.wait(30)
        assert "2,400 L" in when_there(page)
        go.clear()
        later(clock)
        old = page.get("/")
        go.set()
    assert old.status_code == 200 and "a newer answer is still being worked out" in old.text


def when_there(page: Client) -> str:
    """The page once its answer is there; it takes some tens of milliseconds."""
    for _ in range(600):
        told = page.get("/")
        if told.status_code == 200:
            break
    return told.text


def test_questions_that_differ_do_not_fill_the_memory(site: Path, clock: FakeClock) -> None:
    kept = Kept(Site(site, InForce(load_settings(site / "site.toml"), "", None), clock), clock)
    for days in range(1, 60):
        assert kept.ask("rain", {"days": days}).answer is not None
    assert len(kept._entries) < 30
    assert not kept._jobs


def test_a_sheet_without_the_library_for_it_says_what_to_install(
    site: Path, clock: FakeClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in = "raise ModuleNotFoundError(\"No module named 'scipy'\", name='scipy')\n"
    (tmp_path / "scipy.py").write_text(stand_in, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with in_front_of(site, clock) as page:
        told = page.get(f"/runs/{NOW_MS - 90 * 60_000}")
        assert page.get("/").status_code == 200
    assert told.status_code == 503
    assert "scipy is not installed here; `pip install" in told.text


def test_a_sheet_imports_nothing_from_the_folder_in_which_the_page_was_started(
    site: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    (site / "numpy.py").write_text("import os; os._exit(1)")
    monkeypatch.chdir(site)
    with in_front_of(site, clock) as page:
        assert page.get(f"/runs/{NOW_MS - 90 * 60_000}").status_code != 503


def test_a_sheet_whose_process_is_killed_is_words(
    site: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Killed(subprocess.Popen[bytes]):
        def communicate(self, *_: Any, **__: Any) -> tuple[bytes, bytes]:
            self.kill()
            return b"", b""

    with in_front_of(site, clock) as page:
        with monkeypatch.context() as patched:
            patched.setattr(subprocess, "Popen", Killed)
            told = page.get(f"/runs/{NOW_MS - 90 * 60_000}")
        assert told.status_code == 503
        assert "its process ended without an answer" in told.text


def test_a_clock_that_is_not_set_is_told(tmp_path: Path, clock: FakeClock) -> None:
    site = paged_site(tmp_path / "site")
    with LogWriter(site / "readings.db") as writer:
        writer.begin_segment(writer.begin_boot("logger", "another boot", 0), 0, trusted=False)
    with in_front_of(site, clock) as page:
        assert "The board&#39;s clock has not been set" in page.get("/").text.replace("'", "&#39;")


def test_a_sick_sensor_is_told_beside_its_tank(tmp_path: Path, clock: FakeClock) -> None:
    site = paged_site(tmp_path / "site")
    with LogWriter(site / "readings.db") as writer:
        number = writer.sensor_numbers({"east_level": Kind.LEVEL})["east_level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "another boot", 0), 0, trusted=True)
        writer.append([(NOW_MS + k * 60_000 - 1000, number, segment, 400.0, 0, None, None) for k in range(1, 7)])
    later(clock, 6)
    with in_front_of(site, clock) as page:
        told = page.get("/").text
    card = told.split("<h3>east")[1].split("</li>")[0]
    assert "DOUBTFUL" in card and "doubtful: east_level:" in card
