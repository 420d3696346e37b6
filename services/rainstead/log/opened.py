"""A log that is open for reading: beside the writer, or after it. Never writes, never blocks the writer for long."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from rainstead.errors import DiskRefuses, LogMissing

from . import schema
from .place import place_of
from .refusing import told

__all__ = ["OpenLog"]


class _Connection(sqlite3.Connection):
    """A damaged record may say that it is larger than it is; SQLite then asks for memory that there is not."""

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        try:
            return super().execute(*arguments)
        except MemoryError:
            raise sqlite3.DatabaseError("a record in it says that it is larger than memory") from None


class OpenLog:
    """Read-only access, in short snapshots. Raises LogMissing, NotALog, LogTooNew, DiskRefuses, LogError."""

    def __init__(self, path: Path) -> None:
        try:
            if path.is_dir():
                path = path / "readings.db"
            self._place = place_of(path)
        except OSError as error:
            raise told(
                error, f"{path}: the log cannot be read now ({error.strerror}); check the folder's owner and the disk"
            ) from None
        if self._place is None:
            raise LogMissing(f"{path}: there is no log here; start the logger or import readings first")
        self.path = path
        try:
            at = path.absolute().as_uri()
            self._db = sqlite3.connect(f"{at}?mode=ro", uri=True, isolation_level=None, timeout=5, factory=_Connection)
            try:
                self._db.execute("PRAGMA query_only = 1")
                version = schema.examine(self._db, path)
            except BaseException:
                self._db.close()
                raise
        except sqlite3.Error as error:
            raise DiskRefuses(
                f"{path}: the log cannot be read now ({error}); if another program holds it, try again, "
                "else check the file's owner"
            ) from None
        if version == 0:
            self._db.close()
            raise LogMissing(f"{path}: the log is empty; start the logger or import readings first")

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def is_replaced(self) -> bool:
        """Whether another file, or none, stands at the path by now: a logger moves a damaged log aside."""
        return place_of(self.path) != self._place

    @contextmanager
    def _snapshot(self) -> Iterator[bool]:
        """Several queries of one moment: sealing moves readings meanwhile. Gives whether the log has blocks yet."""
        self._db.execute("BEGIN")
        try:
            # Asked each time: the writer may bring an older log up to date while this reader is open.
            yield self._db.execute("PRAGMA user_version").fetchone()[0] >= 2
        finally:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")  # nothing was written; a COMMIT fails once a damaged page was met
