"""A file that one process holds for as long as it lives: there is no second one, and others can see that it lives."""

import contextlib
import fcntl
import os
import time
from pathlib import Path
from typing import Final

from rainstead.errors import HeldByAnother

__all__ = ["AlreadyHeld", "Hold", "is_held"]

_TRIES: Final = 5
_BETWEEN_S: Final = 0.02
"""Whoever asks `is_held` has the file for some microseconds."""


class AlreadyHeld(HeldByAnother):
    """Another process holds the file. holder: its number as it wrote it, or unknown."""

    def __init__(self, path: Path, holder: str) -> None:
        super().__init__(f"{path}: process {holder} holds this; stop that one first")
        self.holder = holder


class Hold:
    """An advisory lock, with its holder's number in the file. Raises AlreadyHeld; OSError where no file can be."""

    def __init__(self, path: Path) -> None:
        # No link: whoever may write in the folder could have us empty a file of ours that is elsewhere.
        self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
        for last in (*[False] * (_TRIES - 1), True):
            try:
                fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if last:
                    holder = os.pread(self._fd, 32, 0).decode(errors="replace").strip() or "unknown"
                    os.close(self._fd)
                    raise AlreadyHeld(path, holder) from None
                time.sleep(_BETWEEN_S)
        with contextlib.suppress(OSError):  # a full disk: who holds it is then not told, and it is held all the same
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let the next one in. The file stays: deleting it would let two hold 'the' file."""
        os.close(self._fd)


def is_held(path: Path) -> bool | None:
    """Whether a process holds it; None where we may not look."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError:
        return None
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(fd)
    return False
