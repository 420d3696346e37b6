"""The nightly backup fails, stays out or finds a damaged log; the check finds damage: the board's alarms tell."""

import json
import os
import shutil
import sqlite3
import stat
from collections.abc import Callable
from contextlib import closing
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock
from hypothesis import given
from hypothesis import strategies as st
from small_disk import fill, small_disk
from small_site import SETTINGS
from typer.testing import CliRunner

from rainstead.answers import back_up_and_note, backup_site, check_and_note
from rainstead.answers.upkeep import CheckHealth, LastTime, backup_health, check_health
from rainstead.cli.commands import app
from rainstead.errors import LogError, NotALog
from rainstead.events import AlarmEvent
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Kind
from rainstead.settings import parse_settings
from rainstead.upkeep import (
    BACKUP_ACCOUNT,
    CHECK_ACCOUNT,
    BackupAccount,
    CheckAccount,
    DamagedSpan,
    Unreadable,
    Went,
    leave_account,
    read_backup_account,
    read_check_account,
)
from rainstead.words import upkeep_lines
from rainstead_board.upkeepwatch import UpkeepWatch, judge_backup, judge_check

ACTIVE, NORMAL = "active_unacknowledged", "normal"
NOW_MS = 1_780_000_000_000
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
BEGIN_MS = NOW_MS // HOUR_MS * HOUR_MS - 8 * HOUR_MS


def logged(folder: Path, hours: int = 3) -> Path:
    """A site with a log of so many hours, the clock set, all but the last of them sealed."""
    folder.mkdir(exist_ok=True)
    (folder / "site.toml").write_text(SETTINGS, encoding="utf-8")
    with LogWriter(folder / "readings.db") as writer:
        number = writer.sensor_numbers({"house_level": Kind.LEVEL})["house_level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), BEGIN_MS, trusted=True)
        writer.append([(BEGIN_MS + k * 10_000, number, segment, 900.0 + k % 9, 0, 1.5, 8) for k in range(hours * 360)])
        while writer.seal_some(BEGIN_MS + (hours - 1) * HOUR_MS):
            pass
    return folder


def spoil_an_hour(site: Path) -> bytes:
    """One bit of a sealed hour turns; returns its bytes before."""
    with closing(sqlite3.connect(site / "readings.db")) as db, db:
        number, body = db.execute("SELECT id, body FROM block ORDER BY id LIMIT 1").fetchone()
        turned = body[:40] + bytes([body[40] ^ 1]) + body[41:]
        db.execute("UPDATE block SET body = ? WHERE id = ?", (turned, number))
    return bytes(body)


def mend_the_hour(site: Path, body: bytes) -> None:
    with closing(sqlite3.connect(site / "readings.db")) as db, db:
        db.execute("UPDATE block SET body = ? WHERE id = (SELECT min(id) FROM block)", (body,))


def went(age_ms: int, said: str = "readings-x.db", *, is_dated: bool = True) -> Went:
    return Went(NOW_MS - age_ms, is_dated, said)


def nightly(well: Went | None, failed: Went | None = None, *, is_failing: bool = False) -> BackupAccount:
    return BackupAccount("/media/stick", True, is_failing, False, well, failed)


def last(site: BoardSite, alarm: str) -> AlarmEvent:
    return site.events(alarm)[-1]


def account_of(site: Path) -> BackupAccount:
    told = read_backup_account(site)
    assert isinstance(told, BackupAccount)
    return told


# --- the stick --------------------------------------------------------------------------------------------------------


def test_a_pulled_stick_is_an_alarm_until_a_backup_goes_well_again(tmp_path: Path) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock(wall_ms=NOW_MS))
    stick = tmp_path / "stick"
    stick.mkdir()
    back_up_and_note(tmp_path, stick, NOW_MS, keep=14, nightly=True)
    site.run(120)
    assert site.events("no_backup") == []
    for path in stick.iterdir():
        path.unlink()
    stick.rmdir()
    with pytest.raises(LogError, match="is the stick mounted"):
        back_up_and_note(tmp_path, stick, site.clock.wall_ms(), keep=14, nightly=True)
    site.run(120)
    raised = last(site, "no_backup")
    assert raised.state == ACTIVE
    assert "is the stick mounted?" in raised.reason and "the last that was made is readings-" in raised.reason
    stick.mkdir()
    back_up_and_note(tmp_path, stick, site.clock.wall_ms(), keep=14, nightly=True)
    site.run(120)
    assert [event.state for event in site.events("no_backup")] == [ACTIVE, NORMAL]
    site.logger.stop()


