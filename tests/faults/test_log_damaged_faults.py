"""A log that SQLite calls damaged is moved aside, whole, and a new one is begun; nothing else is ever moved."""

import itertools
import logging
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock
from fake_server import FakeServer
from typer.testing import CliRunner

from rainstead import answers
from rainstead.answers import backup_site
from rainstead.cli.commands import app
from rainstead.errors import LogBusy, LogError, LogMalformed, LogTooNew, NotALog
from rainstead.forward import Forwarder
from rainstead.log import LogReader, LogWriter, check_log, damaged_logs
from rainstead.settings import parse_settings
from rainstead_board.boardwatch import DISK_WELL_MS
from rainstead_board.logger import Logger

ACTIVE, NORMAL = "active_unacknowledged", "normal"
PAGE = 1024
"""Of a new log."""
PARTS = ("", "-wal", "-shm")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, int]:
    """The bytes of a log of an hour and a half, of which an hour is sealed, and the wall clock at its end."""
    folder = tmp_path_factory.mktemp("sound")
    site = BoardSite(folder, [level(lambda t: 1200.0 + t * 7919 % 100_003 / 97)], FakeClock(wall_ms=1_780_002_000_000))
    site.run(5400)
    site.logger.stop()
    return (folder / "readings.db").read_bytes(), site.clock.wall_ms()


def laid(folder: Path, sound: tuple[bytes, int]) -> FakeClock:
    """That log in a folder; a clock that goes on a minute later."""
    (folder / "readings.db").write_bytes(sound[0])
    return FakeClock(wall_ms=sound[1] + 60_000)


def started(folder: Path, clock: FakeClock, boot: str = "next") -> BoardSite:
    """As the service starts it."""
    site = BoardSite.__new__(BoardSite)
    site.path, site.clock, site.trusted, site.settings, site.seen = (
        folder / "readings.db",
        clock,
        True,
        parse_settings(SITE, "test"),
        [],
    )
    site.logger = Logger(
        site.settings,
        SITE,
        LogWriter(site.path, aside_at_ms=clock.wall_ms()),
        [level(lambda _: 1100.0)],
        clock,
        clock_is_trusted=lambda: True,
        boot_uuid=boot,
        health_path=folder / "health.json",
    )
    return site


def pages_of(path: Path, table: str) -> list[int]:
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    found = [number for (number,) in db.execute("SELECT pageno FROM dbstat WHERE name = ? ORDER BY path", (table,))]
    db.close()
    return found


def wipe(path: Path, pages: list[int]) -> None:
    with path.open("r+b") as file:
        for number in pages:
            file.seek((number - 1) * PAGE)
            file.write(b"\xa5" * PAGE)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: 5 * PAGE + 100])


def text(path: Path) -> None:
    path.write_text("nothing of a log is left here\n" * 400, encoding="utf-8")


def stump(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:40])


def header(path: Path) -> None:
    wipe(path, [1])


def layout(path: Path) -> None:
    """A letter of the tables' own description."""
    path.write_bytes(path.read_bytes().replace(b"CREATE TABLE reading", b"CRQATE TABLE reading"))


def events(path: Path) -> None:
    wipe(path, pages_of(path, "event"))


def segments(path: Path) -> None:
    wipe(path, pages_of(path, "segment"))


def kind(path: Path) -> None:
    """One bit of a sensor's kind: to SQLite that is no damage."""
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE sensor SET kind = 'ldvel' WHERE kind = 'level'")


def columns(path: Path) -> None:
    """A letter of a column's name: to SQLite that is no damage either."""
    path.write_bytes(path.read_bytes().replace(b"trusted INTEGER", b"trusteg INTEGER"))


def version(path: Path) -> None:
    """A bit of the layout's number, which is in the header."""
    content = bytearray(path.read_bytes())
    content[60] ^= 0x80
    path.write_bytes(content)


