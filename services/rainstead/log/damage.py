"""Whether a file is damaged, in SQLite's own words: by an error that it gave, or by its check of all the file."""

import re
import sqlite3

from rainstead.errors import LogMalformed

__all__ = ["damage_found", "damage_in_words", "is_of_content", "may_be_damage"]


def damage_in_words(error: BaseException) -> str | None:
    """What SQLite says where it says that the file is damaged; None where it is only busy, full, forbidden or failing,
    or another program's."""
    if isinstance(error, LogMalformed):
        return error.why
    code = getattr(error, "sqlite_errorcode", None) if isinstance(error, sqlite3.Error) else None
    if code is None and isinstance(error, sqlite3.OperationalError) and "decode to UTF-8" in str(error):
        return "a text in it is no text"  # Python's own word; SQLite gives the bytes as they are
    is_damage = code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return str(error) if is_damage else None


def is_of_content(error: sqlite3.Error) -> bool:
    """Whether an error may come of what is in the file, and not of the disk or of another program that holds it."""
    code = getattr(error, "sqlite_errorcode", None)
    of_content = (sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG)
    return code is not None and code & 0xFF in of_content


def may_be_damage(error: Exception) -> bool:
    """Whether a damaged file may be behind an error that names none, so that only a check of all of it can tell."""
    return damage_in_words(error) is None and (not isinstance(error, sqlite3.Error) or is_of_content(error))


def damage_found(db: sqlite3.Connection) -> str | None:
    """What SQLite's check of the whole file finds; None where it is sound, or the disk does not give all of it."""
    try:
        (said,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.Error as again:
        return damage_in_words(again)
    # A page that the disk does not give is told among the damage, with the code of SQLite's own error.
    failed = re.search(r"error code=(\d+)", str(said))
    is_disk = failed is not None and int(failed[1]) & 0xFF not in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return None if said == "ok" or is_disk else str(said)
