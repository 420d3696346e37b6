"""The layout of `readings.db`, its version and the steps from older versions to this one.

Chosen by measurement (`tests/bench`): rows keyed by time first, without a rowid, cost about the same bytes as a
packed integer key, scan twice as fast as a sequence number, and need no second index to find a time.

Fresh rows are in `reading`; closed hours are in `block`, `services/log-format.md` tells how.

`reading.value` is REAL: SQLite keeps 1234.0 millimetres as a two-byte integer and gives back 1234.0; in a column
without a type it would be eight bytes.
A reading's boot-clock time is `t_ms - segment.offset_ms`, exactly.
"""

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path

from rainstead.errors import LogMalformed, LogTooNew, NotALog
from rainstead.readings import Kind

from .damage import damage_in_words

__all__ = [
    "APPLICATION_ID",
    "LONGEST_BLOCK_MS",
    "SCHEMA_VERSION",
    "check_shape",
    "create",
    "examine",
    "kind_of",
    "migrate",
]

APPLICATION_ID = 0x52_4E_53_44  # "RNSD"; what `file` and a wary reader look at first
SCHEMA_VERSION = 2
LONGEST_BLOCK_MS = 3_600_000
"""A block's last reading is less than this after its first: what overlaps a time is found by its first stamp."""

_DDL = """
CREATE TABLE boot (
    id INTEGER PRIMARY KEY,
    source TEXT NOT NULL,       -- logger, import or twin
    boot_uuid TEXT NOT NULL,    -- the kernel's boot id, or what stands for one
    started_ms INTEGER NOT NULL -- boot clock when this writer began
) STRICT;
CREATE TABLE segment (          -- a stretch of one boot in which the wall clock kept one offset
    id INTEGER PRIMARY KEY,
    boot INTEGER NOT NULL REFERENCES boot(id),
    offset_ms INTEGER NOT NULL, -- t_ms = boot clock + offset
    trusted INTEGER NOT NULL,   -- 1: the wall clock was known to be right
    was_offset_ms INTEGER       -- what the offset was before it was corrected; NULL if it never was
) STRICT;
CREATE TABLE sensor (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL
) STRICT;
CREATE TABLE reading (
    t_ms INTEGER NOT NULL,
    sensor INTEGER NOT NULL,
    segment INTEGER NOT NULL,
    value REAL,
    quality INTEGER NOT NULL,
    spread REAL,
    count INTEGER,
    PRIMARY KEY (t_ms, sensor, segment)
) STRICT, WITHOUT ROWID;
CREATE TABLE event (
    t_ms INTEGER NOT NULL,
    segment INTEGER NOT NULL,
    alarm TEXT NOT NULL,
    subject TEXT NOT NULL,
    state TEXT NOT NULL,
    value REAL NOT NULL,
    limit_value REAL NOT NULL,
    unit TEXT NOT NULL,
    reason TEXT NOT NULL,
    PRIMARY KEY (t_ms, alarm, subject, state)
) STRICT, WITHOUT ROWID;
CREATE TABLE settings_kept (    -- the settings in force, each time they changed
    t_ms INTEGER PRIMARY KEY,
    digest TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE TABLE checkpoint (       -- the calculation's state after all readings up to t_ms
    t_ms INTEGER PRIMARY KEY,
    digest TEXT NOT NULL,       -- of settings and calculation; a state of another digest is no use
    state TEXT NOT NULL
) STRICT;
"""

_SEALED = """
CREATE TABLE block (            -- up to an hour of one segment, packed; a reading is here or in `reading`, not in both
    id INTEGER PRIMARY KEY,
    first_ms INTEGER NOT NULL,  -- stamps of its first and last reading
    last_ms INTEGER NOT NULL,
    segment INTEGER NOT NULL,
    count INTEGER NOT NULL,     -- readings in it
    whole INTEGER NOT NULL,     -- 0: thinned, only tips and pulses are left
    body BLOB NOT NULL,
    CHECK (last_ms >= first_ms AND last_ms - first_ms < 3600000)
) STRICT;
CREATE INDEX block_time ON block (first_ms, last_ms, segment, count, whole);
CREATE TABLE summary (          -- minutes of what was thinned, packed likewise
    id INTEGER PRIMARY KEY,
    first_ms INTEGER NOT NULL,  -- stamps at which its first and last minute begin
    last_ms INTEGER NOT NULL,
    segment INTEGER NOT NULL,
    count INTEGER NOT NULL,     -- readings that it stands for
    forwarded INTEGER,          -- 0: they had not been forwarded; NULL: there was no forwarding
    body BLOB NOT NULL
) STRICT;
CREATE INDEX summary_time ON summary (first_ms, last_ms, segment, count);
CREATE TABLE stop (             -- boots that ended in order
    boot INTEGER PRIMARY KEY REFERENCES boot(id),
    boot_ms INTEGER             -- boot clock then; NULL: from before this was kept, nobody knows
) STRICT;
CREATE TABLE behind (           -- where readings came, moved or earned trust behind later ones, for who reads along
    id INTEGER PRIMARY KEY,
    from_ms INTEGER NOT NULL,   -- at this stamp and later the log may have changed
    moved INTEGER NOT NULL      -- 1: readings that stood there stand elsewhere now
) STRICT;
"""


