"""A new copy in a folder, and the older ones that go for it."""

import fcntl
import os
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from rainstead.errors import HeldByAnother, LogError, LogMissing, NoRoom
from rainstead.log import (
    PART,
    LogCheck,
    LogReader,
    clear_part,
    copy_checked,
    copy_sizes,
    copy_to_part,
    require_room,
    settle,
)

from .copies import Copy, clear_leavings, confirmed, copies_in, let_go, named, notebook_of, of_logs_before
from .going import beyond, newest_whole, order_of_going

__all__ = ["MadeBackup", "make_backup"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class MadeBackup:
    """What was made. removed: older copies that went for their number; for_room: those that went so that it fits.

    no_room: what it wanted and what was free before they went, in words; None where none had to go for room.
    found_damaged: older copies that were whole when they were made and are not any more, or cannot be read.
    newest_whole: the newest copy that is whole, this one or an older one; None where there is none.
    ahead: older copies that are named for a time more than a day to come, those that went among them.
    """

    check: LogCheck
    notebook: Path | None
    removed: tuple[Path, ...]
    for_room: tuple[Path, ...]
    no_room: str | None
    found_damaged: tuple[Path, ...]
    newest_whole: Path | None
    ahead: tuple[Path, ...] = ()


def make_backup(
    log: Path,
    notebook: Path,
    folder: Path,
    now_ms: int,
    *,
    keep: int | None = None,
    leave_bytes: int = 0,
    progress: Progress | None = None,
) -> MadeBackup:
    """Copy a log, and the notebook if there is one, into a folder, under a name that has the time.

    keep: so many copies stay, whole and damaged ones together; see `going` for which, `oldest_first` for their age, and
    `of_logs_before`. Where there is no room, as many of them go as the new copy needs, or none if that does not help;
    without `keep` none goes. leave_bytes: so much of the folder's disk has to stay free. now_ms: UTC by the wall clock.
    Raises LogMissing, NotALog, LogTooNew, HeldByAnother, NoRoom, LogError; the last also where the copy was made and
    something of it failed.
    """
    site = log if log.is_dir() else log.parent
    with _alone(folder):
        clear_leavings(folder)
        for is_whole in (True, False):
            if (there := named(folder, now_ms, is_whole=is_whole).path).exists():
                raise LogError(f"{there}: is there already, and nothing is overwritten; try again in a second")
        new = _Attempt(log, notebook if notebook.exists() else None, folder, now_ms, leave_bytes, progress)
        for_room: tuple[Path, ...] = ()
        spoilt: tuple[Path, ...] = ()
        no_room = None
        ahead = tuple(copy.path for copy in copies_in(folder, now_ms) if copy.is_ahead)
        try:
            made = new.made()
        except NoRoom as refused:
            if keep is None:
                raise
            going, spoilt = _enough(copies_in(folder, now_ms), refused.missing_bytes, site, now_ms)
            if not going:
                raise
            for copy in going:
                let_go(copy)
            for_room, no_room = tuple(copy.path for copy in going), refused.why
            made = _once_more(new, for_room)
        after = [copy for copy in copies_in(folder, now_ms) if copy.path != made.copy.path]
        removed: tuple[Path, ...] = ()
        troubles = [] if made.trouble is None else [made.trouble]
        if keep is not None:
            after, found = _relied_on(after, made.copy, keep, of_logs_before(after, site, now_ms))
            spoilt += found
            going = beyond([*after, made.copy], keep, of_logs_before(after, site, now_ms))
            removed, stay = _all_that_go(going)
            troubles += stay
            after = [copy for copy in after if copy.path not in removed]
        if troubles:
            raise LogError(f"{made.copy.path}: the log was copied, but: {'; '.join(troubles)}")
        best = newest_whole([*after, made.copy])
        check = replace(made.check, path=str(made.copy.path))
        newest = best.path if best else None
        return MadeBackup(check, made.notebook, removed, for_room, no_room, spoilt, newest, ahead)


@dataclass(frozen=True, slots=True)
class _Made:
    copy: Copy
    check: LogCheck
    notebook: Path | None
    trouble: str | None
    """What became of the notebook, where it could not be copied."""


@dataclass(frozen=True, slots=True)
class _Attempt:
    """One copy of log and notebook, to be tried once or twice."""

    log: Path
    notebook: Path | None
    folder: Path
    now_ms: int
    leave_bytes: int
    progress: Progress | None

    def made(self) -> _Made:
        """Copied, checked and named; or an error, and nothing is left of it."""
        plain = named(self.folder, self.now_ms).path
        part, notes = (path.with_name(path.name + PART) for path in (plain, notebook_of(plain)))
        trouble = None
        self._require_room_for_both()
        try:
            check = copy_checked(self.log, part, self.progress, leave_bytes=self.leave_bytes)
            if self.notebook is not None:
                try:
                    copy_to_part(self.notebook, notes, leave_bytes=self.leave_bytes)
                except NoRoom:
                    raise
                except LogError as error:
                    # The readings are worth a copy of their own; and it must count, or they would fill the disk.
                    trouble = str(error)
            copy = named(self.folder, self.now_ms, is_whole=check.is_whole)
            kept = None
            if self.notebook is not None and trouble is None:
                kept = notebook_of(copy.path)
                settle(notes, kept)
            try:
                settle(part, copy.path)
            except BaseException:
                if kept is not None:
                    kept.unlink(missing_ok=True)
                raise
        except BaseException:
            for left in (part, notes):
                clear_part(left)
            raise
        return _Made(copy, check, kept, trouble)

    def _require_room_for_both(self) -> None:
        """Before the long work begins, and before anything that is there may go for it."""
        with LogReader(self.log) as reader:
            path = reader.path
        try:
            wanted, _ = copy_sizes(path)
            if self.notebook is not None:
                wanted += self.notebook.stat().st_size
            require_room(self.folder, wanted, self.leave_bytes)
        except (OSError, sqlite3.Error) as error:
            raise LogError(f"{self.folder}: {path} could not be copied ({error}); see that the disk is well") from None


def _enough(
    copies: list[Copy], missing_bytes: int, site: Path, now_ms: int
) -> tuple[tuple[Copy, ...], tuple[Path, ...]]:
    """As few as make so much room, at least one; none where all that may go is too little.

    Nobody knows yet whether the new copy will be whole, so the newest whole one stays. Second: see `confirmed`.
    """
    spoilt: tuple[Path, ...] = ()
    for last in (False, True):
        with_it: list[Copy | _Unmade] = [*copies, _Unmade()]
        order = order_of_going(with_it, of_logs_before(copies, site, now_ms))
        going, freed = list[Copy](), 0
        for copy in order:
            if going and freed >= missing_bytes:
                break
            assert isinstance(copy, Copy)  # the newest of all never goes
            going.append(copy)
            freed += copy.size_bytes()
        if freed < missing_bytes:
            return (), spoilt
        if last or not any(copy.is_whole for copy in going):
            break
        copies, spoilt = confirmed(copies)
    return tuple(going), spoilt


@dataclass(frozen=True, slots=True)
class _Unmade:
    """Stands for the copy that is about to be made."""

    is_whole: bool = False


def _relied_on(older: list[Copy], new: Copy, keep: int, stay: Collection[Copy]) -> tuple[list[Copy], tuple[Path, ...]]:
    """The older copies; the newest whole one of them was read again if a whole one is to go and the new one is not."""
    going = beyond([*older, new], keep, stay)
    if new.is_whole or not any(copy.is_whole for copy in going):
        return older, ()
    return confirmed(older)


def _all_that_go(going: Sequence[Copy]) -> tuple[tuple[Path, ...], list[str]]:
    """Let all of them go that the disk lets us; one that stays keeps no other. Second: what stays, and why."""
    removed, stay = list[Path](), list[str]()
    for copy in going:
        try:
            let_go(copy)
            removed.append(copy.path)
        except LogError as error:
            stay.append(str(error))
    return tuple(removed), stay


def _once_more(new: _Attempt, gone: tuple[Path, ...]) -> _Made:
    """The second try, after some went; should it fail, they are told with it."""
    try:
        return new.made()
    except LogMissing:
        raise
    except LogError as error:
        names = ", ".join(path.name for path in gone)
        raise LogError(f"{error}; {names} had been let go to make room for it") from None


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Nobody else copies into the folder meanwhile: what another one has half done would be taken for a leaving."""
    try:
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise LogError(f"{folder}: cannot be looked into ({error.strerror or error}); check its owner") from None
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise HeldByAnother(
                f"{folder}: another backup into this folder goes on; try again when it is done"
            ) from None
        except OSError:
            pass  # not every file system of a network locks folders
        yield
    finally:
        os.close(fd)
