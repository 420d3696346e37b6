"""The newest value of one series at the moments of another."""

from dataclasses import dataclass

import numpy as np

from .arrays import F64, I64

__all__ = ["HOLD_START", "HoldState", "hold"]


@dataclass(frozen=True, slots=True)
class HoldState:
    """The newest value so far; t_ms is None before the first."""

    t_ms: int | None
    value: float


HOLD_START = HoldState(None, 0.0)


def hold(state: HoldState, t_ms: I64, value: F64, at_ms: I64, max_age_ms: int) -> tuple[HoldState, F64]:
    """For each `at_ms` the last value that is not NaN with t_ms <= at; NaN where that is older than max_age_ms.

    Both times ascend, and begin after those of the batches before.
    """
    good = ~np.isnan(value)
    known_ms, known = t_ms[good], value[good]
    if state.t_ms is not None:
        known_ms = np.concatenate([np.array([state.t_ms], dtype=np.int64), known_ms])
        known = np.concatenate([np.array([state.value]), known])
    if not len(known):
        return state, np.full(len(at_ms), np.nan)
    k = np.searchsorted(known_ms, at_ms, side="right") - 1
    before = np.maximum(k, 0)
    fresh = (k >= 0) & (at_ms - known_ms[before] <= max_age_ms)
    return HoldState(int(known_ms[-1]), float(known[-1])), np.where(fresh, known[before], np.nan)