def test_a_stick_that_is_not_mounted_gets_no_backup_onto_the_card_under_its_name(tmp_path: Path) -> None:
    site = logged(tmp_path / "site")
    with small_disk(tmp_path / "stick", 4) as stick:
        back_up_and_note(site, stick, NOW_MS, nightly=True)
        assert account_of(site).is_on_log_disk is False
    assert list(stick.iterdir()) == []
    for _ in range(2):  # what the first failure left must not make the second go well
        with pytest.raises(LogError, match="is on the log's own disk, and was on another"):
            back_up_and_note(site, stick, NOW_MS + DAY_MS, nightly=True)
    assert list(stick.iterdir()) == []
    assert account_of(site).is_failing and account_of(site).well is not None


def test_a_full_stick_is_an_alarm_that_names_it(tmp_path: Path) -> None:
    site = logged(tmp_path / "site")
    with small_disk(tmp_path / "stick", 2) as stick:
        fill(stick, 8192)
        with pytest.raises(LogError, match=" room"):
            back_up_and_note(site, stick, NOW_MS, keep=14, nightly=True)
        assert [path.name for path in stick.iterdir()] == ["something else"]
    told = judged(account_of(site))
    assert told.is_bad and " room" in told.reason and "none was ever made there" in told.reason


def test_a_damaged_log_that_was_copied_as_it_is_hides_no_stick_that_is_pulled_later(tmp_path: Path) -> None:
    site, kept = logged(tmp_path / "site"), tmp_path / "kept"
    kept.mkdir()
    back_up_and_note(site, kept, NOW_MS - DAY_MS, keep=1, nightly=True)
    spoil_an_hour(site)
    done = back_up_and_note(site, kept, NOW_MS, keep=1, nightly=True)
    assert not done.check.is_whole and done.removed == ()
    account = account_of(site)
    assert account.well is not None and account.well.t_ms == NOW_MS and judged(account).is_bad is False
    ((_, line),) = upkeep_lines(backup_health(site, NOW_MS, clock_is_trusted=True), None, "Europe/Lisbon")
    assert line.endswith("(copied as it is: the log is not whole). It is on the log's own disk, and is lost with it.")
    shutil.rmtree(kept)
    with pytest.raises(LogError):
        back_up_and_note(site, kept, NOW_MS + DAY_MS, keep=1, nightly=True)
    assert judged(account_of(site)).is_bad is True


def test_a_copy_that_is_not_whole_though_the_log_is_counts_as_a_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, kept = logged(tmp_path / "site"), tmp_path / "kept"
    kept.mkdir()
    body = spoil_an_hour(site)

    def on_a_bad_stick(*arguments: Any, **more: Any) -> Any:
        done = backup_site(*arguments, **more)
        mend_the_hour(site, body)
        return done

    monkeypatch.setattr("rainstead.answers.upkeep.backup_site", on_a_bad_stick)
    back_up_and_note(site, kept, NOW_MS, nightly=True)
    told = judged(account_of(site))
    assert told.is_bad is True and "the copy is not whole, and the log is" in told.reason


# --- a backup that stays out ------------------------------------------------------------------------------------------


def judged(account: Any, after_s: float | None = None, **more: Any) -> Any:
    known = {"now_ms": NOW_MS, "clock_is_trusted": True, "unchanged_s": 0.0, "was_seen_to_come": False}
    return judge_backup(account, after_s, **(known | more))


