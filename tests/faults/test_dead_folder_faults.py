"""The disk answers no question about the log's folder (a device that is gone, a file system that was shut down)."""

import contextlib
import errno
import itertools
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from board_site import BoardSite, level
from fake_clock import FakeClock

from rainstead.errors import DiskRefuses
from rainstead.log import AsideLook, LogReader, LogWriter, damaged_logs, note_brought_in
from rainstead_board.boardwatch import DISK_WELL_MS
from rainstead_board.logless import LONGEST_WAIT_MS, Logless

LISTS = ("listdir", "scandir")
ALL = (*LISTS, "stat", "lstat", "open", "statvfs")


@contextlib.contextmanager
def no_answer(folder: Path, calls: tuple[str, ...] = ALL, *, exactly: bool = False) -> Iterator[None]:
    """What the kernel is asked about the folder, or what is in it, fails; files that are open go on.

    exactly: of this path alone.
    """

    def failing(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: Any = ".", *more: Any, **named: Any) -> Any:
            asked = "" if isinstance(path, int) else os.fspath(path)
            if asked == str(folder) or (asked.startswith(str(folder)) and not exactly):
                raise OSError(errno.EIO, "Input/output error", str(path))
            return real(path, *more, **named)

        return call

    with pytest.MonkeyPatch.context() as patch:
        for name in calls:
            patch.setattr(os, name, failing(getattr(os, name)))
        yield


def site_on(folder: Path, clock: FakeClock, **more: Any) -> BoardSite:
    """As the service starts it."""
    writer = LogWriter(folder / "readings.db", aside_at_ms=clock.wall_ms(), patient=True)
    return BoardSite(folder, [level(lambda t: 1200.0 + t % 7)], clock, writer=writer, **more)


def steps_ms(site: BoardSite) -> set[int]:
    stamps = site.stamps("level")
    return {later - earlier for earlier, later in itertools.pairwise(stamps)}


def states(site: BoardSite, alarm: str) -> list[str]:
    return [event.state for event in site.events(alarm)]


@pytest.mark.parametrize("calls", [LISTS, ALL])
def test_a_folder_that_does_not_answer_ends_no_logger_and_costs_no_reading(
    tmp_path: Path, calls: tuple[str, ...]
) -> None:
    site = site_on(tmp_path, FakeClock())
    site.run(60)
    with no_answer(tmp_path, calls):
        site.run(600)
    site.run(120)
    site.logger.stop()
    assert steps_ms(site) == {1000}


def test_what_was_known_of_damaged_logs_stands_while_the_folder_does_not_answer(tmp_path: Path) -> None:
    aside = tmp_path / "readings-damaged-20260101T000000Z.db"
    aside.write_bytes(b"whatever")
    site = site_on(tmp_path, FakeClock())
    site.run(600)
    with no_answer(tmp_path, LISTS):
        site.run(1200)
    site.run(60)
    site.logger.stop()
    assert states(site, "log_damaged") == ["active_unacknowledged"]


@pytest.mark.parametrize("calls", [LISTS, ALL])
def test_what_was_brought_in_is_not_forgotten_while_the_folder_does_not_answer(
    tmp_path: Path, calls: tuple[str, ...]
) -> None:
    aside = tmp_path / "readings-damaged-20260101T000000Z.db"
    aside.write_bytes(b"whatever")
    site = site_on(tmp_path, FakeClock())
    site.run(10)
    with LogReader(tmp_path) as reader:
        assert note_brought_in(aside, reader.identity())
    look = AsideLook(tmp_path)
    with no_answer(tmp_path, calls):
        look.look()
        assert (look.damaged, look.brought_in, damaged_logs(tmp_path)) == ((), (), ())
    look.look()
    with no_answer(tmp_path, calls):
        look.look()
    with no_answer(aside, ("stat",)):  # the folder is listed, and the files in it are not found
        look.look()
    with no_answer(aside, ("stat",), exactly=True):
        look.look()
    assert (look.damaged, look.brought_in) == ((aside,), (aside,))
    aside.unlink()
    look.look()
    assert (look.damaged, look.brought_in) == ((), ())
    site.logger.stop()


def test_a_start_on_a_folder_that_does_not_answer_waits_for_it(tmp_path: Path) -> None:
    first = site_on(tmp_path, FakeClock())
    first.run(60)
    first.logger.stop()
    first.clock.now_ms += 1000
    with no_answer(tmp_path):
        site = site_on(tmp_path, first.clock, boot="next")
        site.run(300)
        assert isinstance(site.logger._keeper, Logless) and "Input/output error" in site.logger._keeper.disk_trouble
    site.run((LONGEST_WAIT_MS + DISK_WELL_MS) / 1000 + 30)
    site.logger.stop()
    assert steps_ms(site) == {1000}
    assert states(site, "disk_fault") == ["active_unacknowledged", "normal"]


def test_a_folder_that_does_not_answer_as_a_damaged_log_is_to_be_moved_is_waited_for(tmp_path: Path) -> None:
    site = site_on(tmp_path, FakeClock())
    site.run(60)
    writer = site.keeper.writer
    with no_answer(tmp_path), pytest.raises(DiskRefuses, match="cannot be opened"):
        writer.begin_anew(site.clock.wall_ms(), "malformed")
    assert writer.trouble is not None, "else the next try closed the file, and folded its write-ahead log in"
    with no_answer(tmp_path), pytest.raises(DiskRefuses):
        writer.try_again(site.clock.wall_ms())
    writer.try_again(site.clock.wall_ms())
    assert writer.trouble is None and damaged_logs(tmp_path) == (), "it was sound after all"
    for exactly in (False, True):
        with no_answer(writer.path if exactly else tmp_path, exactly=exactly), pytest.raises(DiskRefuses):
            writer.reopen()
    writer.reopen()
    site.run(60)
    site.logger.stop()
    assert steps_ms(site) == {1000}


def test_who_reads_is_told_so_at_once(tmp_path: Path) -> None:
    LogWriter(tmp_path / "readings.db").close()
    for path in (tmp_path, tmp_path / "readings.db"):
        with no_answer(tmp_path), pytest.raises(DiskRefuses, match="cannot be read now"):
            LogReader(path)
    with no_answer(tmp_path), pytest.raises(DiskRefuses, match="cannot be opened"):
        LogWriter(tmp_path / "readings.db", create=False)
