"""Depth of rain per tip, from a known volume poured slowly through the gauge."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .estimate import Answered, Unknown, estimate

__all__ = ["Pour", "depth_per_tip_mm", "tip_volume_ml"]

_FEWEST_TIPS = 5


@dataclass(frozen=True, slots=True)
class Pour:
    """A volume poured, and the tips that it made, once for each time it was done.

    volume_u_l: of the vessel, one error for all pours. on_tips: begun just after a tip and ended at one, so that no
    part of a tip is left over.
    """

    volume_l: float
    volume_u_l: float
    funnel_m: float
    funnel_u_m: float
    tips: tuple[int, ...]
    on_tips: bool = False


def tip_volume_ml(depth_per_tip_mm: float, funnel_m: float) -> float:
    """Millilitres of one tip. Source: pi/4 D^2 d."""
    return depth_per_tip_mm * _area_m2(funnel_m) * 1000


def depth_per_tip_mm(pour: Pour) -> Answered:
    """V / (pi/4 D^2) / N. Several pours tell the scatter (Student's t), one is trusted as far as the part tips allow.

    Uncertainty: vessel, funnel (twice its relative own, for the area), unknown residues of the bucket at both ends
    (1/sqrt 6 tip), and the scatter. Source: JCGM 100:2008, 4.2 (repeated readings), 5.1 (combination).
    """
    counts = pour.tips
    if not counts:
        return Unknown("no tips were counted")
    if min(counts) < _FEWEST_TIPS:
        return Unknown(
            f"{min(counts)} tips are too few: half a tip at each end is {100 / max(min(counts), 1):.0f} % of them; "
            "pour enough for fifty"
        )
    area_m2 = _area_m2(pour.funnel_m)
    each = np.array([pour.volume_l / area_m2 / count for count in counts])
    value = float(each.mean())
    residue = 0.0 if pour.on_tips else value / (math.sqrt(6) * float(np.mean(counts)) * math.sqrt(len(counts)))
    shared = value * math.hypot(pour.volume_u_l / pour.volume_l, 2 * pour.funnel_u_m / pour.funnel_m)
    return _with_scatter(value, each, residue, shared)


def _with_scatter(value: float, each: Sequence[float] | np.ndarray, residue: float, shared: float) -> Answered:
    n = len(each)
    if n < 2:
        return estimate(value, math.hypot(residue, shared), floor=0.0)
    own = float(np.std(each, ddof=1)) / math.sqrt(n)
    if own <= residue:
        # The part tips explain all that is seen.
        return estimate(value, math.hypot(residue, shared), floor=0.0)
    u = math.hypot(own, shared)
    # Welch and Satterthwaite (JCGM 100:2008, G.4.1) with infinite degrees of freedom for the vessel.
    return estimate(value, u, dof=(n - 1) * (u / own) ** 4, floor=0.0)


def _area_m2(funnel_m: float) -> float:
    return math.pi / 4 * funnel_m * funnel_m
