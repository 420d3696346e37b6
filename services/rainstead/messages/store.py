"""`messages.db`: what was told and what is on its way, so that a restart changes neither.

What differs is noted first and put down when the disk takes it; while it does not, nothing is held up.
"""

import contextlib
import json
import sqlite3
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from rainstead.errors import RainsteadError
from rainstead.events import AlarmEvent

from .changes import AlarmTold
from .outbox import ChannelState, Delivery, Message, State, Wait

__all__ = ["MESSAGES_FILE", "RUNNING_FILE", "NotMessages", "Store"]

MESSAGES_FILE: Final = "messages.db"
RUNNING_FILE: Final = "messages.db.lock"
"""Held by a messenger for as long as it runs."""
_APPLICATION_ID: Final = 0x52_4E_4D_47  # "RNMG"
_VERSION: Final = 1
_KEPT: Final = 500
"""So many messages stay for whoever asks, and all that are still on their way."""
_TABLES: Final = (
    "CREATE TABLE noted (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;"
    "CREATE TABLE seen (event INTEGER PRIMARY KEY) STRICT;"
    "CREATE TABLE alarm (alarm TEXT NOT NULL, subject TEXT NOT NULL, told TEXT NOT NULL,"
    " PRIMARY KEY (alarm, subject)) STRICT;"
    "CREATE TABLE message (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, at_ms INTEGER NOT NULL, title TEXT NOT NULL,"
    " body TEXT NOT NULL, alarm TEXT) STRICT;"
    "CREATE TABLE delivery (number INTEGER NOT NULL, channel TEXT NOT NULL, state TEXT NOT NULL,"
    " waited_ms INTEGER NOT NULL, tries INTEGER NOT NULL, settled_ms INTEGER, because TEXT,"
    " PRIMARY KEY (number, channel)) STRICT;"
    "CREATE TABLE channel (name TEXT PRIMARY KEY, handed_ages_ms TEXT NOT NULL, last_handed_over_ms INTEGER,"
    " last_error_ms INTEGER, last_error TEXT) STRICT;"
)
_COLUMNS: Final = {"noted": 2, "seen": 1, "alarm": 3, "message": 6, "delivery": 7, "channel": 5}
_OPEN: Final = "('held', 'queued')"


class NotMessages(RainsteadError, ValueError):
    """The file is not a messenger's own, is of another version, or is damaged."""