@pytest.mark.parametrize(
    ("account", "after_s", "is_bad"),
    [
        (None, None, False),
        (nightly(went(2 * DAY_MS)), None, False),
        (nightly(went(4 * DAY_MS)), None, True),
        (nightly(went(4 * DAY_MS)), 0.0, False),
        (nightly(went(2 * DAY_MS)), 86_400.0, True),
        (nightly(went(DAY_MS), went(HOUR_MS, "why"), is_failing=True), None, True),
        (nightly(went(DAY_MS), went(HOUR_MS, "why"), is_failing=True), 0.0, False),
        (nightly(went(HOUR_MS), went(DAY_MS, "why")), None, False),
        (BackupAccount("/mine", False, False, None, went(400 * DAY_MS)), None, False),
        (BackupAccount("/mine", False, False, None, went(400 * DAY_MS)), 30 * 86_400.0, True),
    ],
)
def test_a_backup_is_missed_where_one_is_asked_for_and_only_there(
    account: BackupAccount | None, after_s: float | None, is_bad: bool
) -> None:
    assert judged(account, after_s).is_bad is is_bad


def test_the_age_of_a_backup_is_judged_only_while_the_clock_is_trusted_then_and_now() -> None:
    old = nightly(went(400 * DAY_MS))
    assert judged(old).is_bad is True
    assert judged(old, clock_is_trusted=False).is_bad is None
    assert judged(nightly(went(400 * DAY_MS, is_dated=False))).is_bad is None
    assert judged(nightly(went(-400 * DAY_MS))).is_bad is None, "an account from the future"
    assert judged(nightly(went(-30_000))).is_bad is False, "a clock that was set back by half a minute"


def watched(folder: Path, text: str = SITE) -> UpkeepWatch:
    return UpkeepWatch(parse_settings(text, "test"), folder / "readings.db")


def days(watch: UpkeepWatch, count: float, *, clock_is_trusted: bool, begin_ms: int = 0) -> list[bool | None]:
    """What it says each hour. The wall clock goes on by as much, wherever it stands."""
    said = []
    for boot_ms in range(begin_ms, begin_ms + round(count * DAY_MS) + 1, HOUR_MS):
        watch.look_if_due(boot_ms, NOW_MS + boot_ms, clock_is_trusted=clock_is_trusted)
        said.append(watch.backup.is_bad)
    return said


@pytest.mark.parametrize("well", [went(-400 * DAY_MS), went(0, is_dated=False)])
def test_an_account_of_a_wrong_clock_ages_by_the_boot_clock(tmp_path: Path, well: Went) -> None:
    leave_account(tmp_path, nightly(well))
    said = days(watched(tmp_path), 4, clock_is_trusted=False)
    assert said == [None] * 72 + [True] * 25


def test_without_any_clock_a_backup_that_is_seen_to_come_ends_the_alarm(tmp_path: Path) -> None:
    watch = watched(tmp_path)
    leave_account(tmp_path, nightly(None, went(0, "why", is_dated=False), is_failing=True))
    assert days(watch, 0, clock_is_trusted=False) == [True]
    leave_account(tmp_path, nightly(went(0, is_dated=False)))
    assert days(watch, 4, clock_is_trusted=False, begin_ms=HOUR_MS) == [False] * 72 + [True] * 25


def test_a_failure_that_is_seen_to_come_makes_the_last_good_backup_no_younger(tmp_path: Path) -> None:
    watch = watched(tmp_path)
    days(watch, 0, clock_is_trusted=False)
    leave_account(tmp_path, nightly(went(DAY_MS, is_dated=False), went(0, "why"), is_failing=True))
    days(watch, 0, clock_is_trusted=False, begin_ms=HOUR_MS)
    assert watch.backup.is_bad and watch.backup.unit == "" and " old" not in watch.backup.reason


