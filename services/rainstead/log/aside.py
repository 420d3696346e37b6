"""A log that SQLite calls damaged is moved aside, whole, so that a new one can be begun in its place.

Nothing is deleted or overwritten: what can still be read of it is read from there.
"""

import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from rainstead.errors import DiskRefuses, LogMalformed

from .refusing import told
from .syncing import sync

__all__ = [
    "damage_in_words",
    "damaged_logs",
    "finish_moving",
    "free_name",
    "is_of_content",
    "may_be_damage",
    "move_aside",
]

_PARTS: Final = ("", "-wal", "-shm", "-journal")
"""The file first: a move that a power cut ends is then seen, and finished, at the next start."""
_MOST_ASIDE: Final = 20
"""A card that damages one log after another would be filled with them."""


def damage_in_words(error: BaseException) -> str | None:
    """What SQLite says where it says that the file is damaged; None where it is only busy, full, forbidden or failing,
    or another program's."""
    if isinstance(error, LogMalformed):
        return error.why
    code = getattr(error, "sqlite_errorcode", None) if isinstance(error, sqlite3.Error) else None
    if code is None and isinstance(error, sqlite3.OperationalError) and "decode to UTF-8" in str(error):
        return "a text in it is no text"  # Python's own word; SQLite gives the bytes as they are
    is_damage = code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return str(error) if is_damage else None


def is_of_content(error: sqlite3.Error) -> bool:
    """Whether an error may come of what is in the file, and not of the disk or of another program that holds it."""
    code = getattr(error, "sqlite_errorcode", None)
    of_content = (sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG)
    return code is not None and code & 0xFF in of_content


def may_be_damage(error: Exception) -> bool:
    """Whether a damaged file may be behind an error that names none, so that only a check of all of it can tell."""
    return damage_in_words(error) is None and (not isinstance(error, sqlite3.Error) or is_of_content(error))


def damaged_logs(folder: Path) -> tuple[Path, ...]:
    """Logs that were moved aside in a site's folder and are still there, in the order of their names."""
    return tuple(sorted(folder.glob("readings-damaged-*.db")))


def free_name(path: Path, now_ms: int) -> Path:
    """Where a damaged log may go. now_ms: UTC by the wall clock."""
    stamp = datetime.fromtimestamp(now_ms // 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    target, number = path.with_name(f"{path.stem}-damaged-{stamp}.db"), 1
    while any(_with(target, part).exists() for part in _PARTS):
        number += 1
        target = path.with_name(f"{path.stem}-damaged-{stamp}-{number}.db")
    return target


def move_aside(path: Path, target: Path) -> None:
    """Rename a log that nobody writes, and what belongs to it. The caller has the writer's lock.

    What a try before moved already is left there. Raises LogError where the folder does not let us, DiskRefuses where
    it may later, or has too many.
    """
    if path.exists() and len(damaged_logs(path.parent)) >= _MOST_ASIDE:
        raise DiskRefuses(
            f"{path}: is damaged, and {_MOST_ASIDE} damaged logs were moved aside here before: the card or the disk is "
            "failing; replace it, or take them away"
        )
    try:
        for part in _PARTS:
            if _with(path, part).exists():
                _with(path, part).rename(_with(target, part))
        sync(path.parent)
    except OSError as error:
        raise told(
            error,
            f"{path}: is damaged and cannot be moved aside to {target.name} ({error.strerror}); "
            "check the folder's owner, or move it away",
        ) from None


def finish_moving(path: Path, now_ms: int) -> None:
    """If a power cut ended a move half way, or the file was emptied, bring the rest along: SQLite deletes what it finds
    beside an empty log.

    The caller has the writer's lock. Raises LogError as `move_aside`.
    """
    wal = _with(path, "-wal")
    if not wal.exists() or (path.exists() and path.stat().st_size > 0):
        return
    # Names tell the order only as well as the clock did. Beside a log that is not its own it would be read into it.
    without = [one for one in damaged_logs(path.parent) if not _with(one, "-wal").exists()]
    target = without[0] if not path.exists() and len(without) == 1 else free_name(path, now_ms)
    try:
        wal.rename(_with(target, "-wal"))
        sync(path.parent)
    except OSError as error:
        raise told(error, f"{wal}: belongs to no log and cannot be moved aside ({error.strerror})") from None


def _with(path: Path, part: str) -> Path:
    return path.with_name(path.name + part)
