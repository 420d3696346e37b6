"""What a sick level sensor's readings look like: the same for hours, or moving faster than water can."""

from typing import Final

import numpy as np

from .arrays import F64, I64

__all__ = ["has_moved", "last_jump", "same_since_ms"]

_SIDE: Final = 5
"""Readings on each side of a jump, whose medians are compared: two wild values among them change nothing."""
_MIDDLE: Final = _SIDE // 2


def same_since_ms(t_ms: I64, value: F64) -> int | None:
    """Since when the value has been what it is now, to the bit; readings without a value count for nothing.

    None where there are fewer than two values.
    """
    known = ~np.isnan(value)
    at_ms, values = t_ms[known], value[known]
    if len(values) < 2:
        return None
    others = np.flatnonzero(values != values[-1])
    return int(at_ms[0 if not len(others) else others[-1] + 1])


def has_moved(value: F64, least: float) -> bool:
    """Whether the values span at least so much; NaN counts for nothing."""
    known = value[~np.isnan(value)]
    return len(known) > 1 and float(known.max() - known.min()) >= least


def last_jump(t_ms: I64, value: F64, fastest_per_min: float, allowance: float) -> tuple[int, float] | None:
    """The newest time at which the value changed faster than it can, and by how much; None where it never did.

    The medians of five readings before and after are compared: they may differ by `allowance`, and by the fastest
    change over the time between their middles. What comes and goes within two readings is a spike, no jump.
    """
    known = ~np.isnan(value)
    at_ms, values = t_ms[known], value[known]
    if len(values) < 2 * _SIDE:
        return None
    medians = np.median(np.lib.stride_tricks.sliding_window_view(values, _SIDE), axis=1)
    middles_ms = at_ms[_MIDDLE : len(at_ms) - _MIDDLE]
    by = medians[_SIDE:] - medians[:-_SIDE]
    minutes = (middles_ms[_SIDE:] - middles_ms[:-_SIDE]) / 60_000
    too_fast = np.flatnonzero(np.abs(by) > allowance + fastest_per_min * minutes)
    if not len(too_fast):
        return None
    # Windows that hold some readings of either side see the jump too: the largest of them sees all of it.
    run = too_fast[too_fast > too_fast[-1] - 2 * _SIDE]
    k = int(run[np.argmax(np.abs(by[run]))])
    return int(at_ms[k + _SIDE]), float(by[k])