def test_a_unit_that_never_ran_is_told_where_the_settings_ask_for_a_backup_and_nowhere_else(tmp_path: Path) -> None:
    site = logged(tmp_path / "site")
    asked = SITE + 'no_backup = { after = "3 d" }\n'
    began = NOW_MS - BEGIN_MS  # the log's age when the watch begins: 8 hours and some minutes
    first_bad = -(-(3 * DAY_MS - began) // HOUR_MS)
    assert days(watched(site, asked), 4, clock_is_trusted=True) == [False] * first_bad + [True] * (97 - first_bad)
    assert days(watched(site, asked), 4, clock_is_trusted=False) == [None] * 72 + [True] * 25
    assert set(days(watched(site), 30, clock_is_trusted=True)) == {False}
    assert set(days(watched(site, SITE + "no_backup = { after = 0 }\n"), 30, clock_is_trusted=True)) == {False}


# --- an account that is none ------------------------------------------------------------------------------------------


def pipe(path: Path) -> None:
    os.mkfifo(path)


def folder(path: Path) -> None:
    path.mkdir()


def link(path: Path) -> None:
    other = path.with_name("other.json")
    other.write_text(json.dumps({"place": "/x"}), encoding="utf-8")
    path.symlink_to(other)


def not_to_be_opened(path: Path) -> None:
    """A socket, for root may open whatever is forbidden to others."""
    os.mknod(path, stat.S_IFSOCK | 0o600)


def holding(content: bytes) -> Callable[[Path], object]:
    return lambda path: path.write_bytes(content)


GOOD = b'{"place": "/x", "is_nightly": true, "is_failing": false, "is_on_log_disk": null, "failed": null, '


@pytest.mark.parametrize(
    "lay",
    [
        pipe,
        folder,
        link,
        not_to_be_opened,
        holding(b""),
        holding(b"\xff\xfe\x00garbage"),
        holding(b"[" * 60_000),
        holding(b"{" + b" " * 100_000 + b"}"),
        holding(b"[1, 2]"),
        holding(b"{}"),
        holding(GOOD + b'"well": 7}'),
        holding(GOOD + b'"well": {"t_ms": 1e400, "is_dated": true, "said": "x"}}'),
        holding(GOOD + b'"well": {"t_ms": true, "is_dated": true, "said": "x"}}'),
        holding(GOOD + b'"well": {"t_ms": 9999999999999999999999, "is_dated": true, "said": "x"}}'),
        holding(GOOD + b'"well": {"t_ms": ' + b"9" * 5000 + b', "is_dated": true, "said": "x"}}'),
    ],
    ids=map(str, range(15)),
)
def test_an_account_that_cannot_be_read_stops_nothing_and_is_told_once_it_stays_so(
    tmp_path: Path, lay: Callable[[Path], object]
) -> None:
    lay(tmp_path / BACKUP_ACCOUNT)
    watch = watched(tmp_path)
    assert days(watch, 4, clock_is_trusted=True) == [None] * 72 + [True] * 25
    assert "their account cannot be read" in watch.backup.reason
    assert isinstance(read_backup_account(tmp_path), Unreadable)
    ((looks, line),) = upkeep_lines(backup_health(tmp_path, NOW_MS, clock_is_trusted=True), None, "Europe/Lisbon")
    assert looks == "doubtful" and "cannot be read" in line


KEYS = [field.name for kind in (BackupAccount, CheckAccount, Went, DamagedSpan) for field in fields(kind)]
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(KEYS),
            inner,
        )
    ),
    max_leaves=30,
)


