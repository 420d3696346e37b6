"""Echoes that are not the water's: fixed things in the tank, and water too near that is heard at twice its distance."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from .arrays import F64, I64

__all__ = ["BLIND_START", "STEP_ALLOWANCE_MM", "BlindState", "Plateau", "doubled", "near_any"]

_DEAF_MS: Final = 3_600_000

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
class Plateau:
    """Ranges that follow one another without a leap: the newest of them, and how it began.

    calm: how many there are, up to three. is_doubled: whether they were taken for doubled echoes. is_leapt_to: whether
    a leap led there, and not the water.
    """

    t_ms: int
    range_mm: float
    calm: int
    is_doubled: bool
    is_leapt_to: bool


@dataclass(frozen=True, slots=True)
class BlindState:
    """now: what the newest range belongs to; None before the first. sure: the newest plateau of three or more."""

    now: Plateau | None
    sure: Plateau | None


BLIND_START = BlindState(None, None)


def doubled(
    state: BlindState, t_ms: I64, range_mm: F64, *, blind_mm: float, fastest_mm_min: float
) -> tuple[BlindState, npt.NDArray[np.bool_]]:
    """Which ranges are of water nearer than `blind_mm`, heard by the echo that went there and back twice.

    range_mm: NaN counts for nothing. It begins where the water came to the edge of the blind zone by itself, and the
    range then leaps to twice as much, but for noise. It ends with the next lasting leap, beyond twice the edge, or
    where nothing was heard for an hour. One or two wild ranges begin and end nothing. Where readings are so far apart
    that water could have fallen as far, nothing is told apart. Source: geometry; there and back twice is twice the way.
    """
    found = np.zeros(len(range_mm), dtype=bool)
    known = np.flatnonzero(~np.isnan(range_mm))
    if not len(known):
        return state, found
    at_ms, value = t_ms[known], range_mm[known]
    now, sure = state.now, state.sure
    first = now is None
    before_ms = np.concatenate([at_ms[:1] if now is None else np.array([now.t_ms]), at_ms[:-1]])
    before_mm = np.concatenate([value[:1] if now is None else np.array([now.range_mm]), value[:-1]])
    after_ms = at_ms - before_ms
    leaps = np.abs(value - before_mm) > STEP_ALLOWANCE_MM + fastest_mm_min * after_ms / 60_000
    begins = np.flatnonzero(leaps | (after_ms > _DEAF_MS)).tolist()
    if first or not begins or begins[0] != 0:
        begins.insert(0, 0)
    top_mm = 2 * blind_mm + STEP_ALLOWANCE_MM
    for k, end in zip(begins, [*begins[1:], len(value)], strict=True):
        calm, is_doubled, is_leapt_to = 0, False, False
        if now is not None and not leaps[k] and after_ms[k] <= _DEAF_MS:
            calm, is_doubled, is_leapt_to = now.calm, now.is_doubled, now.is_leapt_to
        elif sure is not None and at_ms[k] - sure.t_ms <= _DEAF_MS:
            can_be = STEP_ALLOWANCE_MM + fastest_mm_min * float(at_ms[k] - sure.t_ms) / 60_000
            if abs(value[k] - sure.range_mm) <= can_be:
                is_doubled, is_leapt_to = sure.is_doubled, sure.is_leapt_to
            else:
                is_leapt_to = True
                is_at_edge = sure.range_mm <= blind_mm + STEP_ALLOWANCE_MM and not sure.is_leapt_to
                is_doubled = is_at_edge and 2 * (sure.range_mm - STEP_ALLOWANCE_MM) <= float(value[k]) <= top_mm
        beyond = np.flatnonzero(value[k:end] > top_mm)
        if len(beyond):  # far from the blind zone: whatever led there, the water is seen
            found[known[k : k + beyond[0]]] = is_doubled
            is_doubled = is_leapt_to = False
        else:
            found[known[k:end]] = is_doubled
        now = Plateau(int(at_ms[end - 1]), float(value[end - 1]), min(3, calm + end - k), is_doubled, is_leapt_to)
        if now.calm == 3:
            sure = now
    return BlindState(now, sure), found
