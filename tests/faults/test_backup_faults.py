"""Backups that fill a disk, meet a full one or a damaged log, or are killed: few stay, and the last whole one does."""

import os
import re
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from board_site import SITE
from small_disk import fill, small_disk
from typer.testing import CliRunner

from rainstead.answers import BackupAnswer, backup_site
from rainstead.cli.commands import app
from rainstead.errors import HeldByAnother, LogError
from rainstead.log import LogReader, LogWriter, check_log
from rainstead.notebook import Dip, Notebook
from rainstead.readings import Kind

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BEGIN_MS = 1_780_000_000_000 - 1_780_000_000_000 % HOUR_MS
MUCH = 30_000
"""Readings of a log of some 0.9 MB."""


def site_at(folder: Path, readings: int = 4000) -> Path:
    """A site with some sealed hours and some fresh rows."""
    folder.mkdir(exist_ok=True)
    with LogWriter(folder / "readings.db") as writer:
        number = writer.sensor_numbers({"level": Kind.LEVEL})["level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), BEGIN_MS, trusted=True)
        rows = [(BEGIN_MS + k * 10_000, number, segment, 900.0 + k % 9, 0, 1.5, 8) for k in range(readings)]
        writer.append(rows)
        for _ in range(4):
            writer.seal_some(BEGIN_MS + 10 * HOUR_MS)
    (folder / "site.toml").write_text(SITE + "low_space = { free_mb = 1.5, deadband_mb = 0.5 }\n")
    return folder


def damage(site: Path) -> None:
    """One turned bit in a sealed hour."""
    with sqlite3.connect(site / "readings.db") as db:
        number, body = db.execute("SELECT id, body FROM block ORDER BY id LIMIT 1").fetchone()
        db.execute("UPDATE block SET body = ? WHERE id = ?", (body[:40] + bytes([body[40] ^ 1]) + body[41:], number))
    db.close()


def night(site: Path, folder: Path, number: int, keep: int | None = 2) -> BackupAnswer:
    return backup_site(site, folder, BEGIN_MS + number * DAY_MS, keep=keep)


def name(number: int, damaged: bool = False) -> str:
    made = datetime.fromtimestamp(BEGIN_MS // 1000 + number * 86_400, UTC)
    return f"readings-{made:%Y%m%dT%H%M%SZ}{'.damaged' if damaged else ''}.db"


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("readings-"))


@contextmanager
def stick_for(tmp_path: Path, site: Path, copies: float) -> Iterator[Path]:
    """A disk with room for so many copies of the site's log."""
    probe = tmp_path / "probe.db"
    backup_site(site, probe, BEGIN_MS)
    size = probe.stat().st_size
    with small_disk(tmp_path / "stick", int(size * copies / 1_000_000) + 8) as stick:
        fill(stick, int(size * copies))
        yield stick


def test_a_damaged_hour_does_not_fill_the_disk_with_backups_and_the_whole_ones_stay(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    for number in range(3):
        night(site, folder, number, keep=3)
    damage(site)
    for number in range(3, 9):
        done = night(site, folder, number, keep=3)
        assert not done.check.is_whole
        assert names(folder) == [name(1), name(2), name(number, damaged=True)]
        assert done.newest_whole == folder / name(2)
    assert check_log(folder / name(2)).is_whole


def test_once_the_log_is_whole_again_its_damaged_copies_go_before_whole_ones(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    night(site, folder, 0, keep=3)
    damage(site)
    night(site, folder, 1, keep=3)
    damage(site)  # the same bit: it is back
    night(site, folder, 2, keep=3)
    night(site, folder, 3, keep=3)
    assert names(folder) == [name(0), name(2), name(3)]


def test_the_last_whole_backup_of_a_log_that_was_moved_aside_stays_until_that_is_taken_away(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    for number in range(3):
        night(site, folder, number)
    aside = site / name(3).replace("readings-", "readings-damaged-")
    (site / "readings.db").rename(aside)
    site_at(site, 100)
    for number in range(3, 8):
        night(site, folder, number, keep=3)
    assert names(folder) == [name(2), name(6), name(7)]
    night(site, folder, 8, keep=1)
    assert names(folder) == [name(2), name(8)]
    aside.unlink()
    night(site, folder, 9)
    assert names(folder) == [name(8), name(9)]


def test_copies_of_a_clock_that_was_a_year_ahead_push_out_none_of_the_nights_after(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    for number in range(3):
        assert night(site, folder, 365 + number, keep=3).ahead == ()
    for number in range(3, 6):
        ahead = tuple(folder / name(365 + k) for k in range(number - 3, 3))
        done = night(site, folder, number, keep=3)
        assert (done.ahead, done.removed) == (ahead, ahead[:1])
        assert done.newest_whole == folder / name(number)
    assert names(folder) == [name(3), name(4), name(5)]


def test_the_last_whole_backup_stays_though_its_clock_was_ahead_and_is_told(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    for number in range(3):
        night(site, folder, 10 * 365 + number, keep=3)
    damage(site)
    for number in range(3, 7):
        night(site, folder, number, keep=1)
        assert names(folder) == [name(number, damaged=True), name(10 * 365 + 2)]
    done = CliRunner().invoke(app, ["backup", str(folder), "--site", str(site), "--keep", "1"])
    assert f"{folder / name(10 * 365 + 2)}: is named for a time more than a day to come" in done.output.replace(
        "\n", ""
    )
    damage(site)  # the same bit: it is back
    now = night(site, folder, 7, keep=1)
    assert now.newest_whole == folder / name(7)
    assert name(10 * 365 + 2) not in names(folder)


@pytest.mark.parametrize(("copies_from", "aside_at"), [(365, 3), (365, 368), (0, 368)])
def test_whichever_clock_was_ahead_a_whole_backup_of_a_log_that_was_moved_aside_stays(
    tmp_path: Path, copies_from: int, aside_at: int
) -> None:
    site, folder = site_at(tmp_path / "site", 5000), tmp_path / "backups"
    folder.mkdir()
    for number in range(3):
        night(site, folder, copies_from + number, keep=3)
    (site / "readings.db").rename(site / name(aside_at).replace("readings-", "readings-damaged-"))
    site_at(site, 100)
    for number in range(3, 9):
        night(site, folder, number, keep=3)
        assert [one for one in names(folder) if check_log(folder / one).readings == 5000]
    assert len(names(folder)) == 3


def test_a_damaged_log_is_told_with_the_newest_whole_backup_and_exit_code_1(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    night(site, folder, 0)
    damage(site)
    done = CliRunner().invoke(app, ["backup", str(folder), "--site", str(site), "--keep", "1"])
    assert done.exit_code == 1
    assert f"the newest whole backup is {folder / name(0)}" in done.output.replace("\n", "")
    assert len(names(folder)) == 2


def test_a_backup_that_was_spoilt_where_it_lies_is_not_relied_on(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    for number in range(3):
        night(site, folder, number, keep=3)
    (folder / name(2)).write_bytes((folder / name(2)).read_bytes()[:5000] + b"rubbish" * 1000)
    damage(site)
    done = night(site, folder, 3, keep=2)
    assert done.found_damaged == (folder / name(2, damaged=True),)
    assert done.newest_whole == folder / name(1)
    assert names(folder) == [name(1), name(3, damaged=True)]


def test_a_full_target_lets_the_oldest_backup_go_for_the_new_one(tmp_path: Path) -> None:
    site = site_at(tmp_path / "site", MUCH)
    with stick_for(tmp_path, site, 3.4) as stick:
        for number in range(3):
            assert night(site, stick, number, keep=14).for_room == ()
        for number in range(3, 8):
            done = night(site, stick, number, keep=14)
            assert done.check.is_whole
            assert done.for_room == (stick / name(number - 3),)
            assert re.fullmatch(r"it wants 0\.9 MB, and 0\.[345] MB are free", done.no_room or "")
            assert names(stick) == [name(number - 2), name(number - 1), name(number)]


def test_on_a_full_target_damaged_backups_go_before_whole_ones(tmp_path: Path) -> None:
    site = site_at(tmp_path / "site", MUCH)
    with stick_for(tmp_path, site, 2.4) as stick:
        night(site, stick, 0, keep=14)
        damage(site)
        for number in range(1, 4):
            night(site, stick, number, keep=14)
            assert names(stick) == [name(0), name(number, damaged=True)]


def test_a_full_target_never_loses_its_last_whole_backup_and_is_told_with_its_room(tmp_path: Path) -> None:
    site = site_at(tmp_path / "site", MUCH)
    with stick_for(tmp_path, site, 1.6) as stick:
        night(site, stick, 0, keep=14)
        for number in range(1, 4):
            with pytest.raises(LogError, match=r"stick: .*it wants 0\.9 MB, and 0\.[56] MB are free.*newest whole"):
                night(site, stick, number, keep=14)
            assert names(stick) == [name(0)], "nothing is left of the try"
        assert check_log(stick / name(0)).is_whole
        done = CliRunner().invoke(app, ["backup", str(stick), "--site", str(site), "--keep", "14"])
        assert done.exit_code == 1


def test_no_backup_goes_where_that_would_not_make_room_enough_or_nobody_asked_for_it(tmp_path: Path) -> None:
    site = site_at(tmp_path / "site")
    with stick_for(tmp_path, site, 4.4) as stick:
        for number in range(4):
            night(site, stick, number, keep=14)
        with pytest.raises(LogError, match="--keep lets older backups go"):
            night(site, stick, 4, keep=None)
        (site / "readings.db").unlink()
        site_at(site, 10 * MUCH)
        with pytest.raises(LogError, match=r"too small"):
            night(site, stick, 5, keep=14)
        assert names(stick) == [name(number) for number in range(4)]


def test_a_disk_that_fills_while_it_is_copied_to_leaves_nothing_of_the_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk tells of room that it has not."""

    class Roomy:
        f_blocks, f_frsize, f_bavail = 10**6, 4096, 10**6

    site = site_at(tmp_path / "site", MUCH)
    with stick_for(tmp_path, site, 2.5) as stick:
        for number in range(2):
            night(site, stick, number, keep=14)
        monkeypatch.setattr(os, "statvfs", lambda _: Roomy)
        with pytest.raises(LogError, match="no room"):
            night(site, stick, 2, keep=None)
        with pytest.raises(LogError, match="no room"):
            backup_site(site, stick / "by-hand.db", BEGIN_MS)
        assert sorted(path.name for path in stick.iterdir()) == [name(0), name(1), "something else"]
        done = night(site, stick, 3, keep=14)
        assert done.check.is_whole
        assert done.for_room == (stick / name(0),)
        assert names(stick) == [name(1), name(3)]
        monkeypatch.undo()


def test_a_copy_wants_no_more_room_than_it_takes_in_the_end_and_has_no_free_pages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither there nor where SQLite keeps its temporary files, which is the logger's own card."""
    site = site_at(tmp_path / "site", MUCH)
    with LogWriter(site / "readings.db") as writer:
        while writer.seal_some(BEGIN_MS + 1000 * HOUR_MS):
            pass
    log_bytes = (site / "readings.db").stat().st_size
    with small_disk(tmp_path / "temporary", 1) as temporary, small_disk(tmp_path / "stick", 1) as stick:
        fill(temporary, 0)
        monkeypatch.setenv("SQLITE_TMPDIR", str(temporary))
        done = night(site, stick, 0)
        assert done.check.is_whole
        assert done.check.size_bytes < log_bytes / 3
        with sqlite3.connect(stick / name(0)) as db:
            assert db.execute("PRAGMA freelist_count").fetchone() == (0,)
        db.close()


def test_a_page_that_cannot_be_read_is_copied_as_it_is_and_does_not_fill_the_disk_either(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site", MUCH), tmp_path / "backups"
    folder.mkdir()
    night(site, folder, 0)
    with sqlite3.connect(site / "readings.db") as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'reading'").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
    db.close()
    with (site / "readings.db").open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)
    for number in range(1, 4):
        done = night(site, folder, number)
        assert not done.check.is_whole
        assert names(folder) == [name(0), name(number, damaged=True)]


KILLED = """
import os, signal, sys
from pathlib import Path
from rainstead.answers import backup_site
site, folder, now_ms = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
backup_site(site, folder, now_ms, keep=2, progress=lambda left, pages: os.kill(os.getpid(), signal.SIGKILL))
"""


def test_what_a_killed_backup_left_goes_at_the_next_run_and_nothing_else_does(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site", MUCH), tmp_path / "backups"
    folder.mkdir()
    words = [sys.executable, "-c", KILLED, str(site), str(folder), str(BEGIN_MS)]
    killed = subprocess.run(words, check=False, timeout=60)
    assert killed.returncode == -signal.SIGKILL
    assert any(".part" in left for left in names(folder)), "the kill came in the middle of copying"
    (folder / (name(5) + ".part-journal")).write_bytes(b"a journal alone")
    (folder / name(5).replace(".db", ".notebook.db.part")).write_bytes(b"half a notebook")
    (folder / "readings-mine.db.part").write_bytes(b"mine")
    night(site, folder, 1)
    assert names(folder) == [name(1), "readings-mine.db.part"]


def test_a_backup_on_the_logs_own_disk_leaves_it_the_room_that_its_owner_wants(tmp_path: Path) -> None:
    with small_disk(tmp_path / "card", 12) as card:
        site, folder = site_at(card / "site", MUCH), card / "backups"
        folder.mkdir()
        fill(card, 3_100_000)
        assert night(site, folder, 0, keep=14).check.is_whole
        for to in (str(folder), str(folder / "by-hand.db")):
            keep = ["--keep", "14"] if to == str(folder) else []
            done = CliRunner().invoke(app, ["backup", to, "--site", str(site), *keep])
            assert done.exit_code == 1
            assert re.search(r"2\.0 MB have to stay free.*alarms\.low_space.*deadband_mb", str(done.exception))
        assert [path.name for path in folder.iterdir()] == [name(0)]
        told = os.statvfs(card)
        assert told.f_bavail * told.f_frsize > 2_000_000, "neither raised nor kept from its end"
        (tmp_path / "elsewhere").mkdir()
        assert night(site, tmp_path / "elsewhere", 9).check.is_whole


def test_on_the_logs_own_disk_old_backups_go_for_a_new_one_before_the_log_has_too_little_room(tmp_path: Path) -> None:
    with small_disk(tmp_path / "card", 12) as card:
        site, folder = site_at(card / "site", MUCH), card / "backups"
        folder.mkdir()
        fill(card, 2_000_000 + 2_300_000)
        for number in range(5):
            done = night(site, folder, number, keep=14)
            assert done.check.is_whole
            told = os.statvfs(card)
            assert told.f_bavail * told.f_frsize >= 2_000_000
        assert names(folder) == [name(3), name(4)]


def test_without_settings_that_can_be_read_250_mb_stay_free_beside_the_log(tmp_path: Path) -> None:
    with small_disk(tmp_path / "card", 12) as card:
        site, folder = site_at(card / "site"), card / "backups"
        folder.mkdir()
        (site / "site.toml").write_text("nonsense")
        with pytest.raises(LogError, match=r"250\.0 MB have to stay free"):
            night(site, folder, 0)


def test_a_notebook_that_cannot_be_copied_is_told_and_does_not_fill_the_disk(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    (site / "notebook.db").write_bytes(b"no database at all, and long enough to be told from one" * 30)
    for number in range(4):
        with pytest.raises(LogError, match=r"the log was copied, but: .*notebook\.db"):
            night(site, folder, number)
    assert names(folder) == [name(2), name(3)]


def test_the_notebook_goes_with_its_log(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    with Notebook(site / "notebook.db") as book:
        book.add(Dip(BEGIN_MS, "tank", 1.0, 0.01), BEGIN_MS)
    for number in range(3):
        done = night(site, folder, number)
        assert done.notebook is not None and done.notebook.exists()
    damage(site)
    done = night(site, folder, 3)
    assert done.notebook is not None
    assert names(folder) == sorted(
        one for log in (name(2), name(3, damaged=True)) for one in (log, log.replace(".db", ".notebook.db"))
    )


def test_a_backup_that_cannot_be_let_go_is_told_and_keeps_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, folder = site_at(tmp_path / "site"), tmp_path / "backups"
    folder.mkdir()
    for number in range(2):
        night(site, folder, number)
    stuck, real = folder / name(0), Path.unlink

    def unlink(path: Path, missing_ok: bool = False) -> None:
        if path == stuck:
            raise PermissionError(1, "Operation not permitted")
        real(path, missing_ok)

    monkeypatch.setattr(Path, "unlink", unlink)
    for number in range(2, 6):
        with pytest.raises(LogError, match=r"the log was copied, but: .*could not be let go"):
            night(site, folder, number)
        assert len(names(folder)) <= 3
    with LogReader(folder / name(5)) as reader:
        assert reader.count() == 4000


def test_two_backups_into_one_folder_are_not_made_at_once(tmp_path: Path) -> None:
    site, folder = site_at(tmp_path / "site", MUCH), tmp_path / "backups"
    folder.mkdir()
    refused: list[str] = []

    def meanwhile(_left: int, _pages: int) -> None:
        if not refused:
            with pytest.raises(HeldByAnother, match=r"backups: another backup") as error:
                night(site, folder, 1)
            refused.append(str(error.value))

    assert backup_site(site, folder, BEGIN_MS, keep=2, progress=meanwhile).check.is_whole
    assert len(refused) == 1
    assert names(folder) == [name(0)]