@given(told=JSON)
def test_no_account_whatever_stands_in_it_breaks_what_reads_it(
    told: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp()
    for name in (BACKUP_ACCOUNT, CHECK_ACCOUNT):
        (folder / name).write_text(json.dumps(told), encoding="utf-8")
    backup, check = read_backup_account(folder), read_check_account(folder)
    judged(backup)
    judge_check(check)
    lines = upkeep_lines(
        backup_health(folder, NOW_MS, clock_is_trusted=True),
        check_health(folder, NOW_MS, clock_is_trusted=True),
        "Europe/Lisbon",
    )
    assert all(line.isprintable() for _, line in lines)


# --- by hand ----------------------------------------------------------------------------------------------------------


def test_a_backup_by_hand_to_the_same_place_counts_and_one_to_another_does_not(tmp_path: Path) -> None:
    site, stick, home = logged(tmp_path / "site"), tmp_path / "stick", tmp_path / "home"
    home.mkdir()
    with pytest.raises(LogError):
        back_up_and_note(site, stick, NOW_MS, nightly=True)
    stick.mkdir()
    back_up_and_note(site, home, NOW_MS)
    assert account_of(site).is_failing and account_of(site).place == str(stick)
    (tmp_path / "by another name").symlink_to(stick)
    back_up_and_note(site, tmp_path / "by another name" / "mine.db", NOW_MS)
    account = account_of(site)
    assert (account.is_failing, account.is_nightly, account.place) == (False, True, str(stick))
    assert account.well is not None and account.well.said == "mine.db"


def test_what_fails_by_hand_is_told_there_and_is_no_alarm(tmp_path: Path) -> None:
    site, stick = logged(tmp_path / "site"), tmp_path / "stick"
    with pytest.raises(LogError):
        back_up_and_note(site, stick, NOW_MS)
    assert read_backup_account(site) is None
    stick.mkdir()
    back_up_and_note(site, stick, NOW_MS, nightly=True)
    with pytest.raises(LogError, match="is there already"):
        back_up_and_note(site, stick, NOW_MS)
    assert not account_of(site).is_failing


def test_an_account_that_cannot_be_left_is_told_and_the_backup_is_made(tmp_path: Path) -> None:
    site, kept = logged(tmp_path / "site"), tmp_path / "kept"
    kept.mkdir()
    (site / BACKUP_ACCOUNT).mkdir()  # nothing can be renamed onto a folder
    done = CliRunner().invoke(app, ["backup", str(kept), "--site", str(site), "--nightly"])
    assert done.exit_code == 0, done.output
    assert "no account of this can be left there" in done.stderr
    assert len(list(kept.glob("readings-*.db"))) == 1
    assert list(site.glob("*.new")) == []


def test_an_account_is_for_the_folders_group_and_follows_no_link(tmp_path: Path) -> None:
    other = tmp_path / "another program's file"
    other.write_text("whole", encoding="utf-8")
    for name in (BACKUP_ACCOUNT, f"{BACKUP_ACCOUNT}.{os.getpid()}.new"):
        (tmp_path / name).symlink_to(other)
    before = os.umask(0o077)
    try:
        leave_account(tmp_path, nightly(went(0)))
    finally:
        os.umask(before)
    found = os.lstat(tmp_path / BACKUP_ACCOUNT)
    assert stat.S_ISREG(found.st_mode) and stat.S_IMODE(found.st_mode) == 0o640
    assert other.read_text(encoding="utf-8") == "whole"
    assert read_backup_account(tmp_path) == nightly(went(0))


# --- the check --------------------------------------------------------------------------------------------------------


def test_a_damaged_sealed_hour_that_the_check_finds_is_an_alarm_until_a_later_check_is_clean(tmp_path: Path) -> None:
    logged(tmp_path)
    body = spoil_an_hour(tmp_path)
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock(wall_ms=NOW_MS))
    found = check_and_note(tmp_path, NOW_MS)
    assert not found.is_whole
    site.run(120)
    raised = last(site, "damage_found")
    assert (raised.state, raised.value, raised.unit) == (ACTIVE, 1.0, "places")
    first = BEGIN_MS // 1000 % 86_400
    assert f"with 360 readings: 2026-05-28 {first // 3600:02d}:00 UTC to" in raised.reason
    assert "a part of the log cannot be read" in raised.reason
    mend_the_hour(tmp_path, body)
    site.run(120)
    assert len(site.events("damage_found")) == 1, "it is whole again, and nobody has looked yet"
    check_and_note(tmp_path, NOW_MS)
    site.run(120)
    assert [event.state for event in site.events("damage_found")] == [ACTIVE, NORMAL]
    site.logger.stop()


def test_a_check_that_comes_to_no_end_takes_nothing_back_of_what_was_found(tmp_path: Path) -> None:
    site = logged(tmp_path / "site")
    spoil_an_hour(site)
    check_and_note(site, NOW_MS - DAY_MS)
    (site / "readings.db").write_text("nothing of a log", encoding="utf-8")
    with pytest.raises(NotALog):
        check_and_note(site, NOW_MS)
    told = read_check_account(site)
    assert isinstance(told, CheckAccount) and told.is_failing and judge_check(told).is_bad
    lines = upkeep_lines(None, check_health(site, NOW_MS, clock_is_trusted=True), "Europe/Lisbon")
    assert [looks for looks, _ in lines] == ["bad", "doubtful"]


@pytest.mark.parametrize("account", [None, Unreadable("why"), CheckAccount(True, None, went(0, "why"))])
def test_where_no_check_came_to_its_end_nothing_is_raised_and_nothing_cleared(account: Any) -> None:
    assert judge_check(account).is_bad is None


