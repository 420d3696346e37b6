"""Which of the logs that were moved aside have been brought into the log again: a note beside each, of a few words."""

import contextlib
import json
import sqlite3
from pathlib import Path

from rainstead.errors import RainsteadError

from .aside import damaged_logs, list_damaged
from .read import LogReader
from .syncing import sync

__all__ = ["AsideLook", "brought_in_again", "note_brought_in"]

_NOTE = ".brought-in"


def note_brought_in(moved: Path, log_identity: str | None) -> bool:
    """Put down that all that can be read of a moved log is in the log of that identity.

    For other files, or where the folder takes no note, nothing happens: bringing it in again adds nothing, and notes it
    then. Returns whether there is a note.
    """
    path = _note_of(moved)
    with contextlib.suppress(OSError):
        if moved.resolve() not in {one.resolve() for one in damaged_logs(moved.parent)}:
            return False
        fresh = path.with_name(path.name + ".new")
        fresh.write_text(json.dumps(_of(moved, log_identity)) + "\n", encoding="utf-8")
        fresh.chmod(0o640)  # whatever the umask of whoever brought it in: the logger reads it too
        sync(fresh)
        fresh.replace(path)
        sync(path.parent)
        return True
    return False


def _is_noted(moved: Path, log_identity: str | None) -> bool:
    try:
        told = json.loads(_note_of(moved).read_text(encoding="utf-8"))
        return bool(told == _of(moved, log_identity))
    except (FileNotFoundError, PermissionError, ValueError):
        return False


def _of(moved: Path, log_identity: str | None) -> dict[str, object]:
    """What makes the note hold: for this file as it is, and for this log."""
    stat = moved.stat()
    return {"log": log_identity, "bytes": stat.st_size, "modified_ns": stat.st_mtime_ns}


def _note_of(moved: Path) -> Path:
    return moved.with_name(moved.name + _NOTE)


def brought_in_again(folder: Path) -> tuple[Path, ...]:
    """Of the logs that were moved aside in a site's folder, those that are in its log as it is now.

    None while nobody can tell, as its disk fails.
    """
    with contextlib.suppress(RainsteadError, sqlite3.Error, OSError):
        return _by_its_log(folder, damaged_logs(folder))
    return ()


class AsideLook:
    """For who looks every few seconds: what was told last stands while the disk does not answer."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.damaged: tuple[Path, ...] = ()
        self.brought_in: tuple[Path, ...] = ()

    def look(self) -> None:
        """See which logs were moved aside, and which of them are in the log again."""
        with contextlib.suppress(RainsteadError, sqlite3.Error, OSError):
            self.damaged = list_damaged(self._folder)
            self.brought_in = _by_its_log(self._folder, self.damaged)


def _by_its_log(folder: Path, moved: tuple[Path, ...]) -> tuple[Path, ...]:
    """Raises RainsteadError, sqlite3.Error, OSError."""
    if not any(_note_of(one).exists() for one in moved):
        return ()
    with LogReader(folder) as reader:
        identity = reader.identity()
    return tuple(one for one in moved if _is_noted(one, identity))
