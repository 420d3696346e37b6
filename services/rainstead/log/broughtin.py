"""Which of the logs that were moved aside have been brought into the log again: a note beside each, of a few words."""

import contextlib
import json
import sqlite3
from pathlib import Path

from rainstead.errors import RainsteadError

from .aside import damaged_logs
from .read import LogReader
from .syncing import sync

__all__ = ["brought_in", "brought_in_again", "note_brought_in"]

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
        sync(fresh)
        fresh.replace(path)
        sync(path.parent)
        return True
    return False


def brought_in(folder: Path, log_identity: str | None) -> tuple[Path, ...]:
    """Of the logs that were moved aside in a site's folder, those that are in its log, which has this identity."""
    return tuple(moved for moved in damaged_logs(folder) if _is_noted(moved, log_identity))


def _is_noted(moved: Path, log_identity: str | None) -> bool:
    try:
        told = json.loads(_note_of(moved).read_text(encoding="utf-8"))
        return bool(told == _of(moved, log_identity))
    except (OSError, ValueError):
        return False


def _of(moved: Path, log_identity: str | None) -> dict[str, object]:
    """What makes the note hold: for this file as it is, and for this log."""
    stat = moved.stat()
    return {"log": log_identity, "bytes": stat.st_size, "modified_ns": stat.st_mtime_ns}


def _note_of(moved: Path) -> Path:
    return moved.with_name(moved.name + _NOTE)


def brought_in_again(folder: Path) -> tuple[Path, ...]:
    """The same by the log that is there now; none while nobody can tell, as its disk fails."""
    if not any(_note_of(moved).exists() for moved in damaged_logs(folder)):
        return ()
    with contextlib.suppress(RainsteadError, sqlite3.Error, OSError), LogReader(folder) as reader:
        return brought_in(folder, reader.identity())
    return ()
