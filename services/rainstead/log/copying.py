"""A copy of a log while it is written, and a copy put back. Nothing that is there is ever overwritten."""

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Final

from rainstead.errors import LogDamaged, LogError, NoRoom

from .checking import LogCheck, check_log
from .lock import WriterLock
from .read import LogReader
from .room import copy_sizes, free_bytes, is_for_want_of_room, require_room
from .syncing import sync

__all__ = ["PART", "back_up", "clear_part", "copy_checked", "copy_database", "copy_to_part", "restore", "settle"]

PART: Final = ".part"
"""What a copy's name ends in until it is whole on the disk."""
_SIDE_FILES: Final = ("-journal", "-wal", "-shm")
_STEP_PAGES: Final = 256
_STEPS_BETWEEN_LOOKS: Final = 20_000
Progress = Callable[[int, int], None]
"""Called with pages still to go and pages in all."""


def back_up(source: Path, target: Path, progress: Progress | None = None, *, leave_bytes: int = 0) -> LogCheck:
    """Copy a log as it is at this moment, without free pages, and check the copy.

    The writer goes on meanwhile. A damaged log is copied too, where it must be byte by byte: the check tells.
    leave_bytes: so much of the target's disk stays free, or nothing is copied.
    Raises LogMissing, NotALog, LogTooNew, NoRoom, LogError (the target is there; the disk failed); then there is no
    target.
    """
    with LogReader(source) as reader:
        path = reader.path
    copy_database(path, target, progress, leave_bytes=leave_bytes)
    return check_log(target)


def copy_checked(source: Path, part: Path, progress: Progress | None = None, *, leave_bytes: int = 0) -> LogCheck:
    """As back_up, to a file that has yet to get its name, by `settle`."""
    with LogReader(source) as reader:
        path = reader.path
    copy_to_part(path, part, progress, leave_bytes=leave_bytes)
    try:
        return check_log(part)
    except BaseException:
        clear_part(part)
        raise


def copy_database(source: Path, target: Path, progress: Progress | None = None, *, leave_bytes: int = 0) -> None:
    """Copy any SQLite file as it is at this moment: whole, or not at all. Raises as back_up."""
    _refuse_overwriting(target)
    part = target.with_name(target.name + PART)
    copy_to_part(source, part, progress, leave_bytes=leave_bytes)
    settle(part, target)


def copy_to_part(source: Path, part: Path, progress: Progress | None = None, *, leave_bytes: int = 0) -> None:
    """Copy, and have it on the disk. What an earlier try left there goes; of one that fails nothing is left."""
    wanted = 0
    try:
        clear_part(part)
        wanted, as_it_is = copy_sizes(source)
        require_room(part.parent, wanted, leave_bytes)
        try:
            _copy_rows(source, part, wanted, progress)
        except (sqlite3.Error, MemoryError) as error:  # a damaged record may say that it is larger than memory
            if is_for_want_of_room(error, part.parent, wanted - _size(part)):
                raise
            clear_part(part)
            # As it is on the disk, free pages as well: nothing there has to make sense for that.
            wanted = as_it_is
            require_room(part.parent, wanted, leave_bytes)
            _copy_pages(source, part, progress)
        sync(part)
    except (OSError, sqlite3.Error) as error:
        is_full = is_for_want_of_room(error, part.parent, wanted - _size(part))
        clear_part(part)
        if is_full:
            raise NoRoom(part.parent, wanted, _free(part.parent), leave_bytes) from None
        raise LogError(f"{part.parent}: {source} could not be copied ({error}); see that the disk is well") from None
    except BaseException:
        clear_part(part)
        raise


def settle(part: Path, target: Path) -> None:
    """Give a copy its name. Raises LogError where something has that name; the part is gone then."""
    try:
        _refuse_overwriting(target)
        part.rename(target)
        sync(target.parent)
    except OSError as error:
        raise LogError(f"{target}: the copy could not be given its name ({error}); see that the disk is well") from None
    finally:
        clear_part(part)


def clear_part(part: Path) -> None:
    """Take away a copy that is not whole, and what SQLite laid beside it. Never raises: what stays is met again."""
    for name in (part.name, *(part.name + suffix for suffix in _SIDE_FILES)):
        with contextlib.suppress(OSError):
            part.with_name(name).unlink()


def restore(backup: Path, target: Path, *, even_damaged: bool = False, progress: Progress | None = None) -> LogCheck:
    """Put a backup where a log should be. Raises LogError where anything is there, LogDamaged where it is not whole."""
    check = check_log(backup)
    if not (check.is_whole or even_damaged):
        raise LogDamaged(
            f"{backup}: is damaged, nothing was restored; `rainstead verify {backup}` tells what; "
            "take another backup, or add --even-damaged for what is left"
        )
    for suffix in ("", *_SIDE_FILES):
        _refuse_overwriting(target.with_name(target.name + suffix))
    lock = WriterLock(target)
    try:
        copy_database(Path(check.path), target, progress)
    finally:
        lock.release()
    return check


def _copy_rows(source: Path, part: Path, wanted_bytes: int, progress: Progress | None) -> None:
    """Only what is in use, of one moment, straight to where it goes.

    Packing a copy that is there already would want its size once more, on whatever disk SQLite keeps its temporary
    files: on a board that is the logger's.
    """
    with contextlib.closing(_reader(source)) as theirs:
        if progress is not None:
            (page_bytes,) = theirs.execute("PRAGMA page_size").fetchone()
            pages = max(1, wanted_bytes // page_bytes)

            def look() -> int:
                progress(max(0, pages - _size(part) // page_bytes), pages)
                return 0

            theirs.set_progress_handler(look, _STEPS_BETWEEN_LOOKS)
        theirs.execute("VACUUM INTO ?", (str(part.absolute()),))


def _copy_pages(source: Path, part: Path, progress: Progress | None) -> None:
    told = None if progress is None else lambda _status, left, pages: progress(left, pages)
    with (
        contextlib.closing(_reader(source)) as theirs,
        contextlib.closing(sqlite3.connect(part, isolation_level=None)) as ours,
    ):
        # One snapshot for all steps: else each commit of the writer would make the copy begin anew.
        theirs.execute("BEGIN")
        theirs.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        theirs.backup(ours, pages=_STEP_PAGES, progress=told)
        theirs.execute("COMMIT")
        # A file of its own, that a read-only disk can be read from.
        ours.execute("PRAGMA journal_mode = DELETE")


def _reader(source: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=5, isolation_level=None)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _free(folder: Path) -> int | None:
    try:
        return free_bytes(folder)
    except OSError:
        return None


def _refuse_overwriting(path: Path) -> None:
    if not path.parent.is_dir():
        raise LogError(f"{path.parent}: there is no such folder; make it first")
    if path.exists():
        raise LogError(f"{path}: is there already, and nothing is overwritten; name another place, or move it away")
