"""Water left to itself: the times when nothing is known to go in or out, and how the level stands from dawn to dawn.

A ranger's error is shaped like the day, because the air's is. So like is compared with like: the level of one hour
before dawn with that of another, when no sun has warmed the gap. Where a household draws by day, see `nights`
and `draws`.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead.calc.arrays import F64, I64

from .levels import TankMinutes

__all__ = [
    "Mornings",
    "Spans",
    "cut_at_steps",
    "dawn_levels",
    "spell_slope_l_day",
    "standing_spans",
]

_DAY_MS = 86_400_000
_MINUTE_MS = 60_000
_STEP_MM = 5.0
"""A change between two mornings that stands out by more than this and by the scatter is an event, not a loss."""
_LEAST_PART = 0.5
"""Of a window, so much must lie between its first and last level."""
_FEWEST_LEVELS = 6


@dataclass(frozen=True, slots=True)
class Spans:
    """Stretches of time that do not overlap, in order."""

    from_ms: I64
    upto_ms: I64

    def holding(self, from_ms: I64, upto_ms: I64) -> I64:
        """For each window the index of the span that holds all of it, or -1."""
        if not len(self.from_ms):
            return np.full(len(from_ms), -1, dtype=np.int64)
        k = np.searchsorted(self.from_ms, from_ms, side="right") - 1
        inside = (k >= 0) & (upto_ms <= self.upto_ms[np.maximum(k, 0)])
        return np.where(inside, k, -1).astype(np.int64)


def standing_spans(minutes: TankMinutes, disturbed: Spans, *, longest_gap_ms: int = 6 * 3_600_000) -> Spans:
    """What is left of the minutes' time when disturbances, long gaps and times too near the ranger are cut out.

    disturbed: may overlap, in any order. A gap in the levels longer than allowed ends a span: nobody saw what happened.
    """
    t_ms = minutes.t_ms
    if not len(t_ms):
        return Spans(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    # Near the brim but seen is a level like another: no rain, no spill. A ranger that is blanked sees nothing.
    brim_ms = t_ms[minutes.readings == 0]
    gap = np.flatnonzero(np.diff(t_ms) > longest_gap_ms)
    starts = np.concatenate([disturbed.from_ms, brim_ms - 30 * _MINUTE_MS, t_ms[gap]])
    ends = np.concatenate([disturbed.upto_ms, brim_ms + 30 * _MINUTE_MS, t_ms[gap + 1]])
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order], np.maximum.accumulate(ends[order]) if len(ends) else ends
    free_from = np.concatenate([[t_ms[0] - _MINUTE_MS], ends])
    free_upto = np.concatenate([starts, [t_ms[-1]]])
    free_upto = np.minimum(free_upto, t_ms[-1])
    some = free_upto > free_from
    return Spans(free_from[some], free_upto[some])


@dataclass(frozen=True, slots=True)
class Mornings:
    """Levels before dawn, one a morning, those of one spell next to each other; a spell has two mornings at least.

    spell: numbered from 0. noise_u_l: of the morning's median by chance alone.
    steps: falls (positive) and rises that stood out and were cut, as (from_ms, upto_ms, litres).
    """

    spell: I64
    t_ms: I64
    depth_m: F64
    volume_l: F64
    noise_u_l: F64
    steps: tuple[tuple[int, int, float], ...] = ()

    def __len__(self) -> int:
        return len(self.t_ms)

    def take(self, which: npt.NDArray[np.bool_]) -> "Mornings":
        """Some of them; spells that are left with one morning go, the others are numbered anew."""
        spell = self.spell[which]
        many = np.bincount(spell, minlength=1)[spell] > 1 if len(spell) else np.zeros(0, dtype=bool)
        kept = np.flatnonzero(which)[many]
        _, renumbered = np.unique(self.spell[kept], return_inverse=True)
        return Mornings(
            renumbered.astype(np.int64),
            self.t_ms[kept],
            self.depth_m[kept],
            self.volume_l[kept],
            self.noise_u_l[kept],
            self.steps,
        )


def dawn_levels(minutes: TankMinutes, spans: Spans, window_from_ms: I64, window_upto_ms: I64) -> Mornings:
    """The median level of each window before dawn that lies whole within a standing span.

    window_*: one window a day, in order.
    """
    held = spans.holding(window_from_ms, window_upto_ms)
    rows: list[tuple[int, int, float, float, float]] = []
    for k in np.flatnonzero(held >= 0).tolist():
        some = minutes.between(int(window_from_ms[k]), int(window_upto_ms[k]))
        n = len(some.t_ms)
        # By time, not by count: a ranger may read once in ten minutes.
        if n < _FEWEST_LEVELS or np.ptp(some.t_ms) < _LEAST_PART * (window_upto_ms[k] - window_from_ms[k]):
            continue
        middle_ms = int(window_from_ms[k] + window_upto_ms[k]) // 2
        # The median of n is noisier than their mean by the root of pi/2.
        noise = math.sqrt(math.pi / 2 * float(np.mean(some.noise_u_l**2)) / n)
        rows.append((int(held[k]), middle_ms, float(np.median(some.depth_m)), float(np.median(some.volume_l)), noise))
    spell = np.array([row[0] for row in rows], dtype=np.int64)
    found = Mornings(
        spell,
        np.array([row[1] for row in rows], dtype=np.int64),
        np.array([row[2] for row in rows]),
        np.array([row[3] for row in rows]),
        np.array([row[4] for row in rows]),
    )
    return found.take(np.ones(len(found), dtype=bool))


def cut_at_steps(mornings: Mornings) -> Mornings:
    """Part spells where one change between two mornings stands out by itself, and tell the step.

    It is taken for an event that nobody noted. One that goes on the next day is a loss, and stays.
    """
    if len(mornings) < 5:
        return mornings
    same = np.diff(mornings.spell) == 0
    days = np.diff(mornings.t_ms) / _DAY_MS
    at = np.flatnonzero(same)
    if len(at) < 4:
        return mornings
    rate = (-np.diff(mornings.volume_l) / days)[at]
    middle = float(np.median(rate))
    scatter = 1.4826 * float(np.median(np.abs(rate - middle)))
    limit = max(6 * scatter, _STEP_MM * _l_per_mm(mornings))
    out = np.sign(rate - middle) * (np.abs(rate - middle) > limit)
    # A neighbour that stands out the same way makes it a loss that goes on, not an event.
    alone = (out != 0) & (np.append(out[1:], 0.0) != out) & (np.insert(out[:-1], 0, 0.0) != out)
    steps = tuple(
        (int(mornings.t_ms[k]), int(mornings.t_ms[k + 1]), float((one - middle) * days[k]))
        for k, one in zip(at[alone].tolist(), rate[alone].tolist(), strict=True)
    )
    parted = ~same
    parted[at[alone]] = True
    cut = np.concatenate([[0], np.cumsum(parted.astype(np.int64))])
    parts = Mornings(cut, mornings.t_ms, mornings.depth_m, mornings.volume_l, mornings.noise_u_l, steps)
    return parts.take(np.ones(len(parts), dtype=bool))


def spell_slope_l_day(mornings: Mornings, spell: int) -> float:
    """Litres lost a day in one spell: the median of all pairs' slopes. Source: Theil (1950), Sen (1968)."""
    rows = np.flatnonzero(mornings.spell == spell)
    low, high = np.triu_indices(len(rows), k=1)
    days = (mornings.t_ms[rows[high]] - mornings.t_ms[rows[low]]) / _DAY_MS
    return float(np.median((mornings.volume_l[rows[low]] - mornings.volume_l[rows[high]]) / days))


def _l_per_mm(mornings: Mornings) -> float:
    """Litres per millimetre about where the water stood."""
    depth_mm, volume_l = 1000 * mornings.depth_m, mornings.volume_l
    if np.ptp(depth_mm) < 1.0:
        return float(np.mean(volume_l)) / max(float(np.mean(depth_mm)), 1.0)
    return float(np.ptp(volume_l)) / float(np.ptp(depth_mm))
