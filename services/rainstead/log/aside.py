"""A log that SQLite calls damaged is moved aside, whole, so that a new one can be begun in its place.

Nothing is deleted or overwritten: what can still be read of it is read from there.
"""

import contextlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from rainstead.errors import DiskRefuses

from .refusing import told
from .syncing import sync

__all__ = [
    "damaged_logs",
    "finish_moving",
    "free_name",
    "list_damaged",
    "move_aside",
]

_PARTS: Final = ("", "-wal", "-shm", "-journal")
"""The file first: a move that a power cut ends is then seen, and finished, at the next start."""
_MOST_ASIDE: Final = 20
"""A card that damages one log after another would be filled with them."""


def damaged_logs(folder: Path) -> tuple[Path, ...]:
    """Logs that were moved aside in a site's folder and are still there, in the order of their names.

    For lookers: none where the disk does not let the folder be listed.
    """
    with contextlib.suppress(OSError):
        return list_damaged(folder)
    return ()


def list_damaged(folder: Path) -> tuple[Path, ...]:
    """The same for who has to know it. Raises OSError."""
    try:
        # Not by a glob, which hides one error or another with each Python.
        return tuple(sorted(path for path in folder.iterdir() if path.match("readings-damaged-*.db")))
    except (FileNotFoundError, NotADirectoryError):
        return ()


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
    if path.exists() and len(list_damaged(path.parent)) >= _MOST_ASIDE:
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
    without = [one for one in list_damaged(path.parent) if not _with(one, "-wal").exists()]
    target = without[0] if not path.exists() and len(without) == 1 else free_name(path, now_ms)
    try:
        wal.rename(_with(target, "-wal"))
        sync(path.parent)
    except OSError as error:
        raise told(error, f"{wal}: belongs to no log and cannot be moved aside ({error.strerror})") from None


def _with(path: Path, part: str) -> Path:
    return path.with_name(path.name + part)