def _to_2(db: sqlite3.Connection) -> None:
    _lay(db, _SEALED)
    db.execute("INSERT INTO stop SELECT id, NULL FROM boot")


_MIGRATIONS: dict[int, Callable[[sqlite3.Connection], None]] = {1: _to_2}
"""From version n to n + 1; each runs in the transaction that also sets the new version."""


def _lay(db: sqlite3.Connection, tables: str) -> None:
    for statement in tables.split(";\n"):
        if statement.strip():
            db.execute(statement)


def create(db: sqlite3.Connection) -> None:
    """Lay the tables in an empty file, in one transaction."""
    db.execute("BEGIN IMMEDIATE")
    _lay(db, _DDL + _SEALED)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    db.execute("COMMIT")


def examine(db: sqlite3.Connection, path: Path) -> int:
    """The schema version of an open file; 0 for an empty one.

    Raises NotALog for anything that is not our log, LogMalformed where that is SQLite's own word (or the file is too
    short to be any of its files), LogTooNew for one from a newer rainstead.
    """
    try:
        db.execute("BEGIN")  # one moment for all that is looked at: a logger may be laying the tables just now
        (application_id,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
        (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        # SQLite takes a file shorter than its own header for an empty one, and would write over it.
        short = pages == 0 and path.exists() and path.stat().st_size > 0
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        if isinstance(error, sqlite3.DatabaseError) and damage_in_words(error) is None:
            raise  # locked, or the disk failed: the file may well be sound
        # A message about a damaged layout has the layout's own words in it, which may be no text.
        raise LogMalformed(
            f"{path}: this is not a rainstead log, or a damaged one ({error}); name the site's folder or its "
            "readings.db; a logger that finds such a log moves it aside and begins a new one",
            str(error),
        ) from None
    finally:
        if db.in_transaction:
            db.execute("ROLLBACK")
    if short:
        raise LogMalformed(
            f"{path}: this is not a rainstead log, or what is left of one: it is too short; name the site's folder or "
            "its readings.db",
            "the file is too short",
        )
    if application_id == 0 and version == 0 and tables == 0:
        return 0
    if (application_id != APPLICATION_ID or version > SCHEMA_VERSION) and _shape(db) == _expected_shape():
        # Neither another program's file nor a newer log has just our tables: a bit of its header has turned.
        why = f"its header tells of application {application_id} and version {version}, and its tables are ours"
        raise LogMalformed(f"{path}: this log is damaged: {why}; restore a backup", why)
    if application_id != APPLICATION_ID:
        raise NotALog(
            f"{path}: this is a SQLite file, but not a rainstead log; name the site's folder or its readings.db"
        )
    if version < 1:
        why = f"its layout is of version {version}, which there is not"
        raise LogMalformed(f"{path}: this log is damaged: {why}; restore a backup", why)
    if version > SCHEMA_VERSION:
        raise LogTooNew(
            f"{path}: the log has schema {version}, this rainstead knows up to {SCHEMA_VERSION}; "
            "install the newer rainstead"
        )
    return int(version)


def kind_of(path: Path, name: str, kind: str) -> Kind:
    """A sensor's kind as it stands in a log. Raises LogMalformed for one that no version writes: a bit has turned."""
    if kind not in set(Kind):
        why = f"its sensor {name!r} is of the kind {kind!r}, which there is not"
        raise LogMalformed(f"{path}: this log is damaged: {why}; restore a backup", why)
    return Kind(kind)


def check_shape(db: sqlite3.Connection, path: Path) -> None:
    """That each table has the columns that this version lays. Raises LogMalformed.

    A bit that has turned in the layout's text is no damage to SQLite, and nothing could be stored ever again.
    """
    found = _shape(db)
    for table, columns in _expected_shape().items():
        if found.get(table) != columns:
            why = f"its table {table} is not as it was laid"
            raise LogMalformed(f"{path}: this log is damaged: {why}; restore a backup", why)


def _expected_shape() -> dict[str, list[tuple[object, ...]]]:
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as ours:
        create(ours)
        return _shape(ours)


def _shape(db: sqlite3.Connection) -> dict[str, list[tuple[object, ...]]]:
    tables: dict[str, list[tuple[object, ...]]] = {}
    for table, *column in db.execute(
        'SELECT m.name, c.name, c.type, c."notnull", c.pk FROM sqlite_schema m JOIN pragma_table_info(m.name) c'
        " WHERE m.type = 'table' ORDER BY m.name, c.cid"
    ):
        tables.setdefault(table, []).append(tuple(column))
    return tables


def migrate(db: sqlite3.Connection, version: int) -> None:
    """Bring an older log to this version, one step a transaction, so that a cut leaves a whole version behind."""
    for step in range(version, SCHEMA_VERSION):
        db.execute("BEGIN IMMEDIATE")
        try:
            _MIGRATIONS[step](db)
            db.execute(f"PRAGMA user_version = {step + 1}")
            db.execute("COMMIT")
        except BaseException:
            db.execute("ROLLBACK")
            raise
