"""Pulses that may be no water: a rotor that rocks, mains hum on the cable, a rate that the meter cannot have."""

from enum import IntEnum
from typing import Final

import numpy as np

from .arrays import BOOL, F64, I64, U8

__all__ = ["PulseDoubt", "pulse_doubts"]

SUSTAINED_MS: Final = 10_000
HUM_MS: Final = 120_000
HUM_HZ: Final = (50.0, 60.0, 100.0, 120.0)
"""Mains, and twice that."""
HUM_RATIO: Final = 0.002
"""Mains are nearer to their frequency than this nearly always, and a flow hardly ever for minutes (common practice)."""
ROW_PULSES: Final = 1.5
"""A row's pulses lie so near to the frequency times its length: one more or less, and its length's own rounding."""


class PulseDoubt(IntEnum):
    """Why a row's pulses may be no water."""

    NONE = 0
    ROCKING = 1
    """Never enough of them together for the least flow that turns the rotor."""
    TOO_FAST = 2
    HUM = 3


def pulse_doubts(
    start_ms: I64, t_ms: I64, pulses: I64, k_per_l: F64, least_l_min: F64, most_l_min: F64, gap_ms: int
) -> U8:
    """A PulseDoubt for each row of a meter, of rows from start_ms to t_ms in order of time.

    least_l_min, most_l_min: the meter's range by the calibration in force at each row; NaN where it is not known.
    gap_ms: a pause that ends a run. Rocking: in a whole run no 10 s have the least flow. Too fast: more than the most,
    one pulse more or less allowed. Hum: for 120 s each row has the pulses of one mains frequency, and all together
    have them to 0.2 %; a flow of just that rate is doubted with it.
    """
    doubts = np.full(len(t_ms), PulseDoubt.NONE, dtype=np.uint8)
    flows = np.flatnonzero(pulses > 0)
    if not len(flows):
        return doubts
    begun_ms, at_ms, count, k = start_ms[flows], t_ms[flows], pulses[flows], k_per_l[flows]
    # A row after a long silence began long ago; what it counts came at its end.
    begun_ms = np.maximum(begun_ms, at_ms - gap_ms)
    # The first row of all has no beginning.
    length_ms = np.where(at_ms > begun_ms, (at_ms - begun_ms).astype(np.float64), np.nan)
    starts = np.append(True, begun_ms[1:] - at_ms[:-1] > gap_ms)
    found = doubts[flows]
    found[_rocking(at_ms, count, k, least_l_min[flows], starts)] = PulseDoubt.ROCKING
    found[_hums(begun_ms, at_ms, length_ms, count)] = PulseDoubt.HUM
    found[(count - 1) * 60_000.0 / (k * length_ms) > most_l_min[flows]] = PulseDoubt.TOO_FAST
    doubts[flows] = found
    return doubts


def _rocking(at_ms: I64, count: I64, k_per_l: F64, least_l_min: F64, starts: BOOL) -> BOOL:
    """Rows of runs in which no 10 s have the least flow."""
    before = np.append(0, np.cumsum(count))
    since = np.searchsorted(at_ms, at_ms - SUSTAINED_MS, side="right")
    together = before[1:] - before[since]
    enough = ~(together * (60_000.0 / SUSTAINED_MS) / k_per_l < least_l_min)
    run = np.cumsum(starts) - 1
    sustained = np.zeros(run[-1] + 1, dtype=bool)
    np.logical_or.at(sustained, run, enough)
    rocks: BOOL = ~sustained[run]
    return rocks


def _hums(begun_ms: I64, at_ms: I64, length_ms: F64, count: I64) -> BOOL:
    """Rows within 120 s of an even mains frequency."""
    humming = np.zeros(len(at_ms), dtype=bool)
    before = np.append(0, np.cumsum(count))
    for hz in HUM_HZ:
        even = np.abs(count - hz * length_ms / 1000) <= ROW_PULSES
        joined = np.append(False, begun_ms[1:] == at_ms[:-1]) & even & np.append(False, even[:-1])
        # The row at which the unbroken even rows up to each row began.
        first = np.maximum.accumulate(np.where(joined, 0, np.arange(len(at_ms))))
        low = np.maximum(first, np.searchsorted(begun_ms, at_ms - HUM_MS, side="right") - 1)
        span_ms = at_ms - begun_ms[np.maximum(low, 0)]
        rate_hz = (before[1:] - before[np.maximum(low, 0)]) * 1000.0 / np.maximum(span_ms, 1)
        for row in np.flatnonzero(even & (span_ms >= HUM_MS) & (np.abs(rate_hz - hz) <= HUM_RATIO * hz)):
            humming[low[row] : row + 1] = True
    return humming
