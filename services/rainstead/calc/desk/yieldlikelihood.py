"""How likely a year of storms is under a roof's yield and loss: Student's t about a line with a knee, bounds as bounds.

The parameters are one array, `theta`: log of the yield (L/mm), loss (mm), log of the scatter of storms (relative), log
of by how much measuring scatters more than its uncertainty says.
"""

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from rainstead.calc.arrays import F64, I64

from .latescipy import scipy

__all__ = [
    "DOF",
    "SCALE_OF_SD",
    "Bound",
    "StormGains",
    "covariance",
    "minimise",
    "model",
    "nll",
    "profile",
    "smooth_mm",
]

DOF = 5.0
SCALE_OF_SD = math.sqrt((DOF - 2) / DOF)
_MOST_LOSS_MM = 12.0
_OWN_SCATTER = (0.003, 0.4)
_NOISE_RATIO = (0.2, 20.0)
_LEAST_L = 0.1
_LEAST_MM = 1.0
_LOG_NORM = math.lgamma((DOF + 1) / 2) - math.lgamma(DOF / 2) - 0.5 * math.log(DOF * math.pi)


class Bound(IntEnum):
    """What is known of a storm's litres."""

    EXACT = 0
    AT_LEAST = 1
    AT_MOST = -1


@dataclass(frozen=True, slots=True)
class StormGains:
    """One row for each storm, in order of time.

    rain_u_mm, gain_u_l: what is new in each storm (bucket residue, noise, draw); an error common to all storms (depth
    per tip, litres per depth) is not in it. bound: see Bound.
    """

    rain_mm: F64
    rain_u_mm: F64
    gain_l: F64
    gain_u_l: F64
    bound: I64

    def __len__(self) -> int:
        return len(self.rain_mm)

    def take(self, which: object) -> "StormGains":
        """Rows that a mask or slice picks."""
        return StormGains(*(getattr(self, name)[which] for name in self.__slots__))


def smooth_mm(storms: StormGains) -> F64:
    # The bucket's residue blurs the edge of the loss; roofs that differ blur it too.
    return np.maximum(storms.rain_u_mm, 0.05)


def model(theta: F64, storms: StormGains, factor: F64 | float = 1.0) -> tuple[F64, F64]:
    """Litres expected of each storm, and the standard deviation of what is measured about them."""
    a, b, scatter, noise = math.exp(theta[0]), theta[1], math.exp(theta[2]), math.exp(theta[3])
    blur = smooth_mm(storms)
    z = (storms.rain_mm - b) / blur
    wets = scipy.special.ndtr(z)
    run_mm = (storms.rain_mm - b) * wets + blur * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    middle: F64 = np.asarray(factor * a * run_mm)
    measuring = storms.gain_u_l**2 + (factor * a * wets * storms.rain_u_mm) ** 2
    return middle, np.sqrt(noise**2 * measuring + (scatter * middle) ** 2 + _LEAST_L**2)


def nll(theta: F64, storms: StormGains, factor: F64 | float = 1.0) -> float:
    return _nll_and_slope(theta, storms, factor)[0]


def _nll_and_slope(theta: F64, storms: StormGains, factor: F64 | float = 1.0) -> tuple[float, F64]:
    """Negative log likelihood and its gradient; a weak pull of the noise ratio to 1, which few storms leave free."""
    a, scatter, noise = math.exp(theta[0]), math.exp(theta[2]), math.exp(theta[3])
    blur = smooth_mm(storms)
    edge = (storms.rain_mm - theta[1]) / blur
    wets, bell = scipy.special.ndtr(edge), np.exp(-edge * edge / 2) / math.sqrt(2 * math.pi)
    middle = factor * a * ((storms.rain_mm - theta[1]) * wets + blur * bell)
    rain_l = factor * a * wets * storms.rain_u_mm
    measuring = storms.gain_u_l**2 + rain_l**2
    variance = noise**2 * measuring + (scatter * middle) ** 2 + _LEAST_L**2
    scale = np.sqrt(variance) * SCALE_OF_SD
    z = (storms.gain_l - middle) / scale
    exact = storms.bound == Bound.EXACT
    log_shape = _LOG_NORM - (DOF + 1) / 2 * np.log1p(z * z / DOF)
    side = np.where(storms.bound > 0, -1.0, 1.0)
    beyond = np.maximum(scipy.special.stdtr(DOF, side * z), 1e-300)
    log_l = np.where(exact, log_shape - np.log(scale), np.log(beyond))
    by_z = np.where(exact, -(DOF + 1) * z / (DOF + z * z), side * np.exp(log_shape) / beyond)
    by_middle = -by_z / scale
    by_variance = -(by_z * z + exact) / (2 * variance)
    shed = factor * a * wets
    slope = np.array(
        [
            np.sum(by_middle * middle + by_variance * 2 * ((noise * rain_l) ** 2 + (scatter * middle) ** 2)),
            np.sum(
                -by_middle * shed
                - by_variance * 2 * ((noise * factor * a * storms.rain_u_mm) ** 2 * wets * bell / blur)
                - by_variance * 2 * scatter**2 * middle * shed
            ),
            np.sum(by_variance * 2 * (scatter * middle) ** 2),
            np.sum(by_variance * 2 * noise**2 * measuring),
        ]
    )
    slope[3] -= theta[3]
    return float(-np.sum(log_l)) + 0.5 * float(theta[3]) ** 2, -slope


