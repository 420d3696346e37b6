"""Pulses per litre of a flow meter, from volumes known otherwise; as a curve where the flow varied."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .calibration import Scatter, scatter_of
from .estimate import Answered, Estimate, Unknown, estimate

__all__ = ["KFit", "KPoint", "fit_k"]

_FEWEST_FOR_CURVE = 4
_LEAST_RANGE = 1.3
_CURVE_STEPS = 3


@dataclass(frozen=True, slots=True)
class KPoint:
    """One known volume and its pulses. own_u_l: what is new in it; flow_l_min: None where the time was not taken."""

    label: str
    volume_l: float
    own_u_l: float
    pulses: int
    flow_l_min: float | None

    @property
    def k_per_l(self) -> float:
        """Pulses per litre."""
        return self.pulses / self.volume_l

    @property
    def own_u_per_l(self) -> float:
        """Its own standard uncertainty: the volume's, and a part pulse at each end (1/sqrt 6)."""
        return self.k_per_l * math.hypot(self.own_u_l / self.volume_l, 1 / (math.sqrt(6) * self.pulses))


@dataclass(frozen=True, slots=True)
class KFit:
    """k_per_l: one figure for all. slope: its change over one e-fold of flow; curve: (flow, K) where it is real.

    odd: index of points that no scatter of the others explains; they are left out of the figure.
    """

    k_per_l: Estimate
    scatter: Scatter
    odd: tuple[int, ...]
    slope: Answered
    curve: tuple[tuple[float, Estimate], ...]


def fit_k(points: Sequence[KPoint], shared_u_ratio: float) -> KFit | Unknown:
    """Weighted mean, its interval widened where the points scatter more than they say. shared_u_ratio: of all volumes.

    The curve is K = a + b ln(flow / middle flow), told where b differs from nought.
    Source: JCGM 100:2008, 5.2 (what is shared does not average out), G.3 (t).
    """
    if not points:
        return Unknown("there is no known volume to count its pulses by")
    if any(point.pulses == 0 for point in points):
        name = next(point.label for point in points if point.pulses == 0)
        return Unknown(f"the meter gave no pulse during {name}: check that it turns, its wiring and its pull-up")
    k = np.array([point.k_per_l for point in points])
    u = np.array([point.own_u_per_l for point in points])
    odd = _odd(k, u)
    kept = np.array([i not in odd for i in range(len(points))])
    weights = 1 / u[kept] ** 2
    mean = float((weights * k[kept]).sum() / weights.sum())
    n = int(kept.sum())
    scatter = scatter_of(float((weights * (k[kept] - mean) ** 2).sum()), n - 1)
    own = scatter.ratio / math.sqrt(float(weights.sum()))
    shared = mean * shared_u_ratio
    total = math.hypot(own, shared)
    dof = (n - 1) * (total / own) ** 4 if scatter.ratio > 1 else math.inf
    flows = np.array([math.nan if point.flow_l_min is None else point.flow_l_min for point in points])
    slope, curve = _curve(flows[kept], k[kept], u[kept], shared_u_ratio)
    return KFit(estimate(mean, total, dof=dof, floor=0.0), scatter, tuple(sorted(odd)), slope, curve)


def _odd(k: F64, u: F64) -> set[int]:
    """Points far from the median of at least four: by six of the scatter that the rest and their own errors show."""
    if len(k) < 4:
        return set()
    middle = float(np.median(k))
    scatter = 1.4826 * float(np.median(np.abs(k - middle)))
    out: set[int] = {int(i) for i in np.flatnonzero(np.abs(k - middle) > 6 * np.hypot(scatter, u))}
    return out


def _curve(flow: F64, k: F64, u: F64, shared_u_ratio: float) -> tuple[Answered, tuple[tuple[float, Estimate], ...]]:
    known = ~np.isnan(flow)
    if known.sum() < _FEWEST_FOR_CURVE:
        return Unknown(f"a curve needs {_FEWEST_FOR_CURVE} volumes whose flow is known; there are {known.sum()}"), ()
    flow, k, u = flow[known], k[known], u[known]
    if flow.max() < _LEAST_RANGE * flow.min():
        return Unknown(f"all flows lay between {flow.min():.0f} and {flow.max():.0f} L/min, too near for a curve"), ()
    weights = 1 / u**2
    at = np.log(flow)
    middle = float((weights * at).sum() / weights.sum())
    x = at - middle
    sxx = float((weights * x * x).sum())
    a = float((weights * k).sum() / weights.sum())
    b = float((weights * x * k).sum() / sxx)
    dof = len(k) - 2
    scatter = scatter_of(float((weights * (k - a - b * x) ** 2).sum()), dof)
    u_a, u_b = scatter.ratio / math.sqrt(float(weights.sum())), scatter.ratio / math.sqrt(sxx)
    slope = estimate(b, u_b, dof=dof)
    assert slope.high is not None
    if slope.low <= 0 <= slope.high:
        return slope, ()
    ends = np.exp(np.linspace(at.min(), at.max(), _CURVE_STEPS))
    told = []
    for one in ends.tolist():
        dx = math.log(one) - middle
        value = a + b * dx
        told.append((one, estimate(value, math.hypot(u_a, u_b * dx, value * shared_u_ratio), dof=dof, floor=0.0)))
    return slope, tuple(told)
