"""A disk that takes nothing until a boot: the logger asks for one, once a day at most, and only where it may help."""

import errno
import itertools
import json
import logging
import os
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock
from small_disk import fill, loop_disk

from rainstead.boardhealth import read_board_health
from rainstead.log import LogWriter
from rainstead_board.boardcare import BoardCare
from rainstead_board.rebootwish import NOBODY_AFTER_MS, PROBE_EVERY_MS, WISH_FILE, RebootWish

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
MOST = 200


class Board:
    """A logger with room for 200 readings in memory, on a disk of its own that has been well for so long."""

    def __init__(
        self, disk: Path, run: Path, *, well_ms: int = DAY_MS, after_ms: int = DAY_MS, clock: FakeClock | None = None
    ) -> None:
        self.disk, self.wish = disk, run / WISH_FILE
        run.mkdir(exist_ok=True)
        self.clock = clock or FakeClock(boot_ms=40_000)
        self.site = BoardSite(
            disk,
            [level(lambda t: 1200.0 + t % 7)],
            self.clock,
            text=SITE + "low_space = { free_mb = 0.5 }\n",
            writer=LogWriter(disk / "readings.db", aside_at_ms=self.clock.wall_ms(), patient=True),
            board=BoardCare(self.clock, wish=RebootWish(run, disk, after_ms, MOST)),
            most_waiting=MOST,
            health_path=run / "health.json",
        )
        if well_ms:
            self.site.run(60)
            self.clock.now_ms += well_ms  # nothing happens meanwhile
            self.site.run(60)

    def trouble(self) -> str:
        told = read_board_health(self.disk, "a test's site", self.wish.parent)
        assert told is not None
        return str(told["disk_trouble"])


