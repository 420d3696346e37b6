"""Room that is kept for a full disk: used, told, laid anew, and never in anybody's way."""

import itertools
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock
from small_disk import fill, loop_disk, small_disk

from rainstead.log import LogWriter, back_up
from rainstead_board.boardcare import BoardCare
from rainstead_board.keeper import HOLD_BACK_MS
from rainstead_board.spareroom import ANEW_AFTER_MS, LOOK_EVERY_MS, SPARE_ROOM, SpareRoom

ACTIVE, NORMAL = "active_unacknowledged", "normal"
FEW_MB = SITE + "low_space = { free_mb = 1.5, deadband_mb = 0.5 }\n"
SPARE, LEAVE = 4_000_000, 2_000_000
FULL = sqlite3.OperationalError("database or disk is full")
FULL.sqlite_errorcode = sqlite3.SQLITE_FULL
COMMIT_MS = 10_000


def free(folder: Path) -> int:
    told = os.statvfs(folder)
    return told.f_bavail * told.f_frsize


def site_on(folder: Path, size: int = SPARE) -> BoardSite:
    clock = FakeClock()
    care = BoardCare(clock, spare=SpareRoom(folder, size, LEAVE))
    return BoardSite(folder, [level(lambda t: 1200.0 + t % 7)], clock, text=FEW_MB, board=care)


def changes(site: BoardSite, *alarms: str) -> list[tuple[str, str]]:
    """Of these alarms, as the log has them in order of time."""
    events = sorted(
        (event.t_ms, k, alarm, event.state) for k, alarm in enumerate(alarms) for event in site.events(alarm)
    )
    return [(alarm, state) for _, _, alarm, state in events]


def run_watched(site: BoardSite, seconds: int, until: Callable[[], bool] = lambda: False) -> None:
    """As `run`; no reading waits longer than a commit meanwhile."""
    for _ in range(seconds):
        if until():
            break
        site.run(1)
        oldest_ms = site.logger._waiting.oldest_ms()
        assert oldest_ms is None or site.clock.now_ms - oldest_ms <= COMMIT_MS + HOLD_BACK_MS + 1000
        assert site.keeper.disk_trouble is None


def test_a_full_disk_is_given_the_spare_room_and_no_reading_waits_longer_than_one_commit(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 16) as disk:
        site = site_on(disk)
        spare = disk / SPARE_ROOM
        run_watched(site, 60)
        assert spare.stat().st_blocks * 512 >= SPARE
        assert b"keeps for a full disk" in spare.read_bytes()[:100]
        fill(disk, 1_200_000)
        run_watched(site, 30)
        assert changes(site, "low_space", "spare_room_used") == [("low_space", ACTIVE)]
        more = fill(disk, 0, "more")
        # What is allocated already takes some more; then a commit is refused, and goes through in the same round.
        run_watched(site, 3600, until=lambda: not spare.exists())
        run_watched(site, 60)
        assert not spare.exists()
        assert changes(site, "low_space", "spare_room_used", "disk_fault") == [
            ("low_space", ACTIVE),
            ("spare_room_used", ACTIVE),
        ]
        assert "the 4 MB that were kept for this are used" in site.events("spare_room_used")[0].reason
        # Full once more: as if nothing had ever been kept.
        last = fill(disk, 0, "last")
        for _ in range(720):
            site.run(10)
            if len(site.logger._waiting) > 60:
                break
        assert site.keeper.disk_trouble is not None and "full" in site.keeper.disk_trouble
        assert changes(site, "disk_fault") == []
        last.unlink()
        site.run(60)
        # There is room for readings, and none to be kept yet.
        more.unlink()
        site.run(2 * ANEW_AFTER_MS / 1000)
        assert not spare.exists()
        assert changes(site, "spare_room_used", "disk_fault") == [
            ("spare_room_used", ACTIVE),
            ("disk_fault", ACTIVE),
            ("disk_fault", NORMAL),
        ]
        (disk / "something else").unlink()
        site.run(ANEW_AFTER_MS / 1000)
        assert spare.stat().st_size == SPARE
        site.logger.stop()
        assert dict(changes(site, "low_space", "spare_room_used", "disk_fault")) == {
            "low_space": NORMAL,
            "spare_room_used": NORMAL,
            "disk_fault": NORMAL,
        }
        stamps = site.stamps("level")
        assert {later - earlier for earlier, later in itertools.pairwise(stamps)} == {1000}


