"""The layout of `notebook.db` and its version, and entries as rows.

One table for all kinds: an entry's own keys are JSON, so that a new kind needs no new table. Triggers hold the promise
that nothing is altered: an entry can only be struck out, once.
"""

import dataclasses
import json
import sqlite3
from pathlib import Path
from typing import Any, Final

from rainstead.errors import RainsteadError

from .entries import Delivery, Dip, Entry, Forecast, FuelFill, KnownVolume, RunNote

__all__ = [
    "APPLICATION_ID",
    "SCHEMA_VERSION",
    "NotANotebook",
    "NotebookError",
    "NotebookTooNew",
    "create",
    "entry_from_row",
    "examine",
    "happened_ms",
    "kind_of",
    "row_of",
]

APPLICATION_ID: Final = 0x52_4E_4E_42  # "RNNB"
SCHEMA_VERSION: Final = 1

_DDL: Final = (
    """CREATE TABLE entry (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        added_ms INTEGER NOT NULL,  -- when it was written down
        t_ms INTEGER NOT NULL,      -- when it happened, or ended
        kind TEXT NOT NULL,
        body TEXT NOT NULL,         -- the entry's own keys, as JSON
        struck_ms INTEGER           -- when it was struck out; NULL: it stands
    ) STRICT""",
    """CREATE TRIGGER an_entry_stays BEFORE DELETE ON entry
        BEGIN SELECT RAISE(ABORT, 'an entry is never deleted'); END""",
    """CREATE TRIGGER an_entry_is_only_struck BEFORE UPDATE ON entry
        WHEN OLD.struck_ms IS NOT NULL OR NEW.struck_ms IS NULL OR NEW.id IS NOT OLD.id
            OR NEW.added_ms IS NOT OLD.added_ms OR NEW.t_ms IS NOT OLD.t_ms
            OR NEW.kind IS NOT OLD.kind OR NEW.body IS NOT OLD.body
        BEGIN SELECT RAISE(ABORT, 'an entry is never altered'); END""",
)

_KINDS: Final[dict[str, type[Entry]]] = {
    "dip": Dip,
    "delivery": Delivery,
    "known_volume": KnownVolume,
    "fuel": FuelFill,
    "run": RunNote,
    "forecast": Forecast,
}
_NAMES: Final = {one: name for name, one in _KINDS.items()}


class NotebookError(RainsteadError):
    """The notebook cannot be used as asked."""


class NotANotebook(NotebookError, ValueError):
    """The file is there but is not a rainstead notebook."""


class NotebookTooNew(NotebookError):
    """The notebook was written by a newer version than this one."""


def happened_ms(entry: Entry) -> int:
    """When it happened; for what lasted, when it was over; for a forecast, when it was made."""
    return entry.upto_ms if isinstance(entry, Delivery | KnownVolume) else entry.t_ms


def row_of(entry: Entry) -> tuple[int, str, str]:
    """t_ms, kind and body."""
    body = json.dumps(dataclasses.asdict(entry), ensure_ascii=False, allow_nan=False)
    return happened_ms(entry), kind_of(entry), body


def kind_of(entry: Entry) -> str:
    """The name of its kind in the file."""
    return _NAMES[type(entry)]


def entry_from_row(kind: str, body: str) -> Entry:
    """Raises NotebookError where the row is not as this version writes it."""
    try:
        keys: dict[str, Any] = json.loads(body)
        return _KINDS[kind](**keys)
    except (KeyError, TypeError, ValueError):
        raise NotebookError(f"the notebook has an entry of kind {kind!r} that cannot be read: {body[:80]}") from None


def create(db: sqlite3.Connection) -> None:
    """Lay the table; inside the caller's transaction."""
    for statement in _DDL:
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def examine(db: sqlite3.Connection, path: Path) -> int:
    """The schema version of an open file; 0 for an empty one. Raises NotANotebook, NotebookTooNew."""
    foreign = f"{path}: this is not a rainstead notebook; move it away, and the next note begins a new one"
    begun = not db.in_transaction
    try:
        if begun:  # one moment for all that is looked at: another process may be laying the table just now
            db.execute("BEGIN")
        (application_id,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
        (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        # SQLite takes a file shorter than its own header for an empty one, and would write over it.
        short = pages == 0 and path.exists() and path.stat().st_size > 0
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB or not isinstance(error, sqlite3.OperationalError):
            raise NotANotebook(foreign) from None
        raise
    finally:
        if begun and db.in_transaction:
            db.execute("ROLLBACK")
    if not short and application_id == 0 and version == 0 and tables == 0:
        return 0
    if short or application_id != APPLICATION_ID:
        raise NotANotebook(foreign)
    if version > SCHEMA_VERSION:
        raise NotebookTooNew(
            f"{path}: the notebook has schema {version}, this rainstead knows up to {SCHEMA_VERSION}; "
            "install the newer rainstead"
        )
    return int(version)
