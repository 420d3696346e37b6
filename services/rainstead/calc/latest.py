"""The sum over several sources of the newest value of each."""

from dataclasses import dataclass

import numpy as np

from .arrays import F64, I64

__all__ = ["LatestState", "latest_sum"]


@dataclass(frozen=True, slots=True)
class LatestState:
    """Newest stamp (None before the first) and value of each source."""

    t_ms: tuple[int | None, ...]
    value: tuple[float, ...]


def latest_sum(
    state: LatestState, t_ms: I64, which: I64, value: F64, n: int, max_age_ms: int
) -> tuple[LatestState, F64]:
    """At each row, the sum of the newest value of each of the n sources, added in their order.

    which: the row's source, 0 to n - 1. A NaN row leaves its source as it was. NaN where a source has said nothing
    yet, or nothing for longer than max_age_ms.
    """
    rows = np.arange(len(t_ms))
    total = np.zeros(len(t_ms))
    last_ms, last = list(state.t_ms), list(state.value)
    for k in range(n):
        good = np.flatnonzero((which == k) & ~np.isnan(value))
        before = np.searchsorted(good, rows, side="right") - 1
        own = before >= 0
        own_row = good[np.maximum(before, 0)] if len(good) else np.zeros(len(t_ms), dtype=np.int64)
        carried_ms = state.t_ms[k]
        newest = np.where(own, value[own_row], state.value[k] if carried_ms is not None else np.nan)
        newest_ms = np.where(own, t_ms[own_row], t_ms if carried_ms is None else carried_ms)
        total = total + np.where(t_ms - newest_ms <= max_age_ms, newest, np.nan)
        if len(good):
            last_ms[k], last[k] = int(t_ms[good[-1]]), float(value[good[-1]])
    return LatestState(tuple(last_ms), tuple(last)), total
