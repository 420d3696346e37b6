"""Echoes that are not the water's: fixed things in the tank, and water too near that is heard at twice its distance."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from .arrays import F64, I64

__all__ = ["BLIND_START", "STEP_ALLOWANCE_MM", "BlindState", "doubled", "near_any"]

STEP_ALLOWANCE_MM: Final = 30.0
"""From one reading to the next a level may change by this beside what water can move: ripples and noise.
Common practice."""


def near_any(range_mm: F64, marks_mm: tuple[float, ...], within_mm: float) -> npt.NDArray[np.bool_]:
    """Which ranges lie within so much of one of the marks; NaN lies near nothing."""
    found = np.zeros(len(range_mm), dtype=bool)
    for mark_mm in marks_mm:
        found |= np.abs(range_mm - mark_mm) <= within_mm
    return found


@dataclass(frozen=True, slots=True)
class BlindState:
    """The newest range and its stamp (None before the first), and whether it was taken for a doubled one."""

    t_ms: int | None
    range_mm: float
    is_doubled: bool


BLIND_START = BlindState(None, 0.0, False)


def doubled(
    state: BlindState, t_ms: I64, range_mm: F64, *, blind_mm: float, fastest_mm_min: float
) -> tuple[BlindState, npt.NDArray[np.bool_]]:
    """Which ranges are of water nearer than `blind_mm`, heard by the echo that went there and back twice.

    range_mm: NaN counts for nothing. It begins where a range follows one at the edge of the blind zone, lies farther
    than water can have fallen meanwhile, and is no more than twice that edge. It ends where the range is at that edge
    again, beyond twice of it, or comes nearer faster than water rises. Where readings are so far apart that water could
    have fallen that far, nothing is told apart. Source: geometry; there and back twice is twice the way.
    """
    found = np.zeros(len(range_mm), dtype=bool)
    known = np.flatnonzero(~np.isnan(range_mm))
    if not len(known):
        return state, found
    at_ms, value = t_ms[known], range_mm[known]
    before_ms = np.concatenate([at_ms[:1] if state.t_ms is None else np.array([state.t_ms]), at_ms[:-1]])
    before = np.concatenate([value[:1] if state.t_ms is None else np.array([state.range_mm]), value[:-1]])
    can_be = STEP_ALLOWANCE_MM + fastest_mm_min * (at_ms - before_ms) / 60_000
    edge_mm = blind_mm + STEP_ALLOWANCE_MM
    ends = (value <= edge_mm) | (value > 2 * blind_mm + STEP_ALLOWANCE_MM) | (before - value > can_be)
    begins = ~ends & (before <= edge_mm) & (value - before > can_be)
    # The newest beginning or end decides; row -1 stands for what was carried.
    last = np.maximum.accumulate(np.where(begins | ends, np.arange(len(value)), -1))
    is_doubled = np.where(last < 0, state.is_doubled, begins[last])
    found[known] = is_doubled
    return BlindState(int(at_ms[-1]), float(value[-1]), bool(is_doubled[-1])), found
