"""How far the log has been sent, in a file of the forwarder's own: stretches still to send, and what was refused.

Stretches are (after_ms, upto_ms]. `live_ms` is how far the newest readings have been sent; stretches behind it are what
an outage, a late reading or a corrected clock left to do. All that is lost with this file is time: sending again writes
the same points.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rainstead.errors import RainsteadError

__all__ = ["Cursor", "CursorFile", "NotACursor", "Refused", "Stretch", "joined", "without"]

_APPLICATION_ID = 0x52_4E_46_57  # "RNFW"
_VERSION = 1
_LAYOUT = (
    "CREATE TABLE standing (one INTEGER PRIMARY KEY CHECK (one = 1), live_ms INTEGER,"
    " seen INTEGER NOT NULL, server TEXT NOT NULL) STRICT",
    "CREATE TABLE stretch (after_ms INTEGER PRIMARY KEY, upto_ms INTEGER NOT NULL) STRICT",
    "CREATE TABLE refused (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, line TEXT NOT NULL UNIQUE,"
    " reason TEXT NOT NULL) STRICT",
    "CREATE TABLE told (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT",
    f"PRAGMA application_id = {_APPLICATION_ID}",
    f"PRAGMA user_version = {_VERSION}",
)

Stretch = tuple[int, int]


class NotACursor(RainsteadError, ValueError):
    """The file is not a forwarder's own, or of a newer version."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """live_ms: None before anything was sent. seen: number of the newest note of a change behind that was heeded."""

    live_ms: int | None
    seen: int
    stretches: tuple[Stretch, ...]

    def forwarded_upto_ms(self) -> int | None:
        """All of the log up to here is on the server."""
        return min([self.live_ms, *(after for after, _ in self.stretches)]) if self.live_ms is not None else None


@dataclass(frozen=True, slots=True)
class Refused:
    """A point that the server will not have, and why."""

    line: str
    reason: str


def joined(stretches: Iterable[Stretch]) -> tuple[Stretch, ...]:
    """The same times, in order, none overlapping or touching another."""
    found: list[Stretch] = []
    for after_ms, upto_ms in sorted(s for s in stretches if s[1] > s[0]):
        if found and after_ms <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], upto_ms))
        else:
            found.append((after_ms, upto_ms))
    return tuple(found)


def without(stretches: Iterable[Stretch], done: Stretch) -> tuple[Stretch, ...]:
    """What is left when `done` has been sent."""
    left: list[Stretch] = []
    for after_ms, upto_ms in stretches:
        left += [(after_ms, min(upto_ms, done[0])), (max(after_ms, done[1]), upto_ms)]
    return joined(left)


class CursorFile:
    """`forwarder.db` in the site's folder. Raises NotACursor, sqlite3.Error."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = sqlite3.connect(path, isolation_level=None, timeout=5)
        try:
            self._prepare()
        except sqlite3.DatabaseError as error:
            self._db.close()
            if isinstance(error, sqlite3.OperationalError) and error.sqlite_errorcode != sqlite3.SQLITE_NOTADB:
                raise
            raise NotACursor(
                f"{path}: this is not a forwarder's file ({error}); move it away, all is then sent again"
            ) from None
        except BaseException:
            self._db.close()
            raise

    def _prepare(self) -> None:
        # One moment for all that is looked at: another may be laying the tables just now.
        self._db.execute("BEGIN IMMEDIATE")
        (application,) = self._db.execute("PRAGMA application_id").fetchone()
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        (tables,) = self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if tables and (application, version) != (_APPLICATION_ID, _VERSION):
            raise NotACursor(
                f"{self.path}: this is not a forwarder's file of this version; move it away, all is then sent again"
            )
        if not tables:
            for statement in _LAYOUT:
                self._db.execute(statement)
        self._db.execute("COMMIT")

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def load(self, server: str) -> Cursor:
        """Where it stood for this server; another server begins anew."""
        row = self._db.execute("SELECT live_ms, seen, server FROM standing").fetchone()
        if row is None or row[2] != server:
            return Cursor(None, 0, ())
        stretches = self._db.execute("SELECT after_ms, upto_ms FROM stretch ORDER BY after_ms")
        return Cursor(row[0], row[1], tuple((after, upto) for after, upto in stretches))

    def save(self, server: str, cursor: Cursor, refused: Sequence[Refused], at_ms: int) -> None:
        """Where it stands now, and what was refused on the way: both or neither."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._db.execute(
                "INSERT OR REPLACE INTO standing VALUES (1, ?, ?, ?)", (cursor.live_ms, cursor.seen, server)
            )
            self._db.execute("DELETE FROM stretch")
            self._db.executemany("INSERT INTO stretch VALUES (?, ?)", cursor.stretches)
            self._db.executemany(
                "INSERT OR IGNORE INTO refused (at_ms, line, reason) VALUES (?, ?, ?)",
                [(at_ms, one.line, one.reason) for one in refused],
            )
            self._db.execute("COMMIT")
        except BaseException:
            self._db.execute("ROLLBACK")
            raise

    def tell(self, **values: str) -> None:
        """Words for whoever asks how forwarding goes."""
        self._db.executemany("INSERT OR REPLACE INTO told VALUES (?, ?)", list(values.items()))

    def told(self) -> dict[str, str]:
        """What was told last."""
        return dict(self._db.execute("SELECT key, value FROM told"))

    def refused_count(self) -> int:
        """How many points the server would not have."""
        return int(self._db.execute("SELECT count(*) FROM refused").fetchone()[0])

    def refused(self, most: int = 20) -> list[tuple[int, Refused]]:
        """The newest of them, with the time."""
        rows = self._db.execute("SELECT at_ms, line, reason FROM refused ORDER BY id DESC LIMIT ?", (most,))
        return [(at_ms, Refused(line, reason)) for at_ms, line, reason in rows]
