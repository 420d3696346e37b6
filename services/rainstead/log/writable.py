"""A connection that may write to a log: how SQLite keeps it, and its tables brought to this schema."""

import sqlite3
from pathlib import Path
from typing import Final

from rainstead.errors import LogError
from rainstead.sharing import share

from . import schema

__all__ = ["prepare"]

_PAGE_BYTES: Final = 1024
"""Of a new log; an older one keeps its 4096. A commit writes each page that it touches: with these half as much reaches
the card (`tests/bench/bench_writes.py`), and blocks of about a kilobyte leave less room unused."""
_LONGEST_WAL_BYTES: Final = 4_194_304
_FOLDED_WAL_BYTES: Final = 3_900_000
"""With this much in it the write-ahead log goes home; a sealed hour may still be added to it before."""


def prepare(db: sqlite3.Connection, path: Path) -> None:
    """What a fresh connection needs before anything is written. The caller has the writer's lock.

    Raises sqlite3.Error, OSError, NotALog, LogMalformed, LogTooNew, and LogError for a file system without a
    write-ahead log.
    """
    version = schema.examine(db, path)
    share(path)
    if version == 0:
        db.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    db.execute("PRAGMA synchronous = FULL")
    (synchronous,) = db.execute("PRAGMA synchronous").fetchone()
    if (mode, synchronous) != ("wal", 2):
        raise LogError(
            f"{path}: this file system allows no write-ahead log "
            f"(journal {mode}, synchronous {synchronous}); put the site's folder on a local disk"
        )
    # A reader that holds an old snapshot must not leave a giant file behind for ever.
    db.execute(f"PRAGMA journal_size_limit = {_LONGEST_WAL_BYTES}")
    (page_bytes,) = db.execute("PRAGMA page_size").fetchone()
    # Were it longer than the limit, it would be cut each time, and grown again at the file system's cost.
    db.execute(f"PRAGMA wal_autocheckpoint = {_FOLDED_WAL_BYTES // (page_bytes + 24)}")
    # Some builds of SQLite write zeros over what is freed: each sealed hour would be written once more.
    db.execute("PRAGMA secure_delete = 0")
    if version == 0:
        schema.create(db)
    else:
        schema.migrate(db, version)
        schema.check_shape(db, path)
