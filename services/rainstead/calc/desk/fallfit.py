"""A pump run seen in the tank alone: the level stands, falls in a straight line, and stands again."""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .estimate import Estimate, Unknown, estimate
from .latescipy import scipy
from .levels import TankMinutes

__all__ = ["Fall", "FallSpan", "fall_fit", "steep_falls"]

_HALF_MINUTE_MS = 30_000
_WINDOW = 4
_AROUND_MS = 15 * 60_000
_BENDS_FROM_MS = 12 * 60_000


@dataclass(frozen=True, slots=True)
class FallSpan:
    """Roughly when a level fell steeply."""

    start_ms: int
    end_ms: int
    fell_l: float


@dataclass(frozen=True, slots=True)
class Fall:
    """Beginning and end by the fit, each with its standard uncertainty in seconds, and the flow out of the tank.

    flow_l_min: by the slope; its u is of chance alone, so that the tank's own parts are still to be added.
    """

    start_ms: int
    start_u_s: float
    end_ms: int
    end_u_s: float
    flow_l_min: Estimate
    points: int


def steep_falls(minutes: TankMinutes, *, least_l_min: float = 12.0) -> tuple[FallSpan, ...]:
    """Where a tank lost more than `least_l_min` over some minutes, well above its noise.

    A tap or a hose can do so too: what a pump is, the owner has to say.
    """
    if len(minutes.t_ms) <= _WINDOW:
        return ()
    dt_min = (minutes.t_ms[_WINDOW:] - minutes.t_ms[:-_WINDOW]) / 60_000
    fell_l = minutes.volume_l[:-_WINDOW] - minutes.volume_l[_WINDOW:]
    noise_l = np.hypot(minutes.noise_u_l[:-_WINDOW], minutes.noise_u_l[_WINDOW:])
    steep = np.flatnonzero((dt_min <= 2 * _WINDOW) & (fell_l > np.maximum(least_l_min * dt_min, 5 * noise_l)))
    found: list[FallSpan] = []
    for group in np.split(steep, np.flatnonzero(np.diff(steep) > _WINDOW) + 1):
        if len(group):
            first, last = int(group[0]), int(group[-1]) + _WINDOW
            found.append(
                FallSpan(
                    int(minutes.t_ms[first]),
                    int(minutes.t_ms[last]),
                    float(minutes.volume_l[first] - minutes.volume_l[last]),
                )
            )
    return tuple(found)


def fall_fit(minutes: TankMinutes, span: FallSpan) -> Fall | Unknown:
    """Least squares of level, fall, level around a steep fall. Needs six minutes, three of them falling.

    The fall is straight, or where twelve minutes of it were seen, bent as that of a pump whose flow changes evenly;
    `flow_l_min` is its mean. A minute's median stands for its middle. Where points scatter more than their noise says,
    all is widened by that much (Birge's ratio).
    """
    some = minutes.between(span.start_ms - _AROUND_MS, span.end_ms + _AROUND_MS)
    n = len(some.t_ms)
    if n < 6:
        return Unknown(f"there are only {n} good minutes of {minutes.tank} around it")
    origin_ms = int(some.t_ms[0])
    t_min = (some.t_ms - _HALF_MINUTE_MS - origin_ms) / 60_000
    volume_l, noise_l = some.volume_l, np.maximum(some.noise_u_l, 1e-6)
    bends = span.end_ms - span.start_ms >= _BENDS_FROM_MS

    def model(some: F64) -> F64:
        full_l, flow, begins, lasts = some[:4]
        x = np.clip(t_min - begins, 0.0, lasts)
        left: F64 = full_l - flow * x - (some[4] * x * (lasts - x) if bends else 0.0)
        return left

    def off(some: F64) -> F64:
        far: F64 = (volume_l - model(some)) / noise_l
        return far

    begins = (span.start_ms - origin_ms) / 60_000
    lasts = max((span.end_ms - span.start_ms) / 60_000, 1.0)
    guess = np.array([float(volume_l[0]), span.fell_l / lasts, begins, lasts, *([0.0] if bends else [])])
    fit = scipy.optimize.least_squares(off, guess, method="lm", max_nfev=2000)
    found = fit.x
    of_fit = fit.jac.T @ fit.jac
    if not fit.success or np.linalg.cond(of_fit) > 1e14:
        return Unknown(f"the fall of {minutes.tank} is not that of a pump")
    cov = np.linalg.inv(of_fit)
    falling = int(np.count_nonzero((t_min > found[2]) & (t_min < found[2] + found[3])))
    if falling < 3 or found[1] <= 0:
        return Unknown(f"only {max(falling, 0)} minutes of a fall of {minutes.tank} were seen")
    dof = max(n - len(found), 1)
    chi2 = float(np.sum(off(found) ** 2)) / dof
    widen = math.sqrt(max(chi2, 1.0))
    u = np.sqrt(np.diag(cov)) * widen
    end_u = math.sqrt(max(float(cov[2, 2] + cov[3, 3] + 2 * cov[2, 3]), 0.0)) * widen
    return Fall(
        start_ms=origin_ms + round(float(found[2]) * 60_000),
        start_u_s=float(u[2]) * 60,
        end_ms=origin_ms + round(float(found[2] + found[3]) * 60_000),
        end_u_s=end_u * 60,
        flow_l_min=estimate(float(found[1]), float(u[1]), dof=dof, floor=0.0),
        points=falling,
    )
