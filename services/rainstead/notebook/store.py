"""`notebook.db` in the site's folder: any process may write it, in short transactions; nothing in it is altered."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rainstead.sharing import share

from . import layout
from .entries import Delivery, Dip, Entry, Forecast, FuelFill, KnownVolume, Notes, RunNote
from .layout import NotebookError

__all__ = ["EntryUnknown", "Kept", "Notebook", "read_entries", "read_notes"]

FILE_NAME: Final = "notebook.db"
_WAIT_S: Final = 10.0
"""How long a write waits for another process's, which takes milliseconds."""


class EntryUnknown(NotebookError, KeyError):
    """No entry of that number can be struck out."""

    __str__ = Exception.__str__  # KeyError would put the message in quotation marks


@dataclass(frozen=True, slots=True)
class Kept:
    """An entry as it stands in the notebook. struck_ms: when it was struck out; None: it stands."""

    number: int
    added_ms: int
    struck_ms: int | None
    entry: Entry

    @property
    def kind(self) -> str:
        """`dip`, `delivery`, `known_volume`, `fuel`, `run` or `forecast`."""
        return layout.kind_of(self.entry)

    @property
    def t_ms(self) -> int:
        """When it happened; for what lasted, when it was over; for a forecast, when it was made."""
        return layout.happened_ms(self.entry)


class Notebook:
    """Writing; the file is made where it is missing. Raises NotANotebook, NotebookTooNew, NotebookError."""

    def __init__(self, path: Path) -> None:
        self.path = path / FILE_NAME if path.is_dir() else path
        with _told(self.path):
            self._db = sqlite3.connect(self.path, isolation_level=None, timeout=_WAIT_S)
            try:
                version = layout.examine(self._db, self.path)
                # EXTRA also syncs the folder once the journal is gone: else a power cut could take a noted entry back.
                self._db.execute("PRAGMA synchronous = EXTRA")
                if version == 0:
                    self._begin()
            except BaseException:
                self._db.close()
                raise

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def __enter__(self) -> "Notebook":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def add(self, entry: Entry, added_ms: int) -> int:
        """Write an entry down; its number. It is on the disk when this returns."""
        with _told(self.path), self._db:
            self._db.execute("BEGIN IMMEDIATE")
            done = self._db.execute(
                "INSERT INTO entry (added_ms, t_ms, kind, body) VALUES (?, ?, ?, ?)",
                (added_ms, *layout.row_of(entry)),
            )
        assert done.lastrowid is not None
        return done.lastrowid

    def strike(self, number: int, struck_ms: int) -> Kept:
        """Strike an entry out: it stays in the notebook and counts no more. Raises EntryUnknown."""
        with _told(self.path), self._db:
            self._db.execute("BEGIN IMMEDIATE")
            found = [kept for kept in _entries(self._db) if kept.number == number]
            if not found:
                raise EntryUnknown(f"the notebook has no entry {number}; `rainstead note list` shows their numbers")
            if found[0].struck_ms is not None:
                raise EntryUnknown(f"entry {number} has been struck out already")
            self._db.execute("UPDATE entry SET struck_ms = ? WHERE id = ?", (struck_ms, number))
        return Kept(number, found[0].added_ms, struck_ms, found[0].entry)

    def entries(self) -> tuple[Kept, ...]:
        """All of them, struck out or not, in order of time."""
        with _told(self.path):
            return _entries(self._db)

    def _begin(self) -> None:
        with self._db:
            self._db.execute("BEGIN IMMEDIATE")
            # Another process may have laid the table since we looked.
            if layout.examine(self._db, self.path) == 0:
                layout.create(self._db)
        share(self.path)


def read_entries(folder: Path) -> tuple[Kept, ...]:
    """All entries of a site's notebook, struck out or not, in order of time; none where there is no notebook.

    Raises NotANotebook, NotebookTooNew, NotebookError.
    """
    path = folder / FILE_NAME
    if not path.exists():
        return ()
    with _told(path):
        # Not mode=ro: a write that was cut off leaves a journal, and the next to open has to roll it back.
        db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None, timeout=_WAIT_S)
        try:
            db.execute("PRAGMA query_only = 1")
            return () if layout.examine(db, path) == 0 else _entries(db)
        finally:
            db.close()


def read_notes(folder: Path, *, upto_ms: int | None = None) -> Notes:
    """The entries that stand, of what happened at or before a time; no entries where there is no notebook.

    Raises NotANotebook, NotebookTooNew, NotebookError.
    """
    standing = [
        kept.entry
        for kept in read_entries(folder)
        if kept.struck_ms is None and (upto_ms is None or layout.happened_ms(kept.entry) <= upto_ms)
    ]
    return Notes(
        dips=tuple(one for one in standing if isinstance(one, Dip)),
        deliveries=tuple(one for one in standing if isinstance(one, Delivery)),
        known_volumes=tuple(one for one in standing if isinstance(one, KnownVolume)),
        fuel_fills=tuple(one for one in standing if isinstance(one, FuelFill)),
        run_notes=tuple(one for one in standing if isinstance(one, RunNote)),
        forecasts=tuple(one for one in standing if isinstance(one, Forecast)),
    )


def _entries(db: sqlite3.Connection) -> tuple[Kept, ...]:
    rows = db.execute("SELECT id, added_ms, struck_ms, kind, body FROM entry ORDER BY t_ms, id")
    return tuple(
        Kept(number, added, struck, layout.entry_from_row(kind, body)) for number, added, struck, kind, body in rows
    )


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """SQLite's errors in words that help."""
    try:
        yield
    except sqlite3.Error as error:
        raise NotebookError(
            f"{path}: the notebook cannot be used now ({error}); check the folder's owner and space, "
            "and try again if another program holds it"
        ) from None
