"""Readings as one array with named fields: what fresh rows and sealed blocks become, to be merged."""

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from rainstead.readings import I64

__all__ = ["ROW", "Rows", "from_tuples", "in_order", "same_readings"]

ROW = np.dtype(
    [
        ("t_ms", "i8"),
        ("sensor", "i4"),
        ("segment", "i8"),
        ("value", "f8"),
        ("quality", "u1"),
        ("spread", "f8"),
        ("count", "f8"),
    ]
)
Rows = npt.NDArray[np.void]
"""An array of ROW; NaN where there is no value, spread or count."""

RowTuple = tuple[int, int, int, float | None, int, float | None, int | None]


def from_tuples(rows: Sequence[RowTuple]) -> Rows:
    """Rows as the database gives them."""
    out = np.empty(len(rows), dtype=ROW)
    if rows:
        for name, column in zip(ROW.names or (), zip(*rows, strict=True), strict=True):
            out[name] = np.array(column, dtype=ROW[name])  # None becomes NaN
    return out


def in_order(parts: Iterable[Rows]) -> Rows:
    """All of them in the log's order: stamp, sensor, segment."""
    rows = np.concatenate([np.empty(0, dtype=ROW), *parts])
    if len(rows) < 2:
        return rows
    key = _one_key(rows)
    if key is None:
        return rows.take(np.lexsort((rows["segment"], rows["sensor"], rows["t_ms"])))
    return rows if (key[1:] >= key[:-1]).all() else rows.take(key.argsort(kind="stable"))


def _one_key(rows: Rows) -> I64 | None:
    """Stamp, sensor and segment as one number, which sorts four times as fast; None where they are too far apart."""
    key: I64 = np.zeros(len(rows), dtype=np.int64)
    room = 1
    for name in ("t_ms", "sensor", "segment"):
        column = rows[name].astype(np.int64)
        low, high = int(column.min()), int(column.max())
        room *= high - low + 1
        if room >= 2**63:
            return None
        key = key * (high - low + 1) + (column - low)
    return key


def same_readings(one: Rows, other: Rows) -> bool:
    """Whether they are the same to the last bit; one NaN is as good as another."""
    if len(one) != len(other):
        return False
    for name in ROW.names or ():
        a, b = one[name], other[name]
        if a.dtype.kind == "f":
            nan = np.isnan(a)
            if not np.array_equal(nan, np.isnan(b)):
                return False
            a, b = a[~nan].view(np.int64), b[~nan].view(np.int64)
        if not np.array_equal(a, b):
            return False
    return True
