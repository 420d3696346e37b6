"""The copies in a folder: their names, which say when each was made and whether it was whole, and their notebooks."""

import contextlib
import os
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from rainstead.errors import LogError, LogMissing, LogTooNew, NotALog
from rainstead.log import PART, check_log, clear_part, damaged_logs

from .going import newest_whole

__all__ = [
    "Copy",
    "clear_leavings",
    "confirmed",
    "copies_in",
    "let_go",
    "named",
    "notebook_of",
    "of_logs_before",
    "oldest_first",
]

_DAMAGED: Final = ".damaged"
_AHEAD_MS: Final = 86_400_000
"""So much may a name be ahead of now: a clock that was set by hours between two nights puts none out of its place."""
_LAST_MS: Final = 253_402_300_799_999
"""No stamp is later: the year 9999."""
_OURS: Final = re.compile(rf"readings-(\d{{8}}T\d{{6}}Z)({re.escape(_DAMAGED)})?\.db")
"""Nothing that is named otherwise is ever let go: neither a log that was moved aside nor what its owner named."""
_ASIDE: Final = re.compile(r"readings-damaged-(\d{8}T\d{6}Z)")
_LEFT: Final = re.compile(
    rf"(readings-\d{{8}}T\d{{6}}Z({re.escape(_DAMAGED)})?(\.notebook)?\.db{re.escape(PART)})(-journal|-wal|-shm)?"
)


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy under its name. stamp: UTC when it was made, in an order that letters have. is_whole: by its name.

    is_ahead: it is named for a time more than a day to come: a clock was wrong when it was made, or is now.
    """

    path: Path
    stamp: str
    is_whole: bool
    is_ahead: bool = False

    def size_bytes(self) -> int:
        """What it takes on the disk, with its notebook; 0 where nobody can tell."""
        size = 0
        for path in (self.path, notebook_of(self.path)):
            with contextlib.suppress(OSError):
                size += path.lstat().st_blocks * 512
        return size


def named(folder: Path, now_ms: int, *, is_whole: bool = True) -> Copy:
    """The copy that is made at this time. now_ms: UTC by the wall clock."""
    stamp = _stamp(now_ms)
    return Copy(folder / f"readings-{stamp}{'' if is_whole else _DAMAGED}.db", stamp, is_whole)


def notebook_of(copy: Path) -> Path:
    """Where the notebook's copy lies beside a log's."""
    return copy.with_suffix(".notebook.db")


def copies_in(folder: Path, now_ms: int) -> list[Copy]:
    """The oldest first, as `oldest_first` has it. now_ms: UTC by the wall clock.

    Raises LogError where the folder cannot be read.
    """
    found = [
        Copy(path, match[1], match[2] is None)
        for path in _files(folder)
        if (match := _OURS.fullmatch(path.name)) is not None
    ]
    return oldest_first(found, now_ms)


def oldest_first(copies: Sequence[Copy], now_ms: int) -> list[Copy]:
    """In the order of their age, as far as names made of the wall clock tell it; is_ahead is found out. now_ms: UTC.

    What is named for a time to come was made before now all the same, nobody knows when. Were it taken for the newest,
    each night's copy would go the next night until that time has come; so it counts as older than the rest. That is
    the order in which they were made, too, where the clock was right then and is behind now.
    """
    latest = _stamp(now_ms + _AHEAD_MS)
    judged = [replace(copy, is_ahead=copy.stamp > latest) for copy in copies]
    return sorted(judged, key=lambda copy: (not copy.is_ahead, copy.stamp, copy.path.name))


def clear_leavings(folder: Path) -> None:
    """Take away what tries left that were killed. Nobody else may be at it: the caller has the folder."""
    for path in _files(folder):
        if (match := _LEFT.fullmatch(path.name)) is not None:
            clear_part(folder / match[1])


def confirmed(copies: list[Copy]) -> tuple[list[Copy], tuple[Path, ...]]:
    """The copies, of which the newest that is whole by its name was read again, and is.

    A card can spoil a copy that it has; and whoever lets older ones go relies on that one. Second: those that were
    found damaged, under their new names, and those that could not be read.
    """
    found: list[Path] = []
    copies = list(copies)
    while (newest := newest_whole(copies)) is not None and not (verdict := _verdict(newest.path)):
        # One that cannot be read now may be sound: it is not relied on, and keeps its name.
        judged = _marked(newest) if verdict is False else replace(newest, is_whole=False)
        copies[copies.index(newest)] = judged
        found.append(judged.path)
    return copies, tuple(found)


def of_logs_before(copies: Sequence[Copy], site: Path, now_ms: int) -> tuple[Copy, ...]:
    """Of each log that was moved aside for damage and is still there, the last whole copy from before.

    The log that was begun anew has nothing of it, and its copies would push that one out within so many nights.
    copies: the oldest first. Where a copy or the log aside is named for a time to come, nobody knows which was before:
    one more stays then, so that one of them is. now_ms: UTC by the wall clock.
    """
    ahead = [copy for copy in copies if copy.is_whole and copy.is_ahead]
    dated = [copy for copy in copies if copy.is_whole and not copy.is_ahead]
    last: list[Copy] = []
    for aside in damaged_logs(site):
        if (match := _ASIDE.match(aside.name)) is None:
            continue
        if match[1] > _stamp(now_ms + _AHEAD_MS):
            # All nights from now on seem to be before it: the first of them is the likeliest to be so.
            last += [*[copy for copy in ahead if copy.stamp < match[1]][-1:], *dated[:1]]
        else:
            last += [*ahead[-1:], *[copy for copy in dated if copy.stamp < match[1]][-1:]]
    return tuple(last)


def let_go(copy: Copy) -> None:
    """Delete a copy; its notebook first, so that none is left that belongs to nothing. Raises LogError."""
    try:
        notebook_of(copy.path).unlink(missing_ok=True)
        copy.path.unlink(missing_ok=True)
    except OSError as error:
        raise LogError(
            f"{copy.path}: could not be let go ({error.strerror or error}); check whose it is and the folder's rights"
        ) from None


def _stamp(t_ms: int) -> str:
    return datetime.fromtimestamp(min(t_ms, _LAST_MS) // 1000, UTC).strftime("%Y%m%dT%H%M%SZ")


def _verdict(path: Path) -> bool | None:
    """Whether it is whole; None where nobody can tell now."""
    try:
        return check_log(path).is_whole
    except LogTooNew:  # a newer version's: not ours to judge
        return True
    except (NotALog, LogMissing):
        return False
    except (LogError, OSError):
        return None


def _marked(copy: Copy) -> Copy:
    """Under the name of a damaged one; where the disk does not let us, it is taken for damaged all the same."""
    path = copy.path.with_name(f"readings-{copy.stamp}{_DAMAGED}.db")
    try:
        if not path.exists():
            # Its notebook first: a copy that has one is then never without it.
            if notebook_of(copy.path).exists():
                notebook_of(copy.path).rename(notebook_of(path))
            copy.path.rename(path)
            return replace(copy, path=path, is_whole=False)
    except OSError:
        pass
    return replace(copy, is_whole=False)


def _files(folder: Path) -> list[Path]:
    """Plain files alone: a link may lead anywhere."""
    try:
        with os.scandir(folder) as entries:
            return [Path(entry.path) for entry in entries if stat.S_ISREG(entry.stat(follow_symlinks=False).st_mode)]
    except OSError as error:
        raise LogError(f"{folder}: cannot be looked into ({error.strerror or error}); check its owner") from None