@contextmanager
def failing(disk: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> Iterator[Callable[[], None]]:
    """Every file of this folder that is to be written fails with this error, and so does the log, until what it gives
    is called."""
    real = os.open

    def opened(path: Any, flags: int, *given: Any, **named: Any) -> int:
        if str(path).startswith(str(disk)) and flags & (os.O_WRONLY | os.O_RDWR):
            raise OSError(number, os.strerror(number))
        return real(path, flags, *given, **named)

    def refuse(*_: object) -> int:
        raise sqlite3.OperationalError("disk I/O error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", opened)
        for name in ("append", "append_events", "reopen", "save_checkpoint"):
            patch.setattr(LogWriter, name, refuse)
        yield patch.undo


def test_a_disk_that_turned_read_only_after_a_day_is_given_one_reboot_when_the_memory_is_nearly_full(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with loop_disk(tmp_path / "disk", 8) as disk:
        board = Board(disk, tmp_path / "run")
        subprocess.run(["mount", "-o", "remount,abort", disk], check=False)
        board.site.run(120)
        assert board.site.logger._keeper.disk_trouble is not None
        assert not board.wish.exists(), "there is room in memory yet"
        for _ in range(100):
            board.site.run(1)
            if board.wish.exists():
                break
        waiting = len(board.site.logger._waiting)
        assert board.wish.exists() and MOST * 0.95 <= waiting <= MOST
        assert "readings wait" in board.wish.read_text("utf-8")
        (said,) = [record for record in caplog.records if record.levelno == logging.CRITICAL]
        assert (
            "a reboot is asked for" in said.getMessage()
            and "readings that wait in memory are lost" in said.getMessage()
        )
        assert board.site.logger._waiting.dropped == 0, "asked before any was given up"
        board.site.run(20)
        assert "a reboot is asked for, by which what waits is lost" in board.trouble()
        # Nobody comes: told, once, and no second time asked.
        board.site.run(2 * NOBODY_AFTER_MS / 1000)
        assert "nobody carries it out" in board.trouble()
        assert sum("rainstead-reboot.path" in record.getMessage() for record in caplog.records) == 1
        assert sum(record.levelno == logging.CRITICAL for record in caplog.records) == 1
        board.site.logger.stop()


def test_the_next_boot_asks_for_none_where_the_disk_is_no_better(tmp_path: Path) -> None:
    with loop_disk(tmp_path / "disk", 8) as disk:
        first = Board(disk, tmp_path / "run")
        subprocess.run(["mount", "-o", "remount,abort", disk], check=False)
        first.site.run(240)
        assert first.wish.exists()
        first.site.logger.stop()
        # A boot empties the runtime folder.
        again = Board(disk, tmp_path / "run of the next boot", well_ms=0, clock=FakeClock(boot_ms=40_000))
        again.site.run(3 * MOST)
        again.clock.now_ms += 3 * DAY_MS
        again.site.run(2 * PROBE_EVERY_MS / 1000)
        assert again.site.logger._waiting.dropped > 0
        assert not again.wish.exists()
        again.site.logger.stop()


@pytest.mark.parametrize(("well_ms", "after_ms"), [(23 * HOUR_MS, DAY_MS), (HOUR_MS, 2 * HOUR_MS), (9 * DAY_MS, 0)])
def test_a_boot_in_which_the_disk_was_well_for_too_short_is_left_alone_and_so_is_one_where_the_owner_wants_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, well_ms: int, after_ms: int
) -> None:
    board = Board(tmp_path, tmp_path / "run", well_ms=well_ms, after_ms=after_ms)
    with failing(tmp_path, monkeypatch, errno.EROFS):
        board.site.run(2 * MOST)
        board.clock.now_ms += 2 * DAY_MS  # hours in which it takes nothing do not count
        board.site.run(2 * PROBE_EVERY_MS / 1000)
        assert not board.wish.exists()


@pytest.mark.parametrize(
    ("number", "is_asked"),
    [
        (errno.EROFS, True),
        (errno.EIO, True),
        (errno.ENOSPC, False),
        (errno.EDQUOT, False),
        (errno.EACCES, False),
        (errno.EMFILE, False),
    ],
)
def test_only_a_disk_that_is_read_only_or_failing_is_helped_by_a_boot(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, is_asked: bool
) -> None:
    board = Board(tmp_path, tmp_path / "run")
    with failing(tmp_path, monkeypatch, number):
        board.site.run(2 * MOST)
        assert board.wish.exists() == is_asked


def test_a_log_that_is_refused_on_a_disk_that_writes_is_no_reason_for_a_boot(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = Board(tmp_path, tmp_path / "run")

    def refuse(*_: object) -> int:
        raise sqlite3.OperationalError("disk I/O error")

    for name in ("append", "append_events", "reopen", "save_checkpoint"):
        monkeypatch.setattr(LogWriter, name, refuse)
    board.site.run(2 * MOST)
    assert board.site.logger._waiting.dropped > 0
    assert not board.wish.exists()
    assert not (tmp_path / "readings.db.probe").exists()


def test_a_disk_that_is_full_as_well_is_left_alone(tmp_path: Path) -> None:
    with loop_disk(tmp_path / "disk", 8) as disk:
        board = Board(disk, tmp_path / "run")
        fill(disk, 100_000)
        subprocess.run(["mount", "-o", "remount,abort", disk], check=False)
        board.site.run(2 * MOST)
        assert board.site.logger._waiting.dropped > 0
        assert not board.wish.exists()
        board.site.logger.stop()


def test_what_can_be_stored_at_the_last_try_is_stored_and_no_boot_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    board = Board(tmp_path, tmp_path / "run")
    would_help = RebootWish.would_help
    asked = []
    with failing(tmp_path, monkeypatch, errno.EROFS) as heal:

        def heals_just_then(self: RebootWish, waiting: int, now_ms: int) -> bool:
            helps = would_help(self, waiting, now_ms)
            if helps:
                asked.append(waiting)
                heal()
            return helps

        monkeypatch.setattr(RebootWish, "would_help", heals_just_then)
        board.site.run(MOST + 20)
    assert len(asked) == 1 and not board.wish.exists()
    assert all(record.levelno < logging.CRITICAL for record in caplog.records), "not asked and taken back either"
    board.site.run(30)
    board.site.logger.stop()
    gaps = {later - earlier for earlier, later in itertools.pairwise(board.site.stamps("level"))}
    assert gaps - {DAY_MS} <= {1000, DAY_MS + 1000}


def test_a_wish_is_taken_back_when_the_disk_takes_readings_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = Board(tmp_path, tmp_path / "run")
    with failing(tmp_path, monkeypatch, errno.EIO):
        board.site.run(2 * MOST)
        assert board.wish.exists()
    board.site.run(30)
    assert not board.wish.exists()
    board.site.logger.stop()
    # Nor does one from before outlive the start of a logger: a unit that is enabled later must not heed it.
    board.wish.touch()
    RebootWish(board.wish.parent, tmp_path, DAY_MS, MOST)
    assert not board.wish.exists()


def test_a_logger_that_is_started_again_in_the_same_boot_knows_how_long_the_disk_was_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = Board(tmp_path, tmp_path / "run")
    assert json.loads((tmp_path / "run" / "stored.json").read_text())[1] >= DAY_MS
    board.site.keeper.writer.close()  # killed
    with failing(tmp_path, monkeypatch, errno.EIO):
        again = Board(tmp_path, tmp_path / "run", well_ms=0, clock=board.clock)
        again.site.run(2 * MOST)
        assert again.wish.exists()


@pytest.mark.parametrize("content", ["", "[]", "[1]", "nonsense", '{"a": 1}', '["a", "b"]', "[1, 2, 3]", "7"])
def test_what_is_left_in_the_runtime_folder_by_somebody_else_is_no_knowledge(tmp_path: Path, content: str) -> None:
    (tmp_path / "stored.json").write_text(content)
    wish = RebootWish(tmp_path, tmp_path, DAY_MS, MOST)
    assert not wish.would_help(MOST, 30 * DAY_MS)


def test_a_logger_that_no_service_manager_started_asks_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wish = RebootWish(None, tmp_path, DAY_MS, MOST)
    for t_ms in (0, 2 * DAY_MS):
        wish.stored(t_ms, t_ms)
    with failing(tmp_path, monkeypatch, errno.EROFS):
        assert not wish.would_help(MOST, 3 * DAY_MS)