_BOUNDS = (
    (math.log(1e-3), math.log(1e7)),
    (0.0, _MOST_LOSS_MM),
    (math.log(_OWN_SCATTER[0]), math.log(_OWN_SCATTER[1])),
    (math.log(_NOISE_RATIO[0]), math.log(_NOISE_RATIO[1])),
)


def minimise(storms: StormGains) -> tuple[F64, float]:
    good = (storms.bound == Bound.EXACT) & (storms.rain_mm >= _LEAST_MM) & (storms.gain_l > 0)
    found: list[tuple[float, F64]] = []
    for loss in (0.3, 1.5):
        run_mm = np.maximum(storms.rain_mm[good] - loss, 0.3)
        per_mm = float(np.median(storms.gain_l[good] / run_mm)) if good.any() else 1.0
        start = np.array([math.log(max(per_mm, 1e-2)), loss, math.log(0.03), 0.0])
        solved = scipy.optimize.minimize(
            _nll_and_slope, start, args=(storms,), jac=True, method="L-BFGS-B", bounds=_BOUNDS
        )
        found.append((float(solved.fun), np.asarray(solved.x)))
    least, best = min(found, key=lambda one: one[0])
    return best, least


def profile(storms: StormGains, best: F64, least: float, k: int, step: float, most: float) -> tuple[float, float]:
    """Where the likelihood, the other parameters free, has fallen by `most` on either side of the best value."""
    others = [j for j in range(4) if j != k]
    usual_mm = max(float(np.median(storms.rain_mm)), float(best[1]) + 1.0)

    def along(at: float, near: F64) -> F64:
        """The others where a storm of usual rain brings what it does at the best: the ridge of yield and loss.

        Without it the search may end in a valley of its own, where the loss swallows the rain of many storms.
        """
        theta = np.empty(4)
        theta[k], theta[others] = at, near
        theta[1 - k] = best[1 - k]
        if k == 0:
            theta[1] = min(max(usual_mm - (usual_mm - best[1]) * math.exp(best[0] - at), 0.0), _MOST_LOSS_MM)
        else:
            theta[0] += math.log((usual_mm - best[1]) / max(usual_mm - at, 0.1))
        return theta[others]

    def fallen(at: float, start: F64) -> tuple[float, F64]:
        def inner(free: F64) -> tuple[float, F64]:
            theta = np.empty(4)
            theta[k], theta[others] = at, free
            value, slope = _nll_and_slope(theta, storms)
            return value, slope[others]

        bounds = [_BOUNDS[j] for j in others]
        solved = scipy.optimize.minimize(inner, along(at, start), jac=True, method="L-BFGS-B", bounds=bounds)
        return float(solved.fun) - least, np.asarray(solved.x)

    ends, farthest = [], (0.7, 3.0)[k]
    for sign, limit in ((-1.0, _BOUNDS[k][0]), (1.0, _BOUNDS[k][1])):
        # The root of the fall is nearly a straight line, so that a secant from the best value closes in at once.
        at, root, start = float(best[k]), 0.0, best[others]
        nearer_at, nearer_root = at, 0.0
        slope = math.sqrt(0.5) / max(step, 1e-4)
        for _ in range(12):
            nearer_at, nearer_root = at, root
            stride = (math.sqrt(most) - nearer_root) / slope
            at = nearer_at + sign * min(max(stride, -abs(nearer_at - best[k]) / 2), farthest)
            at = min(max(at, _BOUNDS[k][0]), _BOUNDS[k][1])
            fall, start = fallen(at, start)
            root = math.sqrt(max(fall, 0.0))
            if abs(root - math.sqrt(most)) < 0.01 or (at == limit and root < math.sqrt(most)):
                break
            if at != nearer_at and root != nearer_root:
                slope = max(abs((root - nearer_root) / (at - nearer_at)), 0.2 * slope)
        ends.append(at)
    return ends[0], ends[1]


def covariance(storms: StormGains, best: F64) -> F64:
    """Of log yield and loss, from the curvature at the best fit, the scatter held where it is."""
    h = np.array([1e-3, 2e-2])
    grid = np.zeros((2, 2))

    def at(i: float, j: float) -> float:
        theta = best.copy()
        theta[0] += i * h[0]
        theta[1] += j * h[1]
        return nll(theta, storms)

    middle = at(0, 0)
    grid[0, 0] = (at(1, 0) - 2 * middle + at(-1, 0)) / h[0] ** 2
    grid[1, 1] = (at(0, 1) - 2 * middle + at(0, -1)) / h[1] ** 2
    grid[0, 1] = grid[1, 0] = (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / (4 * h[0] * h[1])
    values, vectors = np.linalg.eigh(grid)
    values = np.maximum(values, 1e-3 * max(float(values.max()), 1e-9))
    cov: F64 = vectors @ np.diag(1 / values) @ vectors.T
    return cov
