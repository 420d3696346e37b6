"""How much room a copy wants, and whether a disk has it."""

import contextlib
import errno
import os
import sqlite3
from pathlib import Path
from typing import Final

from rainstead.errors import NoRoom

__all__ = ["copy_sizes", "free_bytes", "is_for_want_of_room", "require_room"]

_OF_ROOM: Final = (errno.ENOSPC, errno.EDQUOT)
_OF_THE_SOURCE: Final = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_NOMEM)
_LITTLE_BYTES: Final = 1_000_000
"""Not every refusal names its reason; with less than this free, want of room is taken for it."""


def free_bytes(folder: Path) -> int | None:
    """What this user may still write there; None where the file system does not tell. Raises OSError."""
    told = os.statvfs(folder)
    return told.f_bavail * told.f_frsize if told.f_blocks else None


def copy_sizes(database: Path) -> tuple[int, int]:
    """What a copy takes in bytes: without free pages, at most; and with all that is there. Raises sqlite3.Error."""
    with contextlib.closing(sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True, timeout=5)) as db:
        pages, free, size = (
            int(db.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("page_count", "freelist_count", "page_size")
        )
    return max(0, pages - free) * size, pages * size


def require_room(folder: Path, wanted_bytes: int, leave_bytes: int = 0) -> None:
    """Raises NoRoom where so much does not fit, or would leave less than leave_bytes; OSError."""
    free = free_bytes(folder)
    if free is not None and free < wanted_bytes + leave_bytes:
        raise NoRoom(folder, wanted_bytes, free, leave_bytes)


def is_for_want_of_room(error: BaseException, folder: Path, still_wanted_bytes: int) -> bool:
    """Whether a write failed because the disk is full. To be asked before what was written is taken away."""
    if isinstance(error, OSError) and error.errno in _OF_ROOM:
        return True
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return True
    if code in _OF_THE_SOURCE or isinstance(error, MemoryError):
        return False
    try:
        free = free_bytes(folder)
    except OSError:
        return False
    return free is not None and free < max(still_wanted_bytes, _LITTLE_BYTES)