def words(path: Path) -> None:
    """A bit of an alarm's reason, which is then no text: SQLite gives it as it is, Python does not."""
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("INSERT INTO event VALUES (1, 1, 'disk_fault', 'site', 'normal', 0, 0, '', CAST(x'66ff6f' AS TEXT))")


def zeroed(path: Path) -> None:
    """The first pages, as a card gives them that has lost them."""
    content = path.read_bytes()
    path.write_bytes(bytes(4 * PAGE) + content[4 * PAGE :])


@pytest.mark.parametrize(
    "damage", [cut, text, stump, header, layout, events, segments, kind, columns, version, words, zeroed]
)
def test_a_log_that_is_damaged_at_start_is_moved_aside_and_a_new_one_begun(
    tmp_path: Path, sound: tuple[bytes, int], damage: Callable[[Path], None], caplog: pytest.LogCaptureFixture
) -> None:
    clock = laid(tmp_path, sound)
    damage(tmp_path / "readings.db")
    was = (tmp_path / "readings.db").read_bytes()
    site = started(tmp_path, clock)
    site.run(15)
    assert len(site.stamps("level")) >= 3  # as many as a commit interval lets wait
    site.run(60)
    site.logger.stop()
    (moved,) = damaged_logs(tmp_path)
    assert moved.name.startswith("readings-damaged-2026") and moved.name.endswith("Z.db")
    # What was met after the file was opened may have been written to until then; nothing of it is gone.
    assert len(moved.read_bytes()) >= len(was)
    if damage in (cut, text, stump, header, layout, version, zeroed):
        assert moved.read_bytes() == was
    stamps = site.stamps("level")
    assert {later - earlier for earlier, later in itertools.pairwise(stamps)} == {1000}
    assert len(stamps) >= 60
    assert check_log(site.path).is_whole
    (told,) = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert moved.name in told.getMessage() and "new log is begun" in told.getMessage()
    assert [event.state for event in site.events("log_damaged")] == [ACTIVE]


def test_kept_settings_that_are_no_text_any_more_hold_up_nothing(tmp_path: Path, sound: tuple[bytes, int]) -> None:
    clock = laid(tmp_path, sound)
    with closing(sqlite3.connect(tmp_path / "readings.db")) as db, db:
        db.execute("UPDATE settings_kept SET text = CAST(x'66ff6f' AS TEXT)")
    site = started(tmp_path, clock)
    site.run(60)
    site.logger.stop()
    assert damaged_logs(tmp_path) == ()
    assert len(site.stamps("level")) >= 5390 + 59


def test_a_log_of_no_bytes_is_begun_anew_within_seconds(tmp_path: Path) -> None:
    (tmp_path / "readings.db").write_bytes(b"")
    site = started(tmp_path, FakeClock())
    site.run(15)
    assert len(site.stamps("level")) >= 3
    site.logger.stop()
    assert check_log(site.path).is_whole


def test_a_damaged_log_takes_its_write_ahead_log_along(tmp_path: Path) -> None:
    first = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock())
    first.run(120)
    (tmp_path / "copy").mkdir()
    for part in PARTS:  # as a power cut leaves them
        (tmp_path / "copy" / f"readings.db{part}").write_bytes((tmp_path / f"readings.db{part}").read_bytes())
    first.logger.stop()
    wal = (tmp_path / "copy" / "readings.db-wal").read_bytes()
    assert len(wal) > PAGE
    # With its header gone too, SQLite would take it for empty, and delete it as it closes the file.
    wal = b"\0" * 32 + wal[32:]
    (tmp_path / "copy" / "readings.db-wal").write_bytes(wal)
    header(tmp_path / "copy" / "readings.db")
    site = started(tmp_path / "copy", first.clock)
    site.run(30)
    site.logger.stop()
    (moved,) = damaged_logs(tmp_path / "copy")
    assert moved.with_name(moved.name + "-wal").read_bytes() == wal
    assert moved.with_name(moved.name + "-shm").exists()
    assert len(site.stamps("level")) >= 29


