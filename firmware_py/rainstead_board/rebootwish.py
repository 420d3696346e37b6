"""A file system that an error has made read-only stays so until a boot: the logger may ask for one.

It only leaves a file in its runtime folder, in memory; `rainstead-reboot.path` sees it and has the board rebooted.
"""

import contextlib
import errno
import json
import logging
import os
from pathlib import Path
from typing import Final

__all__ = ["WISH_FILE", "RebootWish"]

WISH_FILE: Final = "reboot-wanted"
_STORED_FILE: Final = "stored.json"
"""From when to when the disk has taken readings, for a logger that is started again in the same boot."""
NEARLY_FULL_RATIO: Final = 0.95
PROBE_EVERY_MS: Final = 60_000
KEEP_EVERY_MS: Final = 60_000
NOBODY_AFTER_MS: Final = 600_000
LITTLE_BYTES: Final = 1_000_000
_HELPED_BY_A_BOOT: Final = (errno.EROFS, errno.EIO, errno.EUCLEAN)

_journal = logging.getLogger("rainstead.logger")


class RebootWish:
    """Of one boot of the machine. Times are boot-clock milliseconds.

    run_folder: the runtime folder, which a boot empties; without one nothing is ever asked. after_ms: for so long of
    this boot the disk must have taken readings, so that there is no more than one reboot in that time; 0 asks for none.
    most_waiting: readings that the memory has room for.
    """

    def __init__(self, run_folder: Path | None, log_folder: Path, after_ms: int, most_waiting: int) -> None:
        self.asked_ms: int | None = None
        """When a reboot was asked for, while it is."""
        self._folder = run_folder if after_ms else None
        self._log_folder, self._after_ms = log_folder, after_ms
        self._nearly_full = most_waiting * NEARLY_FULL_RATIO
        self._from_ms: int | None = None
        self._upto_ms: int | None = None
        self._kept_ms = 0
        self._probe_at_ms = 0
        self._told_nobody = False
        if self._folder is not None:
            self._remember()
            # What the process before asked for may have mended itself since; it is asked again where it has not.
            self._remove()

    def stored(self, commit_ms: int, now_ms: int) -> None:
        """The disk takes readings, the last time at commit_ms: nothing is asked of anybody."""
        if self._folder is None:
            return
        is_first = self._from_ms is None
        self._from_ms = commit_ms if self._from_ms is None else self._from_ms
        self._upto_ms = commit_ms
        if self.asked_ms is not None:
            self.asked_ms, self._told_nobody = None, False
            self._remove()
            _journal.warning("the disk takes readings again: no reboot is wanted any more")
        if is_first or now_ms - self._kept_ms >= KEEP_EVERY_MS:
            self._kept_ms = now_ms
            with contextlib.suppress(OSError):
                fresh = self._folder / (_STORED_FILE + ".new")
                fresh.write_text(json.dumps([self._from_ms, self._upto_ms]), encoding="ascii")
                fresh.replace(self._folder / _STORED_FILE)

    def would_help(self, waiting: int, now_ms: int) -> bool:
        """Whether all that can be said for a reboot is true; then the caller tries once more to store what waits.

        Asks the disk itself, by a write, no more than once a minute.
        """
        if self._folder is None or self.asked_ms is not None or waiting < self._nearly_full:
            return False
        if self._from_ms is None or self._upto_ms is None or self._upto_ms - self._from_ms < self._after_ms:
            return False
        if now_ms < self._probe_at_ms:
            return False
        self._probe_at_ms = now_ms + PROBE_EVERY_MS
        return self._is_refused()

    def ask(self, waiting: int, disk_trouble: str, now_ms: int) -> None:
        """Leave the wish. Once in a boot, unless the disk takes readings meanwhile."""
        assert self._folder is not None
        try:
            (self._folder / WISH_FILE).write_text(f"{disk_trouble}; {waiting} readings wait\n", encoding="utf-8")
        except OSError as error:
            _journal.error("a reboot cannot be asked for (%s)", error)
            return
        self.asked_ms = now_ms
        _journal.critical(
            "the disk takes nothing more (%s) and the memory for readings is full: a reboot is asked for. %d readings "
            "that wait in memory are lost by it; after it the disk may take readings again",
            disk_trouble,
            waiting,
        )

    def words(self, now_ms: int) -> str | None:
        """What to say of it beside the disk's trouble; None where nothing was asked."""
        if self.asked_ms is None:
            return None
        if now_ms - self.asked_ms < NOBODY_AFTER_MS:
            return "a reboot is asked for, by which what waits is lost"
        if not self._told_nobody:
            self._told_nobody = True
            _journal.error("nobody carries out the reboot that is asked for: is rainstead-reboot.path enabled?")
        return "a reboot is asked for and nobody carries it out: reboot the board"

    def _remember(self) -> None:
        assert self._folder is not None
        with contextlib.suppress(OSError, ValueError, TypeError):
            from_ms, upto_ms = json.loads((self._folder / _STORED_FILE).read_text(encoding="ascii"))
            if isinstance(from_ms, int) and isinstance(upto_ms, int):
                self._from_ms, self._upto_ms = from_ms, upto_ms

    def _remove(self) -> None:
        assert self._folder is not None
        with contextlib.suppress(OSError):
            (self._folder / WISH_FILE).unlink()

    def _is_refused(self) -> bool:
        """Whether the log's folder takes no file for a reason that a boot may mend; a full disk stays full."""
        probe = self._log_folder / "readings.db.probe"
        try:
            told = os.statvfs(self._log_folder)
            if told.f_bavail * told.f_frsize < LITTLE_BYTES:
                return False
            fd = os.open(probe, os.O_WRONLY | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
            try:
                os.write(fd, bytes(4096))
                os.fsync(fd)
            finally:
                os.close(fd)
                with contextlib.suppress(OSError):
                    probe.unlink()
        except OSError as error:
            return error.errno in _HELPED_BY_A_BOOT
        return False
