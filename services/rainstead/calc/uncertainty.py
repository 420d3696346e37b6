"""Standard uncertainties and how they add. Follows the GUM (JCGM 100:2008)."""

import math

import numpy as np

from .arrays import F64

__all__ = ["combine", "resolution_u"]


def resolution_u(step: float) -> float:
    """Standard uncertainty of a reading rounded to `step`. Source: JCGM 100:2008, F.2.2.1."""
    return step / math.sqrt(12)


def combine(*parts: F64 | float) -> F64:
    """Root of the sum of squares of independent standard uncertainties, added in the order given.

    Source: JCGM 100:2008, 5.1.2.
    """
    total: F64 | float = 0.0
    for part in parts:
        total = total + part * part
    return np.sqrt(total)