def test_a_log_that_was_emptied_leaves_its_write_ahead_log(tmp_path: Path) -> None:
    (tmp_path / "readings.db").write_bytes(b"")
    (tmp_path / "readings.db-wal").write_bytes(b"what belongs to it")
    LogWriter(tmp_path / "readings.db", aside_at_ms=1_780_000_000_000).close()
    (kept,) = tmp_path.glob("readings-damaged-*.db-wal")
    assert kept.read_bytes() == b"what belongs to it"


def test_a_move_that_was_cut_half_way_is_finished_and_nothing_of_it_deleted(tmp_path: Path) -> None:
    (tmp_path / "readings-damaged-20260101T000000Z.db").write_bytes(b"the file")
    (tmp_path / "readings.db-wal").write_bytes(b"what belongs to it")
    site = started(tmp_path, FakeClock())
    site.run(30)
    site.logger.stop()
    assert (tmp_path / "readings-damaged-20260101T000000Z.db-wal").read_bytes() == b"what belongs to it"
    assert len(site.stamps("level")) >= 29


def test_what_is_left_of_a_move_goes_to_no_log_that_may_be_another(tmp_path: Path) -> None:
    """The clock was years ahead when the first was moved: by their names it is the newest."""
    for day in ("20300101", "20260101"):
        (tmp_path / f"readings-damaged-{day}T000000Z.db").write_bytes(b"the file")
    (tmp_path / "readings.db-wal").write_bytes(b"what belongs to it")
    LogWriter(tmp_path / "readings.db", aside_at_ms=1_780_000_000_000).close()
    assert not (tmp_path / "readings-damaged-20300101T000000Z.db-wal").exists()
    (kept,) = tmp_path.glob("readings-damaged-*.db-wal")
    assert kept.read_bytes() == b"what belongs to it"


def test_two_logs_damaged_in_one_second_are_both_kept(tmp_path: Path) -> None:
    for content in (b"one" * 1000, b"two" * 1000):
        (tmp_path / "readings.db").write_bytes(content)
        LogWriter(tmp_path / "readings.db", aside_at_ms=1_780_000_000_000).close()
    assert [path.read_bytes()[:3] for path in damaged_logs(tmp_path)] == [b"two", b"one"]


def test_a_card_that_damages_one_log_after_another_is_not_filled_with_them(tmp_path: Path) -> None:
    for number in range(25):
        (tmp_path / "readings.db").write_bytes(b"rubbish" * 1000)
        if number < 20:
            LogWriter(tmp_path / "readings.db", aside_at_ms=1_780_000_000_000 + number).close()
        else:
            with pytest.raises(LogError, match=r"20 damaged logs.*replace it"):
                LogWriter(tmp_path / "readings.db", aside_at_ms=1_780_000_000_000 + number)
            assert (tmp_path / "readings.db").read_bytes() == b"rubbish" * 1000


# --- what is not moved --------------------------------------------------------------------------------------------


