"""Known volumes let into a tank or out of it, each between two levels: what litres per depth are worked out from.

Errors of levels are kept by level, not by step: a dip between two fills errs both ways, and cancels in their sum; the
air's error fades over hours as in `levels`. The zero of dip or ranger is left out: in a difference there is none.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .calibration import Scatter, scatter_of
from .estimate import Estimate, Unknown, estimate
from .latescipy import scipy
from .levels import AIR_DRIFT_MS

__all__ = ["FillStep", "StraightFit", "WaterLevel", "covariance", "fit_straight", "told_apart", "zero_depth_m"]

_LEAST_SPANS = 5.0
"""A step is of use where its levels lie this many of their standard uncertainties apart."""


@dataclass(frozen=True, slots=True)
class WaterLevel:
    """Still water at a time: depth, what is new in each level, and what the air feigns (0 for a dip)."""

    t_ms: int
    depth_m: float
    noise_u_m: float
    sound_u_m: float


@dataclass(frozen=True, slots=True)
class FillStep:
    """Litres into the tank (negative: out of it) between two levels. source: steps of one share its relative error."""

    label: str
    before: WaterLevel
    after: WaterLevel
    volume_l: float
    own_u_l: float
    source: str
    source_u_ratio: float

    @property
    def rise_m(self) -> float:
        """How far the level went up."""
        return self.after.depth_m - self.before.depth_m


@dataclass(frozen=True, slots=True)
class StraightFit:
    """One figure of litres per metre for all steps."""

    l_per_m: Estimate
    scatter: Scatter


def told_apart(step: FillStep) -> bool:
    """Whether its levels lie far enough apart for the step to say anything."""
    return abs(step.rise_m) >= _LEAST_SPANS * math.sqrt(float(_rise_covariance((step,))[0, 0]))


def covariance(steps: Sequence[FillStep], l_per_m: F64) -> F64:
    """Of litres known less litres by the levels. l_per_m: of each step, that turns a level's error into litres."""
    return _litres_covariance(steps) + np.outer(l_per_m, l_per_m) * _rise_covariance(steps)


def fit_straight(steps: Sequence[FillStep]) -> StraightFit | Unknown:
    """Litres per metre of a tank with upright walls, by most likelihood, both litres and levels being uncertain.

    A step whose litres and rise go opposite ways contradicts itself, and no figure is given.
    """
    if not steps:
        return Unknown("there is no known volume with a level before and after it")
    backwards = [step.label for step in steps if step.rise_m * step.volume_l <= 0]
    if backwards:
        return Unknown(
            f"the level went the wrong way during {backwards[0]}: something else moved water, or a note is wrong"
        )
    rise = np.array([step.rise_m for step in steps])
    volume_l = np.array([step.volume_l for step in steps])
    each = volume_l / rise
    of_litres, of_rises = _litres_covariance(steps), _rise_covariance(steps)

    def misfit(log_slope: float) -> float:
        slope = math.exp(log_slope)
        return _squares(volume_l - slope * rise, of_litres + slope * slope * of_rises)

    low, high = math.log(float(each.min()) / 2), math.log(float(each.max()) * 2)
    best = scipy.optimize.minimize_scalar(misfit, bounds=(low, high), method="bounded", options={"xatol": 1e-10})
    slope = math.exp(float(best.x))
    c = of_litres + slope * slope * of_rises
    # Of that, what is shared by all must not be shrunk by averaging: so the whole covariance, not its diagonal.
    u = 1 / math.sqrt(float(rise @ scipy.linalg.solve(c, rise, assume_a="pos")))
    scatter = scatter_of(float(best.fun), len(steps) - 1)
    dof = scatter.dof if scatter.contradict else math.inf
    widened = u * (scatter.ratio if scatter.contradict else 1.0)
    return StraightFit(estimate(slope, widened, dof=dof, floor=0.0), scatter)


def zero_depth_m(first: FillStep, l_per_m: Estimate) -> Estimate:
    """Depth at which the tank would hold nothing, from a first fill that began with it empty.

    Below it the floor is dished or has rubble on it: the litres do not show in the depth.
    """
    by_litres = first.volume_l / l_per_m.value
    ratio = math.hypot(first.own_u_l / first.volume_l, first.source_u_ratio, l_per_m.u / l_per_m.value)
    u = math.hypot(first.after.noise_u_m, first.after.sound_u_m, by_litres * ratio)
    return estimate(first.after.depth_m - by_litres, u)


def _litres_covariance(steps: Sequence[FillStep]) -> F64:
    """Of the known litres: what is new in each, and what steps of one source share."""
    litres = np.diag([step.own_u_l**2 for step in steps])
    for source in {step.source for step in steps}:
        shared = np.array([step.volume_l * step.source_u_ratio if step.source == source else 0.0 for step in steps])
        litres = litres + np.outer(shared, shared)
    return litres


def _rise_covariance(steps: Sequence[FillStep]) -> F64:
    """Of the steps' rises, by the levels that they share and by how far apart in time these were."""
    levels = list(dict.fromkeys(level for step in steps for level in (step.before, step.after)))
    at = {level: k for k, level in enumerate(levels)}
    t_ms = np.array([level.t_ms for level in levels], dtype=np.float64)
    sound = np.array([level.sound_u_m for level in levels])
    alike = np.exp(-np.abs(t_ms[:, None] - t_ms) / AIR_DRIFT_MS)
    of_levels = np.outer(sound, sound) * alike + np.diag([level.noise_u_m**2 for level in levels])
    ends = np.zeros((len(steps), len(levels)))
    for k, step in enumerate(steps):
        ends[k, at[step.after]] += 1.0
        ends[k, at[step.before]] -= 1.0
    rises: F64 = ends @ of_levels @ ends.T
    return rises


def _squares(residual: F64, c: F64) -> float:
    return float(residual @ scipy.linalg.solve(c, residual, assume_a="pos"))
