"""What a sick level sensor's readings look like: the same for hours, or moving faster than water can."""

from typing import Final

import numpy as np

from .arrays import F64, I64

__all__ = ["has_moved", "last_jump", "same_since_ms"]

_SIDE: Final = 5
"""Readings on each side of a jump, whose medians are compared: two wild values among them change nothing."""


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
    """The newest reading that lies farther from the one before it than can be, and by how much; None where none does.

    From one reading to the next the value may change by `allowance` and by the fastest change over the time between
    them. The medians of the five readings before and after must be as far apart: what comes and goes within two
    readings is a spike, no jump.
    """
    known = ~np.isnan(value)
    at_ms, values = t_ms[known], value[known]
    if len(values) < 2 * _SIDE:
        return None
    steps = slice(_SIDE - 1, len(values) - _SIDE)  # the step that lies between the two windows
    at_once = np.diff(values)[steps]
    can_be = allowance + fastest_per_min * np.diff(at_ms)[steps] / 60_000
    leaps = np.flatnonzero(np.abs(at_once) > can_be)
    windows = np.lib.stride_tricks.sliding_window_view(values, _SIDE)
    lasting = np.median(windows[leaps + _SIDE], axis=1) - np.median(windows[leaps], axis=1)
    too_fast = np.flatnonzero(np.abs(lasting) > can_be[leaps])
    if not len(too_fast):
        return None
    k = int(too_fast[-1])
    return int(at_ms[leaps[k] + _SIDE]), float(lasting[k])
