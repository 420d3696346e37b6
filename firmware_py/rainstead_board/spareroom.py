"""A file that holds room on the log's disk for the day when the disk is full: it is deleted then, and logging goes on.

SQLite cannot free its own room on a full disk, for deleting and folding in write too. Only the logger, which holds the
log's lock, lays this file or takes it away.
"""

import contextlib
import errno
import logging
import os
import sqlite3
import stat
from pathlib import Path
from typing import Final, Literal

__all__ = ["SPARE_ROOM", "SpareRoom"]

SPARE_ROOM: Final = "spare-room"
"""Its name, beside the log. `systemd/install --uninstall` takes it away as well."""
LOOK_EVERY_MS: Final = 60_000
ANEW_AFTER_MS: Final = 600_000
"""A disk that was full a moment ago is left alone for a while."""
LITTLE_BYTES: Final = 1_000_000
"""Not every refusal names its reason; with less than this free, want of room is taken for it."""
_FIRST_LINE: Final = (
    b"Room that rainstead keeps for a full disk. It holds nothing; `spare_mb` in site.toml sets its size.\n"
)

_journal = logging.getLogger("rainstead.logger")


class SpareRoom:
    """Of one site's folder. size_bytes: 0 for none; what an earlier setting laid is then taken away.

    leave_bytes: so much stays free beside it when it is laid, and at least as much as it takes itself: no alarm for
    little space may come of it, and a small disk goes without.
    """

    def __init__(self, folder: Path, size_bytes: int, leave_bytes: int) -> None:
        self.size_bytes = size_bytes
        self.word: Literal["laid", "used", "missing"] | None = None
        """used: it was given to a full disk. missing: it is wanted, and there is no room for it, or `trouble` says
        what else. None: none is wanted, or nobody has looked yet."""
        self.trouble: str | None = None
        """Why it cannot be laid, where it is not for want of room."""
        self._path, self._leave_bytes = folder / SPARE_ROOM, max(leave_bytes, size_bytes)
        self._fresh = self._path.with_name(SPARE_ROOM + ".new")
        self._was_laid = False
        self._look_at_ms = 0

    def tend(self, now_ms: int) -> None:
        """Each minute: see that it is there, or lay it (anew) where there is clearly room. now_ms: boot clock.

        To be called only while the disk takes readings. Never raises.
        """
        if now_ms < self._look_at_ms:
            return
        self._look_at_ms = now_ms + LOOK_EVERY_MS
        try:
            if self.size_bytes == 0:
                self._take_away()
                self.word = None
            elif self._is_there():
                self.word = "laid"
            else:
                self._lay_if_there_is_room()
            self.trouble = None
        except OSError as error:
            self._cannot(error)

    def give_up(self, error: Exception, now_ms: int) -> bool:
        """Delete it, if the disk refused something for want of room; whether there is more room than before."""
        if not self._is_full(error):
            return False
        try:
            if not self._take_away():
                return False
        except OSError as failed:
            self._cannot(failed)
            return False
        if self.size_bytes:
            self.word = "used"
        self._look_at_ms = now_ms + ANEW_AFTER_MS
        _journal.error("the disk is full (%s): the room that was kept for this, %s, is used now", error, self._path)
        return True

    def _is_there(self) -> bool:
        """Whole, really allocated, and nobody else's: a link would have us believe in room that is not there."""
        try:
            found = os.lstat(self._path)
        except FileNotFoundError:
            return False
        if stat.S_ISDIR(found.st_mode):
            raise IsADirectoryError(errno.EISDIR, "a folder stands in its place")
        is_ours = stat.S_ISREG(found.st_mode) and found.st_nlink == 1 and found.st_size == self.size_bytes
        # A copy may have holes. But a file system that packs what it stores has fewer blocks than bytes for good.
        has_holes = found.st_blocks * 512 < self.size_bytes and not self._was_laid
        return is_ours and not has_holes

    def _lay_if_there_is_room(self) -> None:
        if self.word == "laid":
            _journal.warning("%s was deleted or altered", self._path)
        # What an end by force left half laid, or another size, takes room as well.
        self._take_away()
        if self._free_bytes() <= self.size_bytes + self._leave_bytes:
            self.word = "used" if self.word == "used" else "missing"
            return
        fd = os.open(self._fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        try:
            try:
                os.posix_fallocate(fd, 0, self.size_bytes)
                os.pwrite(fd, _FIRST_LINE[: self.size_bytes], 0)
            finally:
                os.close(fd)
            self._fresh.rename(self._path)
        except BaseException:
            with contextlib.suppress(OSError):
                self._fresh.unlink()
            raise
        _journal.info("%.0f MB are kept free for a full disk, as %s", self.size_bytes / 1e6, self._path)
        self.word, self._was_laid = "laid", True

    def _take_away(self) -> bool:
        found = False
        for path in (self._path, self._fresh):
            with contextlib.suppress(FileNotFoundError):
                path.unlink()
                found = True
        return found

    def _free_bytes(self) -> int:
        told = os.statvfs(self._path.parent)
        return told.f_bavail * told.f_frsize

    def _is_full(self, error: Exception) -> bool:
        code = getattr(error, "sqlite_errorcode", None)
        if code is not None and code & 0xFF == sqlite3.SQLITE_FULL:
            return True
        try:
            return self._free_bytes() < LITTLE_BYTES
        except OSError:
            return False

    def _cannot(self, error: OSError) -> None:
        why = f"{self._path}: cannot be laid or taken away ({error.strerror or error})"
        if self.trouble is None:
            _journal.warning("%s; nothing is kept for a full disk", why)
        self.trouble = why
        self.word = "used" if self.word == "used" else "missing"
