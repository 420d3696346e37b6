"""Rain by what several tanks gained at once, to hold against a gauge."""

from typing import Final

import numpy as np

from .arrays import F64

__all__ = ["agreed_rain_mm"]

_TOGETHER: Final = 0.5


def agreed_rain_mm(rain_mm: F64) -> float | None:
    """Rain that all tanks gained at the same time, mm; None where they do not agree, or where there are fewer than two.

    rain_mm: tanks by steps: rain on its own roofs that would explain each tank's gain in each step; negative where it
    fell. Rain comes into all tanks in the same steps, water that somebody lets in into one after the other. So only
    what the least of them gained in a step counts, and that must be at least half of what the slowest tank gained in
    all. Rule of thumb.
    """
    if len(rain_mm) < 2:
        return None
    together = float(np.maximum(rain_mm.min(axis=0), 0.0).sum())
    least = float(rain_mm.sum(axis=1).min())
    return together if least > 0 and together >= _TOGETHER * least else None