def test_another_programs_file_and_a_newer_log_are_never_moved(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE theirs (a)")
    db.commit()
    db.close()
    was = path.read_bytes()
    with pytest.raises(NotALog, match="SQLite file, but not a rainstead log"):
        LogWriter(path, aside_at_ms=0)
    assert path.read_bytes() == was
    path.unlink()
    LogWriter(path).close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.execute("CREATE TABLE what_a_later_version_has (a)")
    db.close()
    with pytest.raises(LogTooNew):
        LogWriter(path, aside_at_ms=0)
    assert damaged_logs(tmp_path) == ()


@pytest.mark.parametrize("word", ["user_version = 3", "user_version = 66", "application_id = 7"])
def test_a_bit_that_turned_in_the_headers_own_words_ends_no_logging(tmp_path: Path, word: str) -> None:
    path = tmp_path / "readings.db"
    LogWriter(path).close()
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA {word}")
    db.close()
    LogWriter(path, aside_at_ms=0).close()
    assert len(damaged_logs(tmp_path)) == 1


@pytest.mark.parametrize(
    ("code", "message"),
    [
        (sqlite3.SQLITE_BUSY, "database is locked"),
        (sqlite3.SQLITE_IOERR, "disk I/O error"),
        (sqlite3.SQLITE_FULL, "database or disk is full"),
        (sqlite3.SQLITE_PERM, "access permission denied"),
        (sqlite3.SQLITE_CANTOPEN, "unable to open database file"),
        (sqlite3.SQLITE_READONLY, "attempt to write a readonly database"),
    ],
)
def test_an_error_that_passes_moves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, message: str
) -> None:
    site = started(tmp_path, FakeClock())
    site.run(60)

    def refuse(*_: object) -> int:
        error = sqlite3.OperationalError(message)
        error.sqlite_errorcode = code
        raise error

    with monkeypatch.context() as patch:
        for name in ("append", "seal_some", "save_checkpoint"):
            patch.setattr(site.keeper.writer, name, refuse)
        site.run(200)
    site.run(30)
    site.logger.stop()
    assert damaged_logs(tmp_path) == ()
    assert len(site.stamps("level")) >= 289


