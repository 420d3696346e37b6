"""One writer in the whole system: SQLite before 3.51.3 can corrupt a WAL file that two connections write."""

import contextlib
import fcntl
import os
from pathlib import Path

from rainstead.errors import LogBusy

from .refusing import told

__all__ = ["WriterLock"]


class WriterLock:
    """An advisory lock beside the log, held for as long as this process may write to it.

    It is a file of its own: closing any second descriptor of the database itself would drop SQLite's locks.
    Raises LogBusy, naming the process that holds it; LogError, or DiskRefuses, where there can be no such file.
    """

    def __init__(self, log_path: Path) -> None:
        self.path = log_path.with_name(log_path.name + ".lock")
        try:
            self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise told(
                error,
                f"{self.path}: cannot be opened for writing ({error.strerror}); check the folder's owner and space",
            ) from None
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.pread(self._fd, 32, 0).decode(errors="replace").strip() or "unknown"
            os.close(self._fd)
            raise LogBusy(
                f"{log_path}: process {holder} is writing this log, and a log has one writer; "
                "stop that one first (reading needs no stop)"
            ) from None
        with contextlib.suppress(OSError):  # a full disk: who holds it is then not told, and it is held all the same
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let the next writer in. The file stays: deleting it would let two hold 'the' lock."""
        os.close(self._fd)
