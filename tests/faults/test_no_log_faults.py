"""The disk lets no log be opened or begun: sensors go on, readings wait, and no restart is needed once it does."""

import itertools
import logging
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from board_site import BoardSite, level
from fake_clock import FakeClock
from small_disk import fill, loop_disk, small_disk

from rainstead.boardhealth import read_board_health
from rainstead.errors import DiskRefuses, LogBusy
from rainstead.log import LogReader, LogWriter, check_log, damaged_logs
from rainstead_board.boardwatch import DISK_WELL_MS
from rainstead_board.doubt import LONG_WORK_MS
from rainstead_board.lamp import LampSays
from rainstead_board.logless import LONGEST_WAIT_MS, Logless
from rainstead_board.watchdog import Notifier

ACTIVE, NORMAL = "active_unacknowledged", "normal"
PAGE = 1024


def site_on(folder: Path, clock: FakeClock | None = None, **more: Any) -> BoardSite:
    """As the service starts it."""
    clock = clock or FakeClock()
    writer = LogWriter(folder / "readings.db", aside_at_ms=clock.wall_ms(), patient=True)
    return BoardSite(folder, [level(lambda t: 1200.0 + t % 7)], clock, writer=writer, **more)


def waits(site: BoardSite) -> bool:
    return isinstance(site.logger._keeper, Logless)


def gaps_ms(stamps: list[int]) -> set[int]:
    return {later - earlier for earlier, later in itertools.pairwise(stamps)}


def damage(site: BoardSite) -> int:
    """Wipe the page that the next commit meets, under a running logger; returns the newest stamp."""
    newest_ms = site.stamps("level")[-1]
    site.keeper.writer.reopen()  # what SQLite has in memory would hide it
    site.keeper.writer._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db = sqlite3.connect(f"{site.path.as_uri()}?mode=ro", uri=True)
    pages = [n for (n,) in db.execute("SELECT pageno FROM dbstat WHERE name = 'reading' ORDER BY path")]
    db.close()
    with site.path.open("r+b") as file:
        file.seek((pages[-1] - 1) * PAGE)
        file.write(b"\xa5" * PAGE)
    return newest_ms


def refusing_to_rename(monkeypatch: pytest.MonkeyPatch, error: OSError) -> Callable[[], None]:
    """Nothing can be moved, until the returned function is called."""
    context = monkeypatch.context()
    patch = context.__enter__()

    def refuse(*_: object) -> None:
        raise error

    patch.setattr(Path, "rename", refuse)

    def heal() -> None:
        context.__exit__(None, None, None)

    return heal


# --- while it runs -------------------------------------------------------------------------------------------------


def test_the_service_manager_grants_the_time_to_begin_anew_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_on(tmp_path, notifier=Notifier(None, watchdog_us=60_000_000))
    site.run(1800)
    damage(site)
    writer, notifier = site.keeper.writer, site.logger._notifier
    begin_anew, allowed_us = writer.begin_anew, []

    def begins(now_ms: int, why: str) -> None:
        allowed_us.append(notifier._allowed_us)
        begin_anew(now_ms, why)

    monkeypatch.setattr(writer, "begin_anew", begins)
    site.run(1800)
    site.logger.stop()
    assert allowed_us == [LONG_WORK_MS * 1000]
    assert notifier._allowed_us == 60_000_000


