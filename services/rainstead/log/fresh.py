"""Readings that are not sealed yet, where pages or rows among them are damaged: what lies on both sides is read.

Rows are kept by time. A damaged page takes the readings of some seconds or minutes with it; a query that begins or ends
elsewhere never meets it.
"""

import sqlite3
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .rows import ROW, Rows
from .sealed import DamagedHour

__all__ = ["Found", "read_around", "read_fresh"]

# Infinity stands for what is missing on the way into an array: it is no raw value of any sensor.
SELECT = (
    "SELECT t_ms, sensor, segment, ifnull(value, 9e999), quality, ifnull(spread, 9e999), ifnull(count, 9e999)"
    " FROM reading WHERE"
)
_STRIDE_MS = 1000
_LAST = 2**62
_OF_DAMAGE = (sqlite3.DatabaseError, TypeError, ValueError, OverflowError)
"""A damaged row may hold what no column may, and lie where its stamp does not belong; SQLite gives it as it is."""


@dataclass(frozen=True, slots=True)
class Found:
    """rows: all that can be read up to upto_ms. damaged: what cannot, where that begins behind them."""

    rows: Rows
    upto_ms: int
    damaged: DamagedHour | None


def read_fresh(db: sqlite3.Connection, low_ms: int, high_ms: int, some: list[int] | None, size: int) -> Found:
    """The next rows with low_ms < t_ms <= high_ms, about `size` of them, all up to upto_ms; around damage as below."""
    of_these = "" if some is None else f" AND sensor IN ({','.join(map(str, some))})"
    try:
        rows = np.fromiter(
            db.execute(
                f"{SELECT} t_ms > ? AND t_ms <= ?{of_these} ORDER BY t_ms, sensor, segment LIMIT ?",
                (low_ms, high_ms, size),
            ),
            ROW,
        )
        stamps = rows["t_ms"]
        if len(rows) and (stamps[0] <= low_ms or stamps[-1] > high_ms or (stamps[1:] < stamps[:-1]).any()):
            raise ValueError("a stamp is not where it belongs")
        if len(rows) < size:
            return Found(rows, high_ms, None)
        last_ms = int(rows["t_ms"][-1])
        whole = np.fromiter(db.execute(f"{SELECT} t_ms = ?{of_these} ORDER BY t_ms, sensor, segment", (last_ms,)), ROW)
        return Found(np.concatenate([rows[rows["t_ms"] < last_ms], whole]), last_ms, None)
    except (sqlite3.DatabaseError, TypeError, ValueError, OverflowError) as error:
        # A damaged row may hold what no column may, and SQLite gives it as it is.
        if isinstance(error, sqlite3.OperationalError):
            raise
        return read_around(db, low_ms, high_ms, some, size)


def read_around(db: sqlite3.Connection, low_ms: int, high_ms: int, some: list[int] | None, size: int) -> Found:
    """The next rows with low_ms < t_ms <= high_ms up to a damaged place or, where it begins at once, that place.

    some: sensor numbers, None for all. A sound stretch between two damaged ones is found if it is not much shorter than
    the first. Raises sqlite3.OperationalError where the disk fails, or another program holds the file.
    """
    found = _read_around(db, low_ms, high_ms, size)
    # By itself SQLite would read on from a row to the next of these sensors, and meet damage that lies between.
    return found if some is None else replace(found, rows=found.rows[np.isin(found.rows["sensor"], some)])


def _read_around(db: sqlite3.Connection, low_ms: int, high_ms: int, size: int) -> Found:
    got: list[tuple[Any, ...]] = []
    try:
        for row in db.execute(f"{SELECT} t_ms > ? AND t_ms <= ? ORDER BY t_ms, sensor, segment", (low_ms, high_ms)):
            if len(got) >= size and row[0] != got[-1][0]:
                return Found(_as_rows(got), int(got[-1][0]), None)
            if row[0] < (got[-1][0] if got else low_ms + 1):
                if not got:
                    raise ValueError("a stamp is not where it belongs")
                at_ms = int(got[-1][0])
                return Found(_as_rows(got), at_ms, DamagedHour(at_ms, at_ms, 1, "a stamp is not where it belongs"))
            _as_rows([row])
            got.append(row)
    except _OF_DAMAGE as error:
        if isinstance(error, sqlite3.OperationalError):
            raise
        got += _one_more(db, low_ms, high_ms, got)
        if got:
            # What was read of the last millisecond is all that there is of it, as far as anybody can tell.
            return Found(_as_rows(got), int(got[-1][0]), None)
        end_ms = max(_first_sound_ms(db, low_ms, high_ms), low_ms + 1)
        why = f"readings that were not sealed yet ({error})"
        return Found(_as_rows(got), end_ms, DamagedHour(low_ms + 1, end_ms, 0, why))
    return Found(_as_rows(got), high_ms, None)  # it was misread once


def _one_more(db: sqlite3.Connection, low_ms: int, high_ms: int, got: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """The row before the damage: Python takes a step ahead, and gives up the row that it has when that fails."""
    after = got[-1][:3] if got else (low_ms, _LAST, _LAST)
    try:
        row = db.execute(
            f"{SELECT} (t_ms, sensor, segment) > (?, ?, ?) AND t_ms <= ? ORDER BY t_ms, sensor, segment LIMIT 1",
            (*after, high_ms),
        ).fetchone()
        if row is None or row[0] < (after[0] if got else low_ms + 1):
            return []
        _as_rows([row])
    except _OF_DAMAGE as error:
        if isinstance(error, sqlite3.OperationalError):
            raise
        return []
    return [row]


def _as_rows(got: list[tuple[Any, ...]]) -> Rows:
    return np.array(got, dtype=ROW)


def _first_sound_ms(db: sqlite3.Connection, low_ms: int, high_ms: int) -> int:
    """The stamp behind which reading goes on; high_ms where there is none."""

    def is_sound(after_ms: int) -> bool:
        """Whether the next row after a stamp can be read, or there is none."""
        try:
            row = db.execute(
                f"{SELECT} t_ms > ? AND t_ms <= ? ORDER BY t_ms, sensor, segment LIMIT 1", (after_ms, high_ms)
            ).fetchone()
            if row is None:
                return True
            _as_rows([row])
            return bool(row[0] > after_ms)
        except _OF_DAMAGE as error:
            if isinstance(error, sqlite3.OperationalError):
                raise
            return False

    stride_ms, sound_ms = _STRIDE_MS, max(low_ms, 0)
    while not is_sound(sound_ms):
        sound_ms += stride_ms
        stride_ms *= 2
        if sound_ms >= high_ms:
            return high_ms
    while True:
        # Halving finds one place where damage ends; there may be an earlier one.
        damaged_ms = low_ms
        while sound_ms - damaged_ms > 1:
            middle_ms = (damaged_ms + sound_ms) // 2
            if is_sound(middle_ms):
                sound_ms = middle_ms
            else:
                damaged_ms = middle_ms
        stride_ms = _STRIDE_MS
        while sound_ms - stride_ms > low_ms and not is_sound(sound_ms - stride_ms):
            stride_ms *= 2
        if sound_ms - stride_ms <= low_ms:
            return sound_ms
        sound_ms -= stride_ms
