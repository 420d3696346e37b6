"""Which of several dated calibrations is in force."""

import numpy as np

from .arrays import I64

__all__ = ["in_force"]


def in_force(since_ms: tuple[int, ...], t_ms: I64) -> I64:
    """Index of the calibration in force at each time; since_ms ascends. The first also stands for all time before."""
    k = np.searchsorted(np.array(since_ms, dtype=np.int64), t_ms, side="right") - 1
    return np.maximum(k, 0).astype(np.int64)