def test_a_log_that_is_locked_at_start_is_refused_and_stays(
    tmp_path: Path, sound: tuple[bytes, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    laid(tmp_path, sound)
    holder = sqlite3.connect(tmp_path / "readings.db", isolation_level=None)
    holder.execute("PRAGMA locking_mode = EXCLUSIVE")
    holder.execute("BEGIN EXCLUSIVE")
    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: connect(*a, **{**k, "timeout": 0.05}))
    with pytest.raises(LogError, match="cannot be opened"):
        LogWriter(tmp_path / "readings.db", aside_at_ms=0)
    holder.close()
    assert damaged_logs(tmp_path) == ()


def test_without_being_asked_to_a_writer_moves_nothing(tmp_path: Path) -> None:
    (tmp_path / "readings.db").write_bytes(b"rubbish" * 1000)
    with pytest.raises(LogMalformed, match="damaged"):
        LogWriter(tmp_path / "readings.db")
    assert (tmp_path / "readings.db").read_bytes() == b"rubbish" * 1000


# --- damage that is met while it runs ------------------------------------------------------------------------------


def wiped_under(site: BoardSite, table: str, *, last: bool) -> int:
    """Wipe the last page of a table, or its first rows, under a running logger; returns its newest stamp."""
    writer = site.keeper.writer
    newest_ms = site.stamps("level")[-1]
    writer.reopen()  # what SQLite has in memory would hide it
    writer._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    pages = pages_of(site.path, table)
    wipe(site.path, pages[-1:] if last else pages[1:3])
    return newest_ms


def test_a_damaged_page_that_a_commit_meets_ends_in_a_new_log_and_no_reading_is_lost(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    site = started(tmp_path, FakeClock())
    site.run(1800)
    newest_ms = wiped_under(site, "reading", last=True)
    site.run(45)  # less than the service manager's patience of a minute
    (moved,) = damaged_logs(tmp_path)
    assert site.stamps("level")[0] == newest_ms + 1000
    site.run(60 + DISK_WELL_MS / 1000)
    site.logger.stop()
    stamps = site.stamps("level")
    assert {later - earlier for earlier, later in itertools.pairwise(stamps)} == {1000}
    assert [event.state for event in site.events("log_damaged")] == [ACTIVE]
    assert sum(moved.name in record.getMessage() for record in caplog.records if record.levelno == logging.ERROR) == 1
    assert site.events("disk_fault")[-1:] == [] or site.events("disk_fault")[-1].state == NORMAL


def test_a_damaged_page_that_sealing_meets_ends_in_a_new_log(tmp_path: Path) -> None:
    site = started(tmp_path, FakeClock(wall_ms=1_780_002_000_000))  # the hour is over after 20 minutes
    site.run(1400)
    newest_ms = wiped_under(site, "reading", last=False)
    site.run(300)  # five minutes after its end an hour is sealed
    (moved,) = damaged_logs(tmp_path)
    stamps = site.stamps("level")
    assert {later - earlier for earlier, later in itertools.pairwise(stamps)} == {1000}
    assert stamps[0] <= newest_ms + 240_000
    site.logger.stop()
    with LogReader(moved) as old:
        # What came after the damage went into the old one, and not a reading is missing between the two.
        assert old._db.execute("SELECT max(t_ms) FROM reading").fetchone() == (stamps[0] - 1000,)


@pytest.mark.parametrize("times", [1, 2])
def test_a_page_that_was_misread_once_moves_nothing(
    times: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = started(tmp_path, FakeClock())
    site.run(60)
    writer = site.keeper.writer
    append, left = writer.append, [0]

    def misread(rows: list[tuple[int, int, int, float | None, int, float | None, int | None]]) -> int:
        if left[0]:
            left[0] -= 1
            error = sqlite3.DatabaseError("database disk image is malformed")
            error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise error
        return append(rows)

    monkeypatch.setattr(writer, "append", misread)
    for _ in range(times):
        site.clock.now_ms += 2 * 86_400_000
        left[0] = 1
        site.run(120)
    site.logger.stop()
    assert left == [0] and damaged_logs(tmp_path) == ()
    assert len(site.stamps("level")) >= 179


def test_damage_that_is_met_at_the_stop_costs_no_reading(tmp_path: Path) -> None:
    site = started(tmp_path, FakeClock())
    site.run(1800)
    newest_ms = wiped_under(site, "reading", last=True)
    site.run(6)
    assert damaged_logs(tmp_path) == ()
    site.logger.stop()
    assert len(damaged_logs(tmp_path)) == 1
    stamps = site.stamps("level")
    assert stamps[0] == newest_ms + 1000 and len(stamps) >= 6


def test_a_damaged_row_that_is_no_number_costs_no_reading(tmp_path: Path) -> None:
    site = started(tmp_path, FakeClock())
    site.run(60)
    newest_ms = site.stamps("level")[-1]
    db = sqlite3.connect(site.path, isolation_level=None)  # a text among the stamps, which the layout does not allow
    (table,) = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'reading'").fetchone()
    for sql in (table.replace(" STRICT,", ""), table):
        if sql == table:
            db.execute("INSERT INTO reading VALUES ('x', 1, 1, 1.0, 0, NULL, NULL)")
        (version,) = db.execute("PRAGMA schema_version").fetchone()
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_schema SET sql = ? WHERE name = 'reading'", (sql,))
        db.execute(f"PRAGMA schema_version = {version + 1}")
        db.execute("PRAGMA writable_schema = RESET")
    db.close()
    site.run(60)
    site.logger.stop()
    assert len(damaged_logs(tmp_path)) == 1
    stamps = site.stamps("level")
    assert stamps[0] == newest_ms + 1000
    assert {later - earlier for earlier, later in itertools.pairwise(stamps)} == {1000}


def test_a_page_that_the_disk_does_not_give_to_the_check_is_no_damage(tmp_path: Path) -> None:
    class Said:
        """What SQLite's own check answers where a page cannot be read."""

        def __init__(self, code: int) -> None:
            self.code = code

        def execute(self, _: str) -> "Said":
            return self

        def fetchone(self) -> tuple[str]:
            return (f"*** in database main ***\nTree 5 page 7: unable to get the page. error code={self.code}",)

    writer = LogWriter(tmp_path / "readings.db")
    sound = writer._db
    for code, is_damage in ((sqlite3.SQLITE_IOERR_READ, False), (sqlite3.SQLITE_NOMEM, False), (11, True)):
        writer._db = Said(code)  # type: ignore[assignment]
        assert (writer.damage_behind(TypeError("of anything")) is not None) is is_damage
    writer._db = sound
    writer.close()


def test_a_damaged_sealed_hour_moves_nothing(tmp_path: Path, sound: tuple[bytes, int]) -> None:
    clock = laid(tmp_path, sound)
    path = tmp_path / "readings.db"
    db = sqlite3.connect(path)
    (number,) = db.execute("SELECT min(id) FROM block").fetchone()
    overflow = [p for (p,) in db.execute("SELECT pageno FROM dbstat WHERE name = 'block' AND pagetype = 'overflow'")]
    db.close()
    assert number == 1 and overflow, "the block is to be larger than a page"
    wipe(path, overflow[:1])
    site = started(tmp_path, clock)
    site.run(60)
    site.logger.stop()
    assert damaged_logs(tmp_path) == ()
    assert len(check_log(path).damaged) == 1


# --- what is told, and what follows --------------------------------------------------------------------------------


def test_the_alarm_and_health_stand_until_the_damaged_log_is_taken_away(
    tmp_path: Path, sound: tuple[bytes, int]
) -> None:
    clock = laid(tmp_path, sound)
    text(tmp_path / "readings.db")
    site = started(tmp_path, clock)
    site.run(60)
    site.logger.stop()
    again = started(tmp_path, clock, boot="third")
    again.run(60)
    (moved,) = damaged_logs(tmp_path)
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    with LogReader(again.path) as reader:
        told = answers.health(again.settings, reader, clock.wall_ms(), site=tmp_path, run_folder=tmp_path)
    assert told.damaged_logs == (moved.name,)
    assert moved.name in next(str(one.reason) for one in told.alarms if one.alarm == "log_damaged")
    shown = CliRunner().invoke(app, ["health", "--site", str(tmp_path)])
    assert moved.name in "".join(shown.output.split("\n")).replace(" ", "")
    moved.unlink()
    again.run(60)
    again.logger.stop()
    assert [event.state for event in again.events("log_damaged")] == [ACTIVE, NORMAL]
    with LogReader(again.path) as reader:
        assert answers.health(again.settings, reader, clock.wall_ms(), site=tmp_path).damaged_logs == ()


def test_what_can_be_read_of_the_damaged_log_is_read_from_where_it_stands(
    tmp_path: Path, sound: tuple[bytes, int]
) -> None:
    clock = laid(tmp_path, sound)
    events(tmp_path / "readings.db")
    site = started(tmp_path, clock)
    site.run(30)
    site.logger.stop()
    (moved,) = damaged_logs(tmp_path)
    checked = CliRunner().invoke(app, ["verify", str(moved)])
    assert checked.exit_code == 1
    assert "5,4" in checked.output and "not whole" in checked.output  # all of its readings
    (tmp_path / "elsewhere").mkdir()
    back = CliRunner().invoke(app, ["restore", str(moved), "--even-damaged", "--site", str(tmp_path / "elsewhere")])
    assert back.exit_code == 1
    with LogReader(tmp_path / "elsewhere") as reader:
        assert reader.count() >= 5395


def test_verify_says_plainly_that_nothing_can_be_read_of_rubbish(tmp_path: Path) -> None:
    path = tmp_path / "readings-damaged-20260101T000000Z.db"
    path.write_bytes(b"rubbish" * 1000)
    done = CliRunner().invoke(app, ["verify", str(path)])
    assert isinstance(done.exception, NotALog) and "file is not a database" in str(done.exception)


def test_old_backups_that_are_let_go_are_never_a_damaged_log(tmp_path: Path, sound: tuple[bytes, int]) -> None:
    clock = laid(tmp_path, sound)
    aside = tmp_path / "readings-damaged-20200101T000000Z.db"
    aside.write_bytes(b"whatever")
    for second in range(3):
        done = backup_site(tmp_path, tmp_path, clock.wall_ms() + second * 1000, keep=1)
    assert len(done.removed) == 1
    assert aside.read_bytes() == b"whatever"


def test_a_new_log_is_forwarded_from_its_start_under_a_running_forwarder_and_a_new_one(tmp_path: Path) -> None:
    clock = FakeClock()
    first = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock)
    first.run(900)
    server, told = FakeServer(), list[str]()
    running = Forwarder(first.settings, tmp_path, server, tell=told.append)
    now_ms = forwarded(running, 0)
    sent = len(server.of("level"))
    assert sent >= 880
    first.logger.stop()
    db = sqlite3.connect(tmp_path / "readings.db")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # the forwarder keeps the write-ahead log there, and it is sound
    db.close()
    text(tmp_path / "readings.db")
    # A clock that stands before what was sent of the old log: a cursor of the old one would hide all of it.
    clock.step_wall(-40 * 86_400_000)
    site = started(tmp_path, clock)
    site.run(900)
    forwarded(running, now_ms)
    running.close()
    stamps = set(site.stamps("level"))
    assert stamps and stamps <= {stamp for _, stamp in server.of("level")}
    assert len([line for line in told if "new log" in line]) == 1
    # And one that starts later, with the old cursor in its file.
    site.logger.stop()
    text(tmp_path / "readings.db")
    last = started(tmp_path, clock, boot="third")
    last.run(60)
    later = FakeServer()
    fresh = Forwarder(first.settings, tmp_path, later, tell=told.append)
    forwarded(fresh, 0)
    fresh.close()
    last.logger.stop()
    assert {stamp for _, stamp in later.of("level")} >= set(last.stamps("level")[:50])


def forwarded(forwarder: Forwarder, now_ms: int) -> int:
    """Until nothing is left to send."""
    for _ in range(5000):
        due_ms = forwarder.step(now_ms, now_ms)
        if forwarder.is_idle and due_ms > now_ms:
            return due_ms
        now_ms = max(now_ms, due_ms)
    raise AssertionError("it does not come to an end")


def test_the_program_itself_begins_a_new_log_within_seconds(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    (tmp_path / "readings.db").write_bytes(b"rubbish" * 1000)
    run = "import sys; from rainstead_board.logger import main; main(sys.argv[1:])"
    process = subprocess.Popen([sys.executable, "-c", run, str(tmp_path)], stderr=subprocess.PIPE, text=True)
    try:
        ends = time.perf_counter() + 30
        while time.perf_counter() < ends and process.poll() is None and not damaged_logs(tmp_path):
            time.sleep(0.1)
    finally:
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=30)
    (moved,) = damaged_logs(tmp_path)
    assert moved.read_bytes() == b"rubbish" * 1000
    assert f"is moved to {moved.name}, whole" in said, said


@pytest.mark.parametrize("how", ["deleted", "file deleted", "moved", "replaced"])
def test_a_log_that_is_taken_away_under_its_logger_is_begun_anew_within_seconds(
    tmp_path: Path, how: str, sound: tuple[bytes, int], caplog: pytest.LogCaptureFixture
) -> None:
    site = started(tmp_path, FakeClock(wall_ms=sound[1] + 3_600_000))
    site.run(600)
    newest_ms, aside = site.stamps("level")[-1], tmp_path / "aside.db"
    if how == "moved":
        site.path.rename(aside)
    elif how == "replaced":
        aside.write_bytes(sound[0])
        aside.replace(site.path)
    else:
        for part in (*PARTS, ".lock") if how == "deleted" else ("",):
            Path(f"{site.path}{part}").unlink()
    site.run(120)
    with pytest.raises(LogBusy):
        LogWriter(site.path)
    site.logger.stop()
    stamps = [t for t in site.stamps("level") if t > newest_ms]
    assert stamps[0] - newest_ms <= 30_000
    assert {later - earlier for earlier, later in itertools.pairwise(stamps)} == {1000}
    assert not check_log(site.path).faults and not check_log(site.path).damaged
    assert sum("deleted or moved" in record.getMessage() for record in caplog.records) == 1
    if how == "moved":
        assert not check_log(aside).faults and (check_log(aside).last_ms or 0) >= newest_ms, "with all that it had"