def test_room_that_is_used_up_counts_as_none_so_that_its_own_return_ends_no_alarm(tmp_path: Path) -> None:
    """4 MB come free when it goes, and little space means 2 MB."""
    with small_disk(tmp_path / "disk", 16) as disk:
        site = site_on(disk)
        site.run(60)
        fill(disk, 0)
        run_watched(site, 3600, until=lambda: not (disk / SPARE_ROOM).exists())
        run_watched(site, 60)
        assert free(disk) > 2_000_000
        assert changes(site, "low_space", "spare_room_used") == [("low_space", ACTIVE), ("spare_room_used", ACTIVE)]
        assert site.events("low_space")[0].value == 0.0
        # Nor does a start: it is still owed.
        site.logger.stop()
        again = site_on(disk)
        again.run(120)
        assert changes(again, "low_space", "spare_room_used") == [("low_space", ACTIVE), ("spare_room_used", ACTIVE)]
        again.logger.stop()


def test_a_start_on_a_full_disk_uses_it_at_the_first_try(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 16) as disk:
        SpareRoom(disk, SPARE, LEAVE).tend(0)
        assert (disk / SPARE_ROOM).exists()
        fill(disk, 0)
        clock = FakeClock()
        site = BoardSite(
            disk,
            [level(lambda _: 1200.0)],
            clock,
            text=FEW_MB,
            writer=LogWriter(disk / "readings.db", aside_at_ms=clock.wall_ms(), patient=True),
            board=BoardCare(clock, spare=SpareRoom(disk, SPARE, LEAVE)),
        )
        run_watched(site, 60)
        site.logger.stop()
        assert len(site.stamps("level")) >= 59
        assert not (disk / SPARE_ROOM).exists()


def test_a_small_disk_goes_without_and_no_alarm_comes_of_laying_it(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 8) as disk:
        for leave, left in ((LEAVE, SPARE), (7_000_000, 7_000_000)):
            spare = SpareRoom(disk, SPARE, leave)
            filler = fill(disk, max(SPARE + left - 8192, 0))
            spare.tend(0)
            assert spare.word == "missing" and spare.trouble is None
            assert [path.name for path in disk.iterdir()] == [filler.name]
            filler.unlink()
        filler = fill(disk, 2 * SPARE + 8192)
        spare = SpareRoom(disk, SPARE, LEAVE)
        spare.tend(0)
        assert spare.word == "laid"
        assert free(disk) >= SPARE


def test_what_somebody_deleted_or_altered_is_laid_anew_within_a_minute(tmp_path: Path) -> None:
    site = site_on(tmp_path)
    spare, log = tmp_path / SPARE_ROOM, tmp_path / "readings.db"
    site.run(10)
    before = log.stat().st_size
    as_large = tmp_path / "as large"
    as_large.write_bytes(bytes(SPARE))

    def soft() -> None:
        spare.unlink()
        spare.symlink_to(log)

    def hard(to: Path) -> None:
        spare.unlink()
        os.link(to, spare)

    alterations: list[Callable[[], object]] = [
        spare.unlink,
        lambda: spare.write_bytes(b"short"),
        soft,
        lambda: hard(log),
        lambda: hard(as_large),
    ]
    for alter in alterations:
        alter()
        site.run(LOOK_EVERY_MS / 1000 + 10)
        assert not spare.is_symlink()
        assert spare.stat().st_nlink == 1 and spare.stat().st_size == SPARE
        assert log.stat().st_nlink == 1 and log.stat().st_size < before + 500_000
    spare.unlink()
    spare.mkdir()
    (spare / "something").touch()
    site.run(2 * LOOK_EVERY_MS / 1000)
    assert (spare / "something").exists()
    site.logger.stop()
    assert {later - earlier for earlier, later in itertools.pairwise(site.stamps("level"))} == {1000}


def test_a_copy_that_holds_no_room_is_laid_anew_at_the_start(tmp_path: Path) -> None:
    """As a folder has it that was copied with its holes left out."""
    with (tmp_path / SPARE_ROOM).open("wb") as file:
        file.truncate(SPARE)
    assert (tmp_path / SPARE_ROOM).stat().st_blocks == 0
    SpareRoom(tmp_path, SPARE, LEAVE).tend(0)
    assert (tmp_path / SPARE_ROOM).stat().st_blocks * 512 >= SPARE