class Store:
    """The only writer of the file. Raises NotMessages; sqlite3.Error where a file that is there cannot be read now.

    A file that cannot be made yet is no error: it is tried again at each `flush`.
    """

    synchronous = "FULL"
    """What was handed over must not be forgotten by a power cut. Tests of many days do without."""

    def __init__(self, path: Path, *, unread: str | None = None) -> None:
        """unread: why a file that is there cannot be read; nothing is then put down either, lest it be spoilt."""
        self.path, self.unread = path, unread
        self.trouble: str | None = unread
        self._db: sqlite3.Connection | None = None
        self._pending: dict[tuple[Any, ...], tuple[Any, ...]] = {}
        if unread is None and path.exists() and path.stat().st_size:
            self._db = self._opened()

    def _opened(self) -> sqlite3.Connection:
        db = sqlite3.connect(self.path, isolation_level=None, timeout=5)
        try:
            db.execute("PRAGMA journal_mode = DELETE")
            db.execute(f"PRAGMA synchronous = {self.synchronous}")
            (application,) = db.execute("PRAGMA application_id").fetchone()
            (version,) = db.execute("PRAGMA user_version").fetchone()
            (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            if tables and (application, version) != (_APPLICATION_ID, _VERSION):
                raise NotMessages(f"{self.path}: this is not a messenger's file of this version; move it away")
            if not tables:
                db.executescript(
                    f"BEGIN IMMEDIATE; {_TABLES} PRAGMA application_id = {_APPLICATION_ID};"
                    f" PRAGMA user_version = {_VERSION}; COMMIT;"
                )
            elif db.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                raise NotMessages(f"{self.path}: is damaged; move it away")
        except sqlite3.DatabaseError as error:
            db.close()
            if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
                raise NotMessages(f"{self.path}: is damaged ({error}); move it away") from None
            raise
        except BaseException:
            db.close()
            raise
        return db

    def close(self) -> None:
        """Let go of the file; what the disk did not take is lost, and done again."""
        if self._db is not None:
            self._db.close()
            self._db = None

    # --- noting -------------------------------------------------------------------------------------------------

    def note(self, key: str, value: Any) -> None:
        """A fact under a name."""
        self._pending["noted", key] = (key, json.dumps(value))

    def see(self, identity: int) -> None:
        """This event was seen."""
        self._pending["seen", identity] = (identity,)

    def tell(self, key: tuple[str, str], told: AlarmTold) -> None:
        """How an alarm was told."""
        self._pending["alarm", *key] = (*key, json.dumps(asdict(told)))

    def deliver(self, one: Delivery) -> None:
        """A delivery as it is now, and its message."""
        message = one.message
        alarm = None if message.alarm is None else json.dumps(message.alarm)
        self._pending["message", message.number] = (
            message.number,
            message.kind,
            message.at_ms,
            message.title,
            message.body,
            alarm,
        )
        self._pending["delivery", message.number, one.channel] = (
            message.number,
            one.channel,
            one.state,
            one.waited_ms,
            one.tries,
            one.settled_ms,
            one.because,
        )

    def channel(self, name: str, state: ChannelState, boot_ms: int, boot_uuid: str | None) -> None:
        """How a channel stands. A time of the boot clock is kept as its age: another boot has another clock."""
        self.note(f"aged {name}", [boot_uuid, boot_ms])
        ages = json.dumps([boot_ms - at for at in state.handed_ms])
        self._pending["channel", name] = (
            name,
            ages,
            state.last_handed_over_ms,
            state.last_error_ms,
            state.last_error,
        )

    def wait(self, name: str, wait: Wait | None, boot_ms: int, wall_ms: int) -> None:
        """Why what is queued for a channel waits, and until about when, for whoever looks. Times: of now."""
        until_ms = None if wait is None else wall_ms + wait.until_ms - boot_ms
        self.note(f"wait {name}", None if wait is None else {"until_ms": until_ms, "because": wait.because})

    def flush(self) -> bool:
        """Put all that was noted down, all or nothing; False, with `trouble`, where the disk does not take it now."""
        if self.unread is not None:
            self._pending = {}
        if not self._pending:
            return self.trouble is None
        try:
            if self._db is None or self._is_gone():
                self.close()
                self._db = self._opened()
            self._write(self._db)
        except (sqlite3.Error, OSError, NotMessages) as error:
            self.trouble = str(error)
            return False
        self.trouble = None
        self._pending = {}
        return True

    def _is_gone(self) -> bool:
        return not self.path.exists()

    def _write(self, db: sqlite3.Connection) -> None:
        db.execute("BEGIN IMMEDIATE")
        try:
            for (table, *_), row in self._pending.items():
                marks = ", ".join("?" * _COLUMNS[table])
                db.execute(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", row)
            db.execute(
                f"DELETE FROM message WHERE number <= (SELECT max(number) FROM message) - {_KEPT}"
                f" AND number NOT IN (SELECT number FROM delivery WHERE state IN {_OPEN})"
            )
            db.execute("DELETE FROM delivery WHERE number NOT IN (SELECT number FROM message)")
            db.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                db.execute("ROLLBACK")
            raise

    # --- what was kept ------------------------------------------------------------------------------------------

    def noted(self, key: str) -> Any:
        """The fact under a name; None where there is none."""
        row = None if self._db is None else self._db.execute("SELECT value FROM noted WHERE key = ?", (key,)).fetchone()
        return None if row is None else json.loads(row[0])

    def seen(self) -> set[int]:
        """Events that were seen."""
        return set() if self._db is None else {one for (one,) in self._db.execute("SELECT event FROM seen")}

    def told(self) -> list[tuple[tuple[str, str], AlarmTold]]:
        """How each alarm was told."""
        rows = [] if self._db is None else self._db.execute("SELECT alarm, subject, told FROM alarm").fetchall()
        return [((alarm, subject), _told(json.loads(text))) for alarm, subject, text in rows]

    def waiting(self) -> list[Delivery]:
        """What is on its way."""
        if self._db is None:
            return []
        messages: dict[int, Message] = {}
        found = []
        for number, kind, at_ms, title, body, alarm, channel, state, waited_ms, tries, because in self._db.execute(
            "SELECT number, kind, at_ms, title, body, alarm, channel, state, waited_ms, tries, because"
            f" FROM delivery JOIN message USING (number) WHERE state IN {_OPEN} ORDER BY number, channel"
        ):
            message = messages.setdefault(
                number, Message(number, kind, at_ms, title, body, None if alarm is None else json.loads(alarm))
            )
            kept: State = state
            found.append(Delivery(message, channel, kept, waited_ms, tries, None, because))
        return found

    def last_number(self) -> int:
        """The newest message's."""
        row = None if self._db is None else self._db.execute("SELECT max(number) FROM message").fetchone()
        return 0 if row is None or row[0] is None else int(row[0])

    def channels(self, boot_ms: int, boot_uuid: str | None) -> dict[str, ChannelState]:
        """How each channel stood. In the boot in which it was put down time went on; in another it stood still.

        Else each restart would let an alarm wait for a new hour.
        """
        if self._db is None:
            return {}
        rows = self._db.execute(
            "SELECT name, handed_ages_ms, last_handed_over_ms, last_error_ms, last_error FROM channel"
        )

        def put_down_ms(name: str) -> int:
            uuid, at_ms = self.noted(f"aged {name}") or (None, boot_ms)
            return min(at_ms, boot_ms) if uuid is not None and uuid == boot_uuid else boot_ms

        return {
            name: ChannelState(
                [put_down_ms(name) - age for age in json.loads(ages)],
                last_handed_over_ms=handed_ms,
                last_error_ms=error_ms,
                last_error=error,
            )
            for name, ages, handed_ms, error_ms, error in rows
        }


def _told(plain: dict[str, Any]) -> AlarmTold:
    return AlarmTold(
        AlarmEvent(**plain["event"]),
        plain["is_active"],
        plain["is_guess"],
        tuple((uuid, at) for uuid, at in plain["recent"]),
        plain["chatters"],
        plain["log"],
    )
