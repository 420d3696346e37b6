"""Runs at one nozzle setting, one after the other: is the pump getting weaker, and what will it give next time?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .estimate import Answered, Estimate, Unknown, estimate
from .latescipy import scipy

__all__ = ["FlowTrend", "RunFlow", "flow_trend", "next_flow"]

_DAY_MS = 86_400_000
_USUAL_SCATTER = 0.05
"""Runs of a small petrol pump at one setting differ by about this ratio, one standard deviation; common practice."""
_USUAL_RUNS = 4
"""That figure counts as much as so many runs seen."""


@dataclass(frozen=True, slots=True)
class RunFlow:
    """A run's steady flow. own_u_l_min leaves out what all runs share, as the K-factor."""

    t_ms: int
    flow_l_min: float
    own_u_l_min: float


@dataclass(frozen=True, slots=True)
class FlowTrend:
    """A straight line through runs at one setting.

    change_l_min: from the first run to the last, along the line. change_ratio: the same over the flow at the first.
    p: how often chance alone would give as steep a line. verdict: weaker; stronger; no_change_seen.
    scatter_l_min: standard deviation between runs beyond what the meter explains.
    """

    runs: int
    days: float
    change_l_min: Estimate
    change_ratio: Estimate
    p: float
    verdict: str
    scatter_l_min: float


def flow_trend(runs: Sequence[RunFlow]) -> FlowTrend | Unknown:
    """Weighted least squares, with a scatter between runs that is found from the runs themselves.

    The scatter is that of Paule and Mandel (1982): the weighted sum of squares is what chance would make it. The
    slope's uncertainty is Knapp and Hartung's (2003), by Student's t with n - 2 degrees of freedom.
    """
    n = len(runs)
    if n < 3:
        return Unknown(f"a trend needs at least three runs at the same setting, and there {_are(n)}")
    t_day = np.array([run.t_ms - runs[0].t_ms for run in runs]) / _DAY_MS
    days = float(np.ptp(t_day))
    if days <= 0:
        return Unknown("all runs at this setting were at the same time")
    flow = np.array([run.flow_l_min for run in runs])
    own2 = np.maximum(np.array([run.own_u_l_min for run in runs]), 1e-6 * float(np.mean(flow))) ** 2
    design = np.column_stack([np.ones(n), t_day])
    scatter2 = _between(design, flow, own2)
    beta, cov, q = _weighted(design, flow, own2 + scatter2)
    cov = cov * max(q / (n - 2), 1.0)
    slope, u = float(beta[1]), math.sqrt(float(cov[1, 1]))
    change = estimate(slope * days, u * days, dof=n - 2)
    assert change.high is not None
    first = float(beta[0] + beta[1] * np.min(t_day))
    by_u = abs(slope) / u if u > 0 else math.inf
    verdict = "weaker" if change.high < 0 else "stronger" if change.low > 0 else "no_change_seen"
    return FlowTrend(
        runs=n,
        days=days,
        change_l_min=change,
        change_ratio=Estimate(change.value / first, change.u / first, change.low / first, change.high / first),
        p=2 * float(scipy.stats.t.sf(by_u, n - 2)),
        verdict=verdict,
        scatter_l_min=math.sqrt(scatter2),
    )


def next_flow(runs: Sequence[RunFlow], shared_u_ratio: float) -> Answered:
    """What the next run at this setting will give, with the interval for that one run.

    The scatter between runs is found from them and from the usual one, which counts as four runs: so that one run, or
    two that happen to be alike, are not taken for a promise.
    """
    if not runs:
        return Unknown("there is no run at this setting with a steady flow")
    flow = np.array([run.flow_l_min for run in runs])
    own2 = np.array([run.own_u_l_min for run in runs]) ** 2
    n, mean = len(runs), float(np.mean(flow))
    squares = float(np.sum((flow - mean) ** 2))
    dof = _USUAL_RUNS + n - 1
    scatter2 = (_USUAL_RUNS * (_USUAL_SCATTER * mean) ** 2 + squares) / dof
    u = math.sqrt(scatter2 * (1 + 1 / n) + float(np.mean(own2)) / n + (mean * shared_u_ratio) ** 2)
    return estimate(mean, u, dof=dof, floor=0.0)


def _weighted(design: F64, y: F64, var: F64) -> tuple[F64, F64, float]:
    root = 1 / np.sqrt(var)
    beta = np.asarray(np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0], dtype=np.float64)
    cov: F64 = np.asarray(np.linalg.inv((design / var[:, None]).T @ design), dtype=np.float64)
    return beta, cov, float(np.sum(((y - design @ beta) * root) ** 2))


def _between(design: F64, y: F64, own2: F64) -> float:
    """Variance between runs at which the weighted squares are n - 2; 0 where they are fewer without any."""
    dof = int(len(y) - design.shape[1])

    def excess(between2: float) -> float:
        return _weighted(design, y, own2 + between2)[2] - dof

    if excess(0.0) <= 0:
        return 0.0
    most = float(np.var(y)) * len(y) + float(np.max(own2))
    while excess(most) > 0:
        most *= 4
    root: float = scipy.optimize.brentq(excess, 0.0, most)
    return root


def _are(n: int) -> str:
    return {0: "are none", 1: "is one"}.get(n, f"are {n}")