@pytest.mark.parametrize("trusted", [True, False])
def test_a_damaged_log_that_cannot_be_moved_aside_costs_no_reading_and_no_restart(
    trusted: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    site = site_on(tmp_path, trusted=trusted, health_path=tmp_path / "health.json")
    site.run(1800)
    newest_ms = damage(site)
    heal = refusing_to_rename(monkeypatch, OSError(30, "Read-only file system"))
    site.run(1800)
    assert waits(site) and damaged_logs(tmp_path) == ()
    assert len(site.logger._waiting) >= 1790
    assert site.logger._sampler.lamp_says is LampSays.DISK
    heal()
    told = read_board_health(tmp_path, "a test's site", tmp_path)
    assert told is not None and "cannot be moved aside" in told["disk_trouble"] and told["waiting"] >= 1790
    site.run(LONGEST_WAIT_MS / 1000 + 30)
    assert not waits(site)
    site.run(60 + DISK_WELL_MS / 1000)
    site.logger.stop()
    stamps = site.stamps("level")
    assert stamps[0] == newest_ms + 1000
    assert gaps_ms(stamps) == {1000}
    assert [event.state for event in site.events("disk_fault")] == [ACTIVE, NORMAL]
    assert site.events("disk_fault")[0].t_ms < newest_ms + 60_000, "told when it began"
    assert [event.state for event in site.events("log_damaged")] == [ACTIVE]
    assert len(damaged_logs(tmp_path)) == 1
    errors = [record for record in caplog.records if record.levelno >= logging.ERROR]
    assert len(errors) <= 4, [record.getMessage() for record in errors]


def test_twenty_damaged_logs_end_no_logging(tmp_path: Path) -> None:
    for number in range(20):
        (tmp_path / f"readings-damaged-202601{number:02}T000000Z.db").write_bytes(b"whatever")
    site = site_on(tmp_path)
    site.run(600)
    newest_ms = damage(site)
    site.run(300)
    assert waits(site)
    assert "20 damaged logs" in (site.logger._keeper.disk_trouble or "")
    (tmp_path / "readings-damaged-20260103T000000Z.db").unlink()
    site.run(90)
    site.logger.stop()
    assert site.stamps("level")[0] == newest_ms + 1000
    assert gaps_ms(site.stamps("level")) == {1000}


def test_a_damaged_log_on_a_full_disk_waits_for_room(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        site = site_on(disk)
        site.run(1800)
        newest_ms = damage(site)
        filler = fill(disk, 0)
        site.run(600)
        assert waits(site), site.logger._keeper
        filler.unlink()
        site.run(90)
        site.logger.stop()
        assert site.stamps("level")[0] == newest_ms + 1000
        assert gaps_ms(site.stamps("level")) == {1000}
        assert len(damaged_logs(disk)) == 1
        assert check_log(disk / "readings.db").is_whole


def test_a_move_that_the_disk_ended_half_way_is_finished_when_it_lets_us(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_on(tmp_path)
    site.run(1800)
    damage(site)
    site.run(5)
    rename, moved = Path.rename, []

    def once(self: Path, target: Path) -> Path:
        moved.append(target)
        if len(moved) in range(2, 6):
            raise OSError(5, "Input/output error")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", once)
    site.run(300)
    site.logger.stop()
    (aside,) = damaged_logs(tmp_path)
    assert aside.with_name(aside.name + "-wal").exists()
    assert gaps_ms(site.stamps("level")) == {1000}


def test_what_the_stop_finds_with_no_log_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    site = site_on(tmp_path)
    site.run(1800)
    damage(site)
    heal = refusing_to_rename(monkeypatch, OSError(30, "Read-only file system"))
    site.run(120)
    site.logger.stop()
    heal()
    assert any("readings could not be stored" in record.getMessage() for record in caplog.records)
    LogWriter(tmp_path / "readings.db", aside_at_ms=0).close()  # the lock is free


def test_a_stop_is_one_more_try(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = site_on(tmp_path)
    site.run(1800)
    newest_ms = damage(site)
    heal = refusing_to_rename(monkeypatch, OSError(30, "Read-only file system"))
    site.run(120)
    heal()
    site.logger.stop()
    assert site.stamps("level")[0] == newest_ms + 1000
    assert gaps_ms(site.stamps("level")) == {1000}


# --- at the start --------------------------------------------------------------------------------------------------


def test_a_start_on_a_full_disk_loses_nothing(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        filler = fill(disk, 0)
        site = site_on(disk)
        begun_ms = site.clock.wall_ms()
        site.run(600)
        assert waits(site)
        assert "full" in (site.logger._keeper.disk_trouble or "")
        filler.unlink()
        site.run(90 + DISK_WELL_MS / 1000)
        site.logger.stop()
        stamps = site.stamps("level")
        assert stamps[0] <= begun_ms + 1000
        assert gaps_ms(stamps) == {1000}
        assert [event.state for event in site.events("disk_fault")] == [ACTIVE, NORMAL]
        assert site.events("disk_fault")[0].t_ms <= begun_ms + 10_000


def test_a_start_on_a_read_only_file_system_waits_for_it(tmp_path: Path) -> None:
    with loop_disk(tmp_path / "disk", 8) as disk:
        first = site_on(disk)
        first.run(60)
        first.logger.stop()
        before = len(first.stamps("level"))
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        first.clock.now_ms += 1000
        site = site_on(disk, first.clock, boot="next")
        site.run(300)
        assert waits(site)
        subprocess.run(["mount", "-o", "remount,rw", disk], check=True)
        site.run(90)
        site.logger.stop()
        assert gaps_ms(site.stamps("level")) == {1000}
        assert len(site.stamps("level")) >= before + 389


def test_readings_that_waited_with_a_clock_that_nobody_set_lie_behind_the_log_and_move_when_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = site_on(tmp_path)
    first.run(60)
    first.logger.stop()
    newest_ms = first.stamps("level")[-1]
    with monkeypatch.context() as patch:
        patch.setattr(sqlite3, "connect", refuse_to_open)
        clock = FakeClock(boot_ms=5_000, wall_ms=newest_ms - 86_400_000)  # the last hour that was saved, long ago
        site = site_on(tmp_path, clock, boot="next", trusted=False)
        site.run(3600)
        assert waits(site)
    site.run(90)
    stamps = site.stamps("level")
    assert len(stamps) >= 3600
    later = [stamp for stamp in stamps if stamp > newest_ms]
    assert later[0] == newest_ms + 1 and gaps_ms(later) == {1000}
    site.clock.step_wall(2 * 86_400_000)
    site.trusted = True
    site.run(60)
    site.logger.stop()
    moved = [stamp for stamp in site.stamps("level") if stamp > newest_ms]
    assert gaps_ms(moved) == {1000}
    assert moved[0] == newest_ms + 86_400_000, "when it was read, by the clock that is right"


def refuse_to_open(*_: object, **__: object) -> None:
    error = sqlite3.OperationalError("unable to open database file")
    error.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
    raise error


def test_tries_come_ever_further_apart_and_never_more_than_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite3, "connect", refuse_to_open)
    site, tries = site_on(tmp_path), list[int]()
    again = site.logger._writer.try_again

    def counted(now_ms: int) -> None:
        tries.append(site.clock.now_ms)
        again(now_ms)

    monkeypatch.setattr(site.logger._writer, "try_again", counted)
    site.run(600)
    waits_ms = [later - earlier for earlier, later in itertools.pairwise(tries)]
    assert waits_ms[:3] == sorted(waits_ms[:3]) and waits_ms[0] < 30_000
    assert set(waits_ms[4:]) == {LONGEST_WAIT_MS}
    assert site.logger._waiting.dropped == 0


def test_another_writer_is_still_refused_at_once(tmp_path: Path) -> None:
    with LogWriter(tmp_path / "readings.db"), pytest.raises(LogBusy):
        LogWriter(tmp_path / "readings.db", aside_at_ms=0, patient=True)


def test_who_is_not_patient_is_told_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(sqlite3, "connect", refuse_to_open)
        with pytest.raises(DiskRefuses, match="cannot be opened"):
            LogWriter(tmp_path / "readings.db")
    LogWriter(tmp_path / "readings.db").close()
    with LogReader(tmp_path) as reader:
        assert reader.count() == 0