def test_a_setting_of_none_or_another_size_takes_the_old_one_away(tmp_path: Path) -> None:
    path = tmp_path / SPARE_ROOM
    for size in (SPARE, SPARE // 2, 0):
        spare = SpareRoom(tmp_path, size, LEAVE)
        spare.tend(0)
        assert (path.stat().st_size if path.exists() else 0) == size
        assert spare.word == ("laid" if size else None)
    assert not SpareRoom(tmp_path, 0, LEAVE).give_up(FULL, 0)


def test_only_a_full_disk_takes_it(tmp_path: Path) -> None:
    spare = SpareRoom(tmp_path, SPARE, LEAVE)
    spare.tend(0)
    for name in ("SQLITE_IOERR", "SQLITE_READONLY", "SQLITE_CORRUPT", "SQLITE_BUSY"):
        error = sqlite3.OperationalError(name)
        error.sqlite_errorcode = getattr(sqlite3, name)
        assert not spare.give_up(error, 0)
    assert (tmp_path / SPARE_ROOM).exists()
    assert spare.give_up(FULL, 0) and spare.word == "used"
    assert not spare.give_up(FULL, 0), "there is no more of it"


def test_on_a_read_only_disk_it_neither_comes_nor_goes(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with loop_disk(tmp_path / "disk", 24) as disk:
        laid, missing = SpareRoom(disk, SPARE, LEAVE), SpareRoom(disk, SPARE + 1, LEAVE)
        laid.tend(0)
        subprocess.run(["mount", "-o", "remount,abort", disk], check=False)
        for minute in range(1, 6):
            laid.tend(minute * LOOK_EVERY_MS)
            missing.tend(minute * LOOK_EVERY_MS)
        assert laid.word == "laid" and missing.word == "missing"
        assert "ead-only" in (missing.trouble or "")
        assert not laid.give_up(FULL, 0)
        assert (disk / SPARE_ROOM).stat().st_size == SPARE
        assert len(caplog.records) <= 2, "told once for each"


def test_a_kill_at_any_call_of_the_system_leaves_it_whole_or_away_and_the_next_one_lays_it(tmp_path: Path) -> None:
    """A process that lays it and gives it up is ended by force before each of its calls in turn."""
    program = """
import os, signal, sqlite3, sys
from pathlib import Path
from rainstead_board.spareroom import SpareRoom
left = int(sys.argv[2])
def killing(call):
    def called(*given, **named):
        global left
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return call(*given, **named)
    return called
for name in ("open", "posix_fallocate", "pwrite", "close", "unlink", "rename", "lstat", "statvfs"):
    setattr(os, name, killing(getattr(os, name)))
spare = SpareRoom(Path(sys.argv[1]), 4_000_000, 2_000_000)
spare.tend(0)
full = sqlite3.OperationalError("full")
full.sqlite_errorcode = sqlite3.SQLITE_FULL
assert spare.give_up(full, 0)
spare.tend(600_000)
"""
    kills = 0
    for calls in itertools.count():
        done = subprocess.run([sys.executable, "-c", program, str(tmp_path), str(calls)], check=False, timeout=60)
        found = {path.name: path.stat().st_size for path in tmp_path.iterdir()}
        assert found.get(SPARE_ROOM, SPARE) == SPARE, "it never has its name before it has its size"
        if done.returncode == 0:
            break
        assert done.returncode == -signal.SIGKILL
        kills += 1
        next_one = SpareRoom(tmp_path, SPARE, LEAVE)
        next_one.tend(0)
        assert next_one.word == "laid"
        assert {path.name: path.stat().st_blocks * 512 >= SPARE for path in tmp_path.iterdir()} == {SPARE_ROOM: True}
        (tmp_path / SPARE_ROOM).unlink()
    assert kills > 15


def test_a_backup_has_none_of_it(tmp_path: Path) -> None:
    site, target = site_on(tmp_path), tmp_path / "elsewhere"
    site.run(30)
    target.mkdir()
    back_up(site.path, target / "copy.db")
    site.logger.stop()
    assert (tmp_path / SPARE_ROOM).exists()
    assert sum(path.stat().st_size for path in target.iterdir()) < 500_000
