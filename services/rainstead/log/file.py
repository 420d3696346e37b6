"""The log as a file: locked for its one writer, opened, opened anew, and moved aside where SQLite calls it damaged."""

import contextlib
import sqlite3
from pathlib import Path
from typing import Self

from rainstead.errors import DiskRefuses, LogError, LogMalformed, LogMissing, NotALog, RainsteadError
from rainstead.sharing import clear_the_way

from .aside import finish_moving, free_name, move_aside
from .damage import damage_found, damage_in_words, is_of_content, may_be_damage
from .lock import WriterLock
from .place import place_of
from .refusing import told
from .transaction import Transaction
from .writable import prepare

__all__ = ["LogFile"]


class LogFile:
    """Opens (or makes) the log, takes its lock, and brings it to this schema.

    aside_at_ms: the wall clock now, UTC: a file that SQLite calls damaged is then moved aside and a new log is begun;
    `moved_aside` tells. Without it such a file is refused and left as it is.
    patient: where the disk lets no log be opened or begun, `trouble` says why, and `try_again` is to be called before
    anything else is asked.
    Raises LogBusy, NotALog, LogMalformed, LogTooNew, LogMissing (with create=False), DiskRefuses, LogError.
    """

    _db: sqlite3.Connection

    def __init__(
        self, path: Path, *, create: bool = True, aside_at_ms: int | None = None, patient: bool = False
    ) -> None:
        self.path = path
        self.trouble: str | None = None
        """Why there is no open log, while there is none."""
        self.moved_aside: tuple[Path, str] | None = None
        """The damaged log that this one stands in for, and what SQLite said of it."""
        self._to_move: tuple[Path, str] | None = None
        """Where a damaged file, which is still in its place, is to go, and why."""
        self._held: list[sqlite3.Connection] = []
        """To a damaged file. Closing one before the file is moved would fold the write-ahead log in, or delete it."""
        self._lock: WriterLock | None = None
        self._opened: tuple[int, int] | None = None
        """Device and inode of the file that is open."""
        try:
            self._look_for(create)
            self._take(aside_at_ms)
        except (DiskRefuses, LogMalformed) as error:
            if not patient:
                self._let_go()
                raise
            self.trouble = str(error)
        except BaseException:
            self._let_go()
            raise

    def _look_for(self, create: bool) -> None:
        try:
            if not create and not self.path.exists():
                raise LogMissing(f"{self.path}: there is no log here yet; start the logger or import readings")
            if not self.path.parent.is_dir():
                raise LogMissing(f"{self.path.parent}: there is no such folder; make it first")
        except LogMissing:  # an OSError as well
            raise
        except OSError as error:
            raise _refused(error, self.path) from None

    def try_again(self, now_ms: int) -> None:
        """Open the log, or begin a new one, after that failed; or close it and open it anew.

        now_ms: UTC by the wall clock. Raises DiskRefuses or LogMalformed, and then can be tried again; else as the
        constructor does.
        """
        if self.trouble is None and self._to_move is None:
            self._close_db()
        try:
            self._take(now_ms)
        except RainsteadError as error:
            self.trouble = str(error)
            raise
        self.trouble = None

    def _take(self, aside_at_ms: int | None) -> None:
        try:
            if self._lock is None:
                self._lock = WriterLock(self.path)
            if aside_at_ms is None:
                self._db = self._open()
                return
            if self._to_move is not None:
                self._move(*self._to_move)
            self._db = self._open_or_begin_anew(aside_at_ms)
        except sqlite3.Error as error:
            if (why := damage_in_words(error)) is not None:
                raise LogMalformed(
                    f"{self.path}: this log is damaged ({why}); `rainstead verify` tells more", why
                ) from None
            kind = LogError if is_of_content(error) else DiskRefuses
            raise kind(
                f"{self.path}: the log cannot be opened ({error}); check the folder's owner and the disk"
            ) from None
        except RainsteadError:
            raise
        except OSError as error:
            raise _refused(error, self.path) from None

    def _open(self) -> sqlite3.Connection:
        # Statements are ours to group: isolation_level=None keeps the module from opening transactions by itself.
        try:
            clear_the_way(self.path)
        except OSError as error:
            raise told(
                error,
                f"{error.filename}: another user's file is in the way and cannot be taken away ({error.strerror}); "
                "remove it while no logger runs",
            ) from None
        db = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=5)
        try:
            prepare(db, self.path)
        except BaseException as error:
            if damage_in_words(error) is None:
                db.close()
            else:
                self._held.append(db)
            raise
        self._opened = place_of(self.path)
        return db

    def _open_or_begin_anew(self, now_ms: int) -> sqlite3.Connection:
        finish_moving(self.path, now_ms)
        for _ in range(2):  # a card may misread once: what is whole must not be moved for that
            try:
                db = self._open()
            except (sqlite3.Error, NotALog) as error:
                why = damage_in_words(error)
                if why is None:
                    raise
            else:
                self._close_held()
                return db
        assert why is not None
        self._to_move = (free_name(self.path, now_ms), why)
        self._move(*self._to_move)
        return self._open()

    def is_taken_away(self) -> bool:
        """Whether the file that is open has its name no more: it was deleted or moved, or another is in its place.

        A folder on another device than the file is a stick that was pulled out, and no place for a new log.
        """
        try:
            folder, file = place_of(self.path.parent), place_of(self.path)
        except OSError:  # a disk that does not answer has taken nothing away
            return False
        return self._opened is not None and folder is not None and folder[0] == self._opened[0] and file != self._opened

    def let_go_of_taken(self) -> None:
        """Close the file that was taken away, so that `try_again` begins a new one under its name."""
        # SQLite folds no write-ahead log into a file that was moved, and would lay what is left over the one in its
        # place.
        with contextlib.suppress(sqlite3.Error):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._close_db()
        # The lock's file may be gone with it, and a lock without a name keeps no second writer out.
        if self._lock is not None:
            self._lock.release()
            self._lock = None
        self.trouble = "the log was taken away while it was written"

    def begin_anew(self, now_ms: int, why: str) -> None:
        """Move this log aside, whole, because SQLite calls it damaged, and begin a new one under the same lock.

        now_ms: UTC by the wall clock. Raises as `try_again`, which goes on from where this came to.
        """
        if self.trouble is None:
            self._held.append(self._db)
        try:
            self._to_move = (free_name(self.path, now_ms), why)
        except OSError as error:
            refused = _refused(error, self.path)
            self.trouble = str(refused)
            raise refused from None
        self.try_again(now_ms)

    def _move(self, target: Path, why: str) -> None:
        move_aside(self.path, target)
        self.moved_aside, self._to_move = (target, why), None
        self._close_held()

    def damage_behind(self, error: Exception) -> str | None:
        """What SQLite says where a damaged file is behind an error; None where it is not.

        It does not look at each value that it reads: where it called nothing damaged, its own check is asked, which
        reads all of the file. Not for a disk that is busy, full, forbidden or failing.
        """
        if self.trouble is not None or not may_be_damage(error):
            return damage_in_words(error)
        return damage_found(self._db)

    def _close_held(self) -> None:
        for db in self._held:
            with contextlib.suppress(sqlite3.Error):
                db.close()
        self._held.clear()

    def _close_db(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self._db.close()

    def _let_go(self) -> None:
        self._close_held()
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def close(self) -> None:
        """Checkpoint, close, release the lock."""
        if self.trouble is None:
            self._db.close()
        self._let_go()

    def reopen(self) -> None:
        """Close the file and open it anew under the same lock: some disk faults stay with a connection.

        Raises sqlite3.Error or LogError while the disk is still at fault; try again later.
        """
        self._close_db()
        try:
            self._db = self._open()
        except OSError as error:
            raise _refused(error, self.path) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def transaction(self) -> Transaction:
        """Several calls as one: all of them are on disk when this ends, or none."""
        return Transaction(self._db)


def _refused(error: OSError, path: Path) -> LogError:
    return told(error, f"{path}: the log cannot be opened ({error}); check the folder's owner and the disk")
