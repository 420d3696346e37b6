"""What grows beside the log while it runs: the write-ahead log under a reader that holds on, descriptors, bytes."""

import gc
import json
import logging
import sqlite3
import tempfile
from pathlib import Path

import pytest
from board_site import BoardSite, level
from fake_clock import FakeClock

from rainstead.log import LONG_WAL_BYTES, has_reset_fault, wal_bytes
from rainstead_board.health import open_files, written_bytes


def test_a_reader_that_holds_on_is_told_and_the_write_ahead_log_shrinks_when_it_lets_go(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock(), health_path=tmp_path / "health.json")
    site.run(60)
    reader = sqlite3.connect(f"{site.path.as_uri()}?mode=ro", uri=True, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM reading").fetchone()
    for number in range(20):  # as much as weeks of commits
        site.keeper.writer.save_checkpoint(number, "of a test", "x" * 1_000_000)
    site.run(30)
    assert wal_bytes(site.path) > LONG_WAL_BYTES
    told = [record.getMessage() for record in caplog.records if "does not let go" in record.getMessage()]
    assert len(told) == 1 and "fuser" in told[0]
    assert json.loads((tmp_path / "health.json").read_text())["wal_bytes"] > LONG_WAL_BYTES
    reader.execute("ROLLBACK")
    reader.close()
    site.run(60)
    assert wal_bytes(site.path) <= 4 << 20
    assert any("is short again" in record.getMessage() for record in caplog.records)
    site.logger.stop()


def test_a_disk_that_refuses_for_hours_leaves_no_descriptor_and_few_lines_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock())
    site.run(60)
    writer = site.keeper.writer

    def refuse(*_: object) -> int:
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR
        raise error

    with monkeypatch.context() as patch:
        patch.setattr(writer, "append", refuse)
        site.run(120)
        gc.collect()
        before = open_files()
        for _ in range(300):  # five hours, a minute at a time
            site.logger.step()
            site.clock.now_ms += 60_000
        gc.collect()
        after = open_files()
    assert before is not None and after is not None and after <= before + 2
    site.run(60)
    site.logger.stop()
    assert len([record for record in caplog.records if record.levelno >= logging.WARNING]) <= 8


@pytest.mark.parametrize(("code", "most"), [(sqlite3.SQLITE_ERROR, 7), (sqlite3.SQLITE_IOERR, 0)])
def test_an_error_that_stays_has_the_whole_file_checked_ever_more_seldom(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, most: int
) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock())
    site.run(60)
    checks: list[int] = []

    def refuse(*_: object) -> int:
        error = sqlite3.OperationalError("no such column: whatever")
        error.sqlite_errorcode = code
        raise error

    def counted(_: Exception) -> None:
        checks.append(site.clock.now_ms)

    with monkeypatch.context() as patch:
        patch.setattr(site.keeper.writer, "append", refuse)
        patch.setattr(site.keeper.writer, "damage_behind", counted)
        for _ in range(360):  # six hours, a minute at a time
            site.logger.step()
            site.clock.now_ms += 60_000
    assert (0 < len(checks) <= most) if most else not checks
    site.run(60)
    site.logger.stop()


@pytest.mark.parametrize(
    ("version", "has"),
    [
        ((3, 6, 23), False),
        ((3, 7, 0), True),
        ((3, 40, 1), True),
        ((3, 44, 5), True),
        ((3, 44, 6), False),
        ((3, 45, 0), True),
        ((3, 46, 1), True),
        ((3, 50, 6), True),
        ((3, 50, 7), False),
        ((3, 51, 0), True),
        ((3, 51, 2), True),
        ((3, 51, 3), False),
        ((3, 52, 0), False),
    ],
)
def test_versions_that_two_writers_may_damage_a_log_with(version: tuple[int, int, int], has: bool) -> None:
    assert has_reset_fault(version) is has


def test_what_is_written_is_counted_by_the_kernel() -> None:
    before = written_bytes()
    if before is None:
        pytest.skip("this kernel does not count what a process writes")
    # Beside this file, for a folder of temporary files may be in memory, where nothing is written to any device.
    with tempfile.TemporaryFile(dir=Path(__file__).parent) as file:
        file.write(b"x" * 300_000)
    after = written_bytes()
    assert after is not None and after >= before + 300_000
