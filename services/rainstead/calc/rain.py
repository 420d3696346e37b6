"""Tips to millimetres, and to intensity by the time between them."""

from dataclasses import dataclass

import numpy as np

from .arrays import F64, I64

__all__ = ["TIP_START", "TipState", "tip_rows"]


@dataclass(frozen=True, slots=True)
class TipState:
    """When the newest tip was; None before the first."""

    last_ms: int | None


TIP_START = TipState(None)


def tip_rows(state: TipState, t_ms: I64, tips: I64, depth_per_tip_mm: F64) -> tuple[TipState, F64, F64]:
    """Rain of each row, mm, and its intensity, mm/h, over the time since the tip before.

    A row without tips has rain 0 and intensity NaN, and the first tip of all has intensity NaN: nobody knows how
    long its bucket took. Source of the intensity: I = 3600 d / dt (Dunkerley, Water 2024, 16(7), 998).
    """
    rain_mm = tips * depth_per_tip_mm
    intensity = np.full(len(t_ms), np.nan)
    tipped = np.flatnonzero(tips > 0)
    if not len(tipped):
        return state, rain_mm, intensity
    at_ms = t_ms[tipped]
    gap_ms = np.empty(len(at_ms))
    gap_ms[0] = np.nan if state.last_ms is None else at_ms[0] - state.last_ms
    gap_ms[1:] = at_ms[1:] - at_ms[:-1]
    # Two segments of the log can hold one stamp twice: no time between them is no intensity.
    intensity[tipped] = rain_mm[tipped] * 3_600_000.0 / np.where(gap_ms > 0, gap_ms, np.nan)
    return TipState(int(at_ms[-1])), rain_mm, intensity
