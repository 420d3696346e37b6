"""Rows of a table by a whole-number key, where pages among them are damaged: what lies on both sides is read."""

import sqlite3
from dataclasses import dataclass
from typing import Any, Final

__all__ = ["FAR", "OF_DAMAGE", "Around", "is_of_layout", "read_around_keys"]

OF_DAMAGE: Final = (sqlite3.DatabaseError, TypeError, ValueError, OverflowError, MemoryError)
"""A damaged record may hold what no column may, and say that it is larger than memory."""
FAR: Final = 2**62
_Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Around:
    """rows: what could be read, in order. holes: keys between which, after and up to, it could not."""

    rows: list[_Row]
    holes: list[tuple[int, int]]


def is_of_layout(error: BaseException) -> bool:
    """Whether a table, an index or a column is not there: a letter of the layout has turned."""
    return isinstance(error, sqlite3.OperationalError) and error.sqlite_errorcode == sqlite3.SQLITE_ERROR


def read_around_keys(db: sqlite3.Connection, columns: str, table: str, key: str) -> Around:
    """All rows of a table that can be reached by a whole-number key, which is the first of the columns.

    table: with INDEXED BY or NOT INDEXED, which says what is walked. Raises sqlite3.OperationalError where the disk
    fails, or another program holds the file.
    """
    ask = f"SELECT {columns} FROM {table} WHERE {key} > ? AND {key} <= ? ORDER BY {key}"
    found, low = Around([], []), -FAR
    while low < FAR:
        got: list[_Row] = []
        try:
            for row in db.execute(ask, (low, FAR)):
                if not isinstance(row[0], int) or row[0] < (got[-1][0] if got else low + 1):
                    raise ValueError("a key is not where it belongs")
                got.append(row)
        except OF_DAMAGE as error:
            if is_of_layout(error):
                found.holes.append((low, FAR))
                return found
            if isinstance(error, sqlite3.OperationalError):
                raise
        else:
            found.rows.extend(got)
            return found
        if not got:
            # Python takes a step ahead, and gives up the row that it has when that fails.
            is_sound, next_row = _next(db, ask, low)
            got += [next_row] if is_sound and next_row is not None else []
        if got:
            found.rows.extend(got)
            low = got[-1][0]
        else:
            sound = _first_sound(db, ask, low)
            found.holes.append((low, sound))
            low = sound
    return found


def _next(db: sqlite3.Connection, ask: str, low: int) -> tuple[bool, _Row | None]:
    """Whether the next row after a key can be read, or there is none; and the row."""
    try:
        row: _Row | None = db.execute(f"{ask} LIMIT 1", (low, FAR)).fetchone()
    except OF_DAMAGE as error:
        if isinstance(error, sqlite3.OperationalError):
            raise
        return False, None
    return row is None or (isinstance(row[0], int) and row[0] > low), row


def _first_sound(db: sqlite3.Connection, ask: str, low: int) -> int:
    """A key behind which reading goes on, near the first that there is; FAR where nothing more can be read."""
    stride, sound = 1, max(low, -1)
    while not _next(db, ask, sound)[0]:
        sound += stride
        stride *= 2
        if sound >= FAR:
            return FAR
    bad = low
    while sound - bad > 1:
        middle = (bad + sound) // 2
        if _next(db, ask, middle)[0]:
            sound = middle
        else:
            bad = middle
    return sound
