"""A copy of a log while it is written, and a copy put back. Nothing that is there is ever overwritten."""

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path

from rainstead.errors import LogDamaged, LogError

from .checking import LogCheck, check_log
from .lock import WriterLock
from .read import LogReader
from .syncing import sync

__all__ = ["back_up", "copy_database", "restore"]

_STEP_PAGES = 256
Progress = Callable[[int, int], None]
"""Called with pages still to go and pages in all."""


def back_up(source: Path, target: Path, progress: Progress | None = None) -> LogCheck:
    """Copy a log as it is at this moment, without free pages, and check the copy.

    The writer goes on meanwhile. A damaged log is copied too, byte by byte: the check tells.
    Raises LogMissing, NotALog, LogTooNew, LogError (the target is there; the disk failed); then there is no target.
    """
    with LogReader(source) as reader:
        path = reader.path
    copy_database(path, target, progress)
    return check_log(target)


def copy_database(source: Path, target: Path, progress: Progress | None = None) -> None:
    """Copy any SQLite file as it is at this moment: whole, or not at all."""
    _refuse_overwriting(target)
    part = target.with_name(target.name + ".part")
    for left_over in (part, part.with_name(part.name + "-journal")):
        left_over.unlink(missing_ok=True)
    try:
        _copy_pages(source, part, progress)
        sync(part)
        _refuse_overwriting(target)
        part.rename(target)
        sync(target.parent)
    except (OSError, sqlite3.Error) as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise LogError(f"{target}: {source} could not be copied ({error}); see that the disk has room") from None


def restore(backup: Path, target: Path, *, even_damaged: bool = False, progress: Progress | None = None) -> LogCheck:
    """Put a backup where a log should be. Raises LogError where anything is there, LogDamaged where it is not whole."""
    check = check_log(backup)
    if not (check.is_whole or even_damaged):
        raise LogDamaged(
            f"{backup}: is damaged, nothing was restored; `rainstead verify {backup}` tells what; "
            "take another backup, or add --even-damaged for what is left"
        )
    for suffix in ("", "-wal", "-shm", "-journal"):
        _refuse_overwriting(target.with_name(target.name + suffix))
    lock = WriterLock(target)
    try:
        copy_database(Path(check.path), target, progress)
    finally:
        lock.release()
    return check


def _copy_pages(source: Path, part: Path, progress: Progress | None) -> None:
    told = None if progress is None else lambda _status, left, pages: progress(left, pages)
    with (
        contextlib.closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True, timeout=5)) as theirs,
        contextlib.closing(sqlite3.connect(part, isolation_level=None)) as ours,
    ):
        # One snapshot for all steps: else each commit of the writer would make the copy begin anew.
        theirs.isolation_level = None
        theirs.execute("BEGIN")
        theirs.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        theirs.backup(ours, pages=_STEP_PAGES, progress=told)
        theirs.execute("COMMIT")
        # A file of its own, that a read-only disk can be read from.
        ours.execute("PRAGMA journal_mode = DELETE")
        with contextlib.suppress(sqlite3.DatabaseError):  # damaged: then it stays as it was copied
            ours.execute("VACUUM")


def _refuse_overwriting(path: Path) -> None:
    if not path.parent.is_dir():
        raise LogError(f"{path.parent}: there is no such folder; make it first")
    if path.exists():
        raise LogError(f"{path}: is there already, and nothing is overwritten; name another place, or move it away")
