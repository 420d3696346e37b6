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

    The curve is K = a + b ln(flow / middle flow), told where b differs from nought; the one figure is then a.
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
    flows = np.array([math.nan if point.flow_l_min is None else point.flow_l_min for point in points])
    slope, curve = _curve(flows[kept], k[kept], u[kept])
    n = int(kept.sum())
    if curve is None:
        weights = 1 / u[kept] ** 2
        value = float((weights * k[kept]).sum() / weights.sum())
        scatter = scatter_of(float((weights * (k[kept] - value) ** 2).sum()), n - 1)
        own, free = scatter.ratio / math.sqrt(float(weights.sum())), n - 1
    else:
        value, scatter, own, free = curve.a, curve.scatter, curve.a_u, n - 2
    total = math.hypot(own, value * shared_u_ratio)
    # Welch and Satterthwaite, JCGM 100:2008, G.4.1. No t is needed where the points scatter no more than they say.
    dof = free * (total / own) ** 4 if scatter.ratio > 1 else math.inf
    told = () if curve is None else curve.told(float(np.nanmin(flows)), float(np.nanmax(flows)), shared_u_ratio)
    return KFit(estimate(value, total, dof=dof, floor=0.0), scatter, tuple(sorted(odd)), slope, told)


def _odd(k: F64, u: F64) -> set[int]:
    """Points far from the median of at least four: by six of the scatter that the rest and their own errors show."""
    if len(k) < 4:
        return set()
    middle = float(np.median(k))
    scatter = 1.4826 * float(np.median(np.abs(k - middle)))
    out: set[int] = {int(i) for i in np.flatnonzero(np.abs(k - middle) > 6 * np.hypot(scatter, u))}
    return out


@dataclass(frozen=True, slots=True)
class _Curve:
    """K = a + b ln(flow / middle_l_min)."""

    middle_l_min: float
    a: float
    a_u: float
    b: float
    b_u: float
    scatter: Scatter

    def told(self, low_l_min: float, high_l_min: float, shared_u_ratio: float) -> tuple[tuple[float, Estimate], ...]:
        """At the least, a middle and the highest flow."""
        found = []
        for flow in np.geomspace(low_l_min, high_l_min, _CURVE_STEPS).tolist():
            x = math.log(flow / self.middle_l_min)
            value = self.a + self.b * x
            u = math.hypot(self.a_u, self.b_u * x, value * shared_u_ratio)
            found.append((flow, estimate(value, u, dof=self.scatter.dof, floor=0.0)))
        return tuple(found)


def _curve(flow: F64, k: F64, u: F64) -> tuple[Answered, _Curve | None]:
    """The slope, and the curve where the slope is no chance."""
    if np.isnan(flow).any() or len(flow) < _FEWEST_FOR_CURVE:
        return Unknown(f"a curve needs {_FEWEST_FOR_CURVE} volumes, each with its time"), None
    if flow.max() < _LEAST_RANGE * flow.min():
        return Unknown(f"all flows lay between {flow.min():.0f} and {flow.max():.0f} L/min, too near for a curve"), None
    weights = 1 / u**2
    at = np.log(flow)
    middle = float((weights * at).sum() / weights.sum())
    x = at - middle
    sxx = float((weights * x * x).sum())
    a = float((weights * k).sum() / weights.sum())
    b = float((weights * x * k).sum() / sxx)
    scatter = scatter_of(float((weights * (k - a - b * x) ** 2).sum()), len(k) - 2)
    a_u, b_u = scatter.ratio / math.sqrt(float(weights.sum())), scatter.ratio / math.sqrt(sxx)
    slope = estimate(b, b_u, dof=scatter.dof)
    assert slope.high is not None
    if slope.low <= 0 <= slope.high:
        return slope, None
    return slope, _Curve(math.exp(middle), a, a_u, b, b_u, scatter)