def test_damage_without_known_bounds_and_of_many_hours_is_told_in_one_line() -> None:
    far = 253_402_300_799_999
    spans = (DamagedSpan(-far, far, 0), *(DamagedSpan(k * HOUR_MS, (k + 1) * HOUR_MS, 360) for k in range(19)))
    told = judge_check(CheckAccount(False, went(0), None, 400, 144_000, spans, ("page 7 is never used", "another")))
    assert "the log's beginning to the log's end" in told.reason and "and 397 more" in told.reason
    assert "page 7 is never used, and 1 more fault)" in told.reason
    assert len(told.reason) < 600 and told.value == 402


@pytest.mark.parametrize("spoil", ["last_ms = 1 << 50, first_ms = 1 << 50", "count = -5"])
def test_damage_in_the_words_of_a_sealed_hours_index_is_told_by_the_alarm_and_in_health(
    tmp_path: Path, spoil: str
) -> None:
    site = logged(tmp_path / "site")
    with closing(sqlite3.connect(site / "readings.db")) as db, db:
        db.execute(f"UPDATE block SET {spoil} WHERE id = (SELECT min(id) FROM block)")
    assert not check_and_note(site, NOW_MS).is_whole
    assert judge_check(read_check_account(site)).is_bad is True
    for zone in ("Pacific/Auckland", "America/Lima"):
        ((looks, line),) = upkeep_lines(None, check_health(site, NOW_MS, clock_is_trusted=True), zone)
        assert looks == "bad" and "a part of the log cannot be read" in line


def test_a_far_stamp_of_damage_is_said_in_every_zone() -> None:
    far = DamagedSpan(253_402_300_799_999, 253_402_300_799_999, 0)
    told = CheckHealth(None, False, False, LastTime(NOW_MS, True, 0.0, ""), None, 1, 0, (far,), ())
    for zone in ("Pacific/Auckland", "America/Lima"):
        ((_, line),) = upkeep_lines(None, told, zone)
        assert "with an unknown number of readings: the beginning to the end" in line


def test_a_check_by_hand_of_the_sites_own_log_counts_and_one_of_another_file_does_not(tmp_path: Path) -> None:
    site, kept = logged(tmp_path / "site"), tmp_path / "kept"
    kept.mkdir()
    back_up_and_note(site, kept, NOW_MS)
    (copy,) = kept.glob("readings-*.db")
    run = CliRunner().invoke
    assert run(app, ["verify", str(copy), "--site", str(site)]).exit_code == 0
    assert read_check_account(site) is None and [path.name for path in kept.iterdir()] == [copy.name]
    assert run(app, ["verify", "--site", str(site)]).exit_code == 0
    assert judge_check(read_check_account(site)).is_bad is False
    spoil_an_hour(site)
    assert run(app, ["verify", str(site / "readings.db"), "--site", str(site)]).exit_code == 1
    assert judge_check(read_check_account(site)).is_bad is True
    told = run(app, ["health", "--site", str(site)])
    assert "found damage: a part of the log cannot be read, with 360 readings" in " ".join(told.output.split())


# --- a restart --------------------------------------------------------------------------------------------------------


def test_a_restart_tells_neither_alarm_again_and_loses_none(tmp_path: Path) -> None:
    logged(tmp_path)
    spoil_an_hour(tmp_path)
    clock = FakeClock(wall_ms=NOW_MS)
    check_and_note(tmp_path, NOW_MS)
    leave_account(tmp_path, nightly(went(DAY_MS), went(HOUR_MS, "no such folder"), is_failing=True))
    for number in range(3):
        site = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock, boot=f"boot {number}")
        site.run(120)
        site.logger.stop()
        if number == 1:  # nobody can say any more: what stands goes on standing
            for name in (BACKUP_ACCOUNT, CHECK_ACCOUNT):
                (tmp_path / name).write_bytes(b"garbage")
        clock.now_ms += 60_000
    for alarm in ("no_backup", "damage_found"):
        assert [event.state for event in site.events(alarm)] == [ACTIVE]
    with LogReader(tmp_path) as reader:
        assert reader.clock_is_trusted()
