"""Draws that show: falls of the level within minutes, when nothing else lowers it. A leak is never shut.

To tell that somebody draws, not how much: what is too small for the ranger, or runs into the next draw, does not show.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead.calc.arrays import F64, I64

from .levels import TankMinutes

__all__ = ["DrawSteps", "binned", "draw_steps"]

_DAY_MS = 86_400_000
_MINUTE_MS = 60_000
_BIN_MIN = 5
_STANDS_OUT = 5.0
_NEAR_BINS = 3
"""A step is between the means of so many stretches before and after it."""
_DRAWS_A_DAY = 2.0


@dataclass(frozen=True, slots=True)
class DrawSteps:
    """Steps of the level within minutes: from_ms and upto_ms of each, and litres that went, below 0 for a rise.

    Rises are kept, too: air that flickers in the sun makes as many of them as falls.
    """

    from_ms: I64
    upto_ms: I64
    drawn_l: F64

    def are_draws(self, from_ms: I64, upto_ms: I64) -> bool:
        """Whether somebody draws from the tank, by the steps within times that are otherwise undisturbed."""
        inside, days = self._inside(from_ms, upto_ms)
        falls, rises = int((inside & (self.drawn_l > 0)).sum()), int((inside & (self.drawn_l < 0)).sum())
        return days > 0 and (falls - rises) / days >= _DRAWS_A_DAY and falls > 4 * rises

    def _inside(self, from_ms: I64, upto_ms: I64) -> tuple[npt.NDArray[np.bool_], float]:
        if not len(from_ms):
            return np.zeros(len(self.from_ms), dtype=np.bool_), 0.0
        k = np.searchsorted(from_ms, self.from_ms, side="right") - 1
        held = (k >= 0) & (self.upto_ms <= upto_ms[np.maximum(k, 0)])
        return held, float((upto_ms - from_ms).sum()) / _DAY_MS


def draw_steps(minutes: TankMinutes) -> DrawSteps:
    """All steps that stand out from the noise of medians of a few minutes."""
    nothing = np.zeros(0, dtype=np.int64)
    if len(minutes.t_ms) < 12 * _BIN_MIN:
        return DrawSteps(nothing, nothing, np.zeros(0))
    middle, at, size = binned(minutes.t_ms, minutes.volume_l, _BIN_MIN)
    if len(middle) < 4 * _NEAR_BINS:
        return DrawSteps(nothing, nothing, np.zeros(0))
    # What stood before each stretch against what stands after it; the stretch itself is neither.
    total = np.concatenate([[0.0], np.cumsum(middle - middle[0])])
    inside = np.arange(_NEAR_BINS, len(middle) - _NEAR_BINS)
    before_sum, after_sum = (
        total[inside] - total[inside - _NEAR_BINS],
        total[inside + _NEAR_BINS + 1] - total[inside + 1],
    )
    fell = (before_sum - after_sum) / _NEAR_BINS
    near = at[inside + _NEAR_BINS] - at[inside - _NEAR_BINS] == 2 * _NEAR_BINS
    if near.sum() < 4 * _NEAR_BINS:
        return DrawSteps(nothing, nothing, np.zeros(0))
    # A leak falls evenly, all the time: what stands out is measured from that.
    slow = float(np.median(fell[near]))
    scatter = 1.4826 * float(np.median(np.abs(fell[near] - slow)))
    of_bin = float(np.median(minutes.noise_u_l)) / math.sqrt(max(float(np.median(size)) * 2 / math.pi, 1.0))
    limit = _STANDS_OUT * max(scatter, of_bin * math.sqrt(2 / _NEAR_BINS))
    out = inside[near & (np.abs(fell - slow) > limit)]
    if not len(out):
        return DrawSteps(nothing, nothing, np.zeros(0))
    # Steps whose befores and afters overlap are one: a bath fills for longer than a stretch.
    apart = np.flatnonzero(np.diff(out) > _NEAR_BINS) + 1
    first, last = out[np.concatenate([[0], apart])], out[np.append(apart - 1, len(out) - 1)]
    rows = []
    for low, high in zip(first.tolist(), last.tolist(), strict=True):
        before, after = slice(low - _NEAR_BINS, low), slice(high + 1, high + 1 + _NEAR_BINS)
        rows.append((at[low], at[high] + 1, float(middle[before].mean() - middle[after].mean()) - slow))
    bin_ms = _BIN_MIN * _MINUTE_MS
    return DrawSteps(
        np.array([row[0] for row in rows], dtype=np.int64) * bin_ms,
        np.array([row[1] for row in rows], dtype=np.int64) * bin_ms,
        np.array([row[2] for row in rows]),
    )


def binned(t_ms: I64, volume_l: F64, bin_min: int) -> tuple[F64, I64, I64]:
    """Medians of each few minutes, the number of each such stretch, and of how many rows."""
    place = (t_ms - 1) // (bin_min * _MINUTE_MS)
    starts = np.flatnonzero(np.diff(place, prepend=place[0] - 1))
    ends = np.append(starts[1:], len(place))
    order = np.lexsort((volume_l, place))
    ordered = volume_l[order]
    middle = (ordered[(starts + ends - 1) // 2] + ordered[(starts + ends) // 2]) / 2
    return middle, place[starts], (ends - starts).astype(np.int64)
