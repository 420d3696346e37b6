"""How far forwarding has come, for whoever only looks: the desk, and the logger before it lets old readings go."""

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rainstead.holding import is_held
from rainstead.settings import Forward

from .cursor import Cursor, Refused

__all__ = ["CURSOR_FILE", "RUNNING_FILE", "Standing", "forwarder_runs", "read_standing", "server_name"]

CURSOR_FILE = "forwarder.db"
RUNNING_FILE = "forwarder.lock"


@dataclass(frozen=True, slots=True)
class Standing:
    """cursor: for the server that was asked for; live_ms None where it has got nothing yet. told: the last words."""

    cursor: Cursor
    told: dict[str, str]
    refused_count: int
    refused: tuple[tuple[int, Refused], ...]


def server_name(forward: Forward) -> str:
    """What a cursor belongs to."""
    return f"{forward.url.rstrip('/')} {forward.org} {forward.bucket}"


def forwarder_runs(folder: Path) -> bool | None:
    """Whether a forwarder of this site runs on this machine; None where we may not look."""
    return is_held(folder / RUNNING_FILE)


def read_standing(folder: Path, server: str, *, most: int = 20) -> Standing | None:
    """From a site's folder, with the newest refused points; None where no forwarder has ever run. Writes nothing.

    Raises sqlite3.Error.
    """
    path = folder / CURSOR_FILE
    if not path.exists():
        return None
    with _opened(path) as db:
        if db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'standing'").fetchone() is None:
            return None
        row = db.execute("SELECT live_ms, seen, server FROM standing").fetchone()
        stretches = db.execute("SELECT after_ms, upto_ms FROM stretch ORDER BY after_ms").fetchall()
        is_its = row is not None and row[2] == server
        newest = db.execute("SELECT at_ms, line, reason FROM refused ORDER BY id DESC LIMIT ?", (most,)).fetchall()
        return Standing(
            Cursor(row[0], row[1], tuple(stretches)) if is_its else Cursor(None, 0, ()),
            dict(db.execute("SELECT key, value FROM told")),
            db.execute("SELECT count(*) FROM refused").fetchone()[0],
            tuple((at_ms, Refused(line, reason)) for at_ms, line, reason in newest),
        )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=5)
    try:
        db.execute("BEGIN")
        yield db
    finally:
        db.close()
