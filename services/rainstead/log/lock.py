"""One writer in the whole system: SQLite before 3.51.3 can corrupt a WAL file that two connections write."""

from pathlib import Path

from rainstead.errors import LogBusy
from rainstead.holding import AlreadyHeld, Hold, is_held

from .refusing import told

__all__ = ["WriterLock", "has_writer"]


class WriterLock:
    """An advisory lock beside the log, held for as long as this process may write to it.

    It is a file of its own: closing any second descriptor of the database itself would drop SQLite's locks.
    Raises LogBusy, naming the process that holds it; LogError, or DiskRefuses, where there can be no such file.
    """

    def __init__(self, log_path: Path) -> None:
        self.path = _beside(log_path)
        try:
            self._hold = Hold(self.path)
        except AlreadyHeld as error:
            raise LogBusy(
                f"{log_path}: process {error.holder} is writing this log, and a log has one writer; "
                "stop that one first (reading needs no stop)"
            ) from None
        except OSError as error:
            raise told(
                error,
                f"{self.path}: cannot be opened for writing ({error.strerror}); check the folder's owner and space",
            ) from None

    def release(self) -> None:
        """Let the next writer in."""
        self._hold.release()


def has_writer(log_path: Path) -> bool | None:
    """Whether a process of this machine writes the log now; None where we may not look."""
    return is_held(_beside(log_path))


def _beside(log_path: Path) -> Path:
    return log_path.with_name(log_path.name + ".lock")
