"""Catchment yield over many storms: litres per millimetre and initial loss, by a fit that knows bounds and odd storms.

Each storm's litres are `yield · max(rain - loss, 0)` and an error. A storm that filled the last tank to its brim is
known to have brought at least its litres, and counts as that: the likelihood is a Tobit's (Tobin 1958; Amemiya 1984),
with Student's t in place of the normal so that an odd storm does not pull the line (Lange, Little & Taylor 1989).
"""

import math
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from scipy import optimize, special, stats

from rainstead.calc.arrays import F64, I64

from .estimate import Estimate, Unknown, estimate

__all__ = [
    "FEWEST_STORMS",
    "ODD_ONE_IN",
    "Bound",
    "StormGains",
    "YieldFit",
    "expected_gain",
    "fit_yield",
    "is_odd",
    "relative_gains",
    "step_likelihood",
    "yield_nll",
]

FEWEST_STORMS = 5
"""Exact storms that wetted the roof; with fewer, slope and loss cannot be told from chance."""
ODD_ONE_IN = 100
"""A storm is called odd where so rare a deviation, or a rarer, is left to chance."""

_DOF = 5.0
_SCALE_OF_SD = math.sqrt((_DOF - 2) / _DOF)
_LEAST_MM = 1.0
_MOST_LOSS_MM = 12.0
_OWN_SCATTER = (0.003, 0.4)
_NOISE_RATIO = (0.2, 20.0)
_LEAST_L = 0.1
_LOG_NORM = float(special.gammaln((_DOF + 1) / 2) - special.gammaln(_DOF / 2) - 0.5 * math.log(_DOF * math.pi))


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


@dataclass(frozen=True, slots=True)
class YieldFit:
    """Litres per millimetre as these instruments measure both, and the rain that wets the roof first.

    shared_u_ratio: of errors common to all storms; `yield_true_l_mm` has them in, for rain measured by something else.
    scatter_ratio: how storms differ from one another beyond what measuring explains, relative; noise_ratio: by how much
    the measuring scatters more (or less) than its uncertainty says. cov: of yield and loss.
    """

    yield_l_mm: Estimate
    yield_true_l_mm: Estimate
    loss_mm: Estimate
    scatter_ratio: float
    noise_ratio: float
    shared_u_ratio: float
    exact: int
    bounds: int
    cov: tuple[float, float, float]

    @property
    def theta(self) -> F64:
        """The parameters as the likelihood takes them."""
        return np.array(
            [
                math.log(self.yield_l_mm.value),
                self.loss_mm.value,
                math.log(self.scatter_ratio),
                math.log(self.noise_ratio),
            ]
        )

    def share_of(self, nominal_l_mm: float) -> Estimate:
        """The true yield over the roofs' nominal one, taken as exact."""
        true = self.yield_true_l_mm
        assert true.high is not None
        return Estimate(*(part / nominal_l_mm for part in (true.value, true.u, true.low, true.high)))

    def times(self, ratio: Estimate) -> "YieldFit":
        """The same roofs where they give `ratio` of it; ratio's uncertainty has the yield's in it."""
        a = self.yield_l_mm.value * ratio.value
        assert ratio.high is not None
        per = self.yield_l_mm.value
        own = Estimate(a, ratio.u * per, ratio.low * per, ratio.high * per)
        v_a, v_ab, v_b = self.cov
        rises = own.u**2 / v_a if v_a > 0 else 0.0
        return replace(
            self,
            yield_l_mm=own,
            yield_true_l_mm=_with_shared(own, self.shared_u_ratio),
            cov=(v_a * rises, v_ab * ratio.value, v_b),
        )


def fit_yield(storms: StormGains, *, shared_u_ratio: float = 0.0) -> YieldFit | Unknown:
    """Fit all storms; intervals by profile likelihood, with Student's quantile for few storms.

    Source: profile likelihood as Venzon & Moolgavkar, Appl. Statist. 37 (1988) 87-94; the signed root held against t.
    """
    exact = int(np.sum(storms.bound == Bound.EXACT))
    wet = int(np.sum((storms.bound == Bound.EXACT) & (storms.rain_mm >= _LEAST_MM)))
    if not len(storms):
        return Unknown("there was no storm in that time")
    if not exact and bool(np.all(storms.bound == Bound.AT_LEAST)):
        return Unknown(f"all {len(storms)} storms filled the tanks to the brim, so that each is a lower bound only")
    if wet < FEWEST_STORMS:
        return Unknown(
            f"only {wet} storms of {_LEAST_MM:g} mm or more were measured to the end, and {FEWEST_STORMS} are needed"
        )
    if not np.any(storms.gain_l[storms.bound == Bound.EXACT] > 2 * storms.gain_u_l[storms.bound == Bound.EXACT]):
        return Unknown("no storm brought more water than the levels are uncertain by")
    best, least = _minimise(storms)
    worth = exact + (len(storms) - exact) / 3
    most = (1.96 * _few(worth)) ** 2 / 2
    cov = _covariance(storms, best) * worth / (worth - 2)
    a, b = math.exp(best[0]), float(best[1])
    log_a = _profile(storms, best, least, 0, math.sqrt(cov[0, 0]), most)
    loss = _profile(storms, best, least, 1, math.sqrt(cov[1, 1]), most)
    fitted = Estimate(a, a * math.sqrt(cov[0, 0]), math.exp(log_a[0]), math.exp(log_a[1]))
    return YieldFit(
        yield_l_mm=fitted,
        yield_true_l_mm=_with_shared(fitted, shared_u_ratio),
        loss_mm=Estimate(b, math.sqrt(cov[1, 1]), max(loss[0], 0.0), loss[1]),
        scatter_ratio=math.exp(best[2]),
        noise_ratio=math.exp(best[3]),
        shared_u_ratio=shared_u_ratio,
        exact=exact,
        bounds=len(storms) - exact,
        cov=(float(a * a * cov[0, 0]), float(a * cov[0, 1]), float(cov[1, 1])),
    )


def expected_gain(fit: YieldFit, rain_mm: float, rain_u_mm: float, gain_u_l: float) -> Estimate:
    """What one storm should bring by the fit, with the 95 % interval for that one storm: its own scatter is in it."""
    theta = fit.theta
    columns = [np.array([value]) for value in (rain_mm, rain_u_mm, 0.0, gain_u_l)]
    one = StormGains(columns[0], columns[1], columns[2], columns[3], np.zeros(1, np.int64))
    middle, sd = _model(theta, one)
    wets = float(special.ndtr((rain_mm - theta[1]) / _smooth_mm(one)[0]))
    d_yield, d_loss = float(middle[0]) / fit.yield_l_mm.value, -fit.yield_l_mm.value * wets
    v_a, v_ab, v_b = fit.cov
    u_l = math.sqrt(float(sd[0]) ** 2 + d_yield**2 * v_a + 2 * d_yield * d_loss * v_ab + d_loss**2 * v_b)
    k = float(stats.t.ppf(0.975, _DOF)) * _SCALE_OF_SD * _few(fit.exact + fit.bounds / 3)
    value = float(middle[0])
    return Estimate(value, u_l, max(value - k * u_l, 0.0), value + k * u_l)


def is_odd(expected: Estimate, gain_l: float, bound: Bound) -> bool:
    """Whether chance explains the storm less than once in ODD_ONE_IN; a bound can only be odd on its own side."""
    assert expected.high is not None
    wider = float(stats.t.ppf(1 - 0.5 / ODD_ONE_IN, _DOF) / stats.t.ppf(0.975, _DOF))
    k = wider * (expected.high - expected.value)
    z = gain_l - expected.value
    return (z > k and bound != Bound.AT_MOST) or (z < -k and bound != Bound.AT_LEAST)


def relative_gains(fit: YieldFit, storms: StormGains) -> tuple[F64, F64]:
    """Each storm's litres over what the fit expects, and the standard deviation of that; NaN where nothing is due."""
    middle, sd = _model(fit.theta, storms)
    due = np.where(middle > 0, middle, np.nan)
    return storms.gain_l / due, sd / due


def step_likelihood(fit: YieldFit, storms: StormGains, later: F64, ratio: float) -> float:
    """Negative log likelihood where the storms marked `later` (0 or 1) yield `ratio` times the fit."""
    return _nll(fit.theta, storms, 1 + later * (ratio - 1))


def _few(worth: float) -> float:
    """By how much few storms widen a 95 % interval: Student's quantile, and a scatter that the fit makes too small.

    worth: number of storms, a bound being worth a third of one (the weight of experience: coverage was tried).
    """
    return float(stats.t.ppf(0.975, worth - 2)) / 1.96 * math.sqrt(worth / (worth - 2))


def yield_nll(storms: StormGains, yield_l_mm: float, loss_mm: float, scatter_ratio: float, noise_ratio: float) -> float:
    """Negative log likelihood of the storms, the weak pull of the noise ratio to 1 in it."""
    return _nll(np.array([math.log(yield_l_mm), loss_mm, math.log(scatter_ratio), math.log(noise_ratio)]), storms)


def _with_shared(fitted: Estimate, ratio: float) -> Estimate:
    assert fitted.high is not None
    a, shared = fitted.value, estimate(0.0, fitted.value * ratio)
    assert shared.high is not None
    return Estimate(
        a,
        math.hypot(fitted.u, shared.u),
        max(a - math.hypot(a - fitted.low, shared.high), 0.0),
        a + math.hypot(fitted.high - a, shared.high),
    )


def _smooth_mm(storms: StormGains) -> F64:
    # The bucket's residue blurs the edge of the loss; roofs that differ blur it too.
    return np.maximum(storms.rain_u_mm, 0.05)


def _model(theta: F64, storms: StormGains, factor: F64 | float = 1.0) -> tuple[F64, F64]:
    """Litres expected of each storm, and the standard deviation of what is measured about them."""
    a, b, scatter, noise = math.exp(theta[0]), theta[1], math.exp(theta[2]), math.exp(theta[3])
    blur = _smooth_mm(storms)
    z = (storms.rain_mm - b) / blur
    wets = special.ndtr(z)
    run_mm = (storms.rain_mm - b) * wets + blur * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    middle: F64 = np.asarray(factor * a * run_mm)
    measuring = storms.gain_u_l**2 + (factor * a * wets * storms.rain_u_mm) ** 2
    return middle, np.sqrt(noise**2 * measuring + (scatter * middle) ** 2 + _LEAST_L**2)


def _nll(theta: F64, storms: StormGains, factor: F64 | float = 1.0) -> float:
    return _nll_and_slope(theta, storms, factor)[0]


def _nll_and_slope(theta: F64, storms: StormGains, factor: F64 | float = 1.0) -> tuple[float, F64]:
    """Negative log likelihood and its gradient; a weak pull of the noise ratio to 1, which few storms leave free."""
    a, scatter, noise = math.exp(theta[0]), math.exp(theta[2]), math.exp(theta[3])
    blur = _smooth_mm(storms)
    edge = (storms.rain_mm - theta[1]) / blur
    wets, bell = special.ndtr(edge), np.exp(-edge * edge / 2) / math.sqrt(2 * math.pi)
    middle = factor * a * ((storms.rain_mm - theta[1]) * wets + blur * bell)
    rain_l = factor * a * wets * storms.rain_u_mm
    measuring = storms.gain_u_l**2 + rain_l**2
    variance = noise**2 * measuring + (scatter * middle) ** 2 + _LEAST_L**2
    scale = np.sqrt(variance) * _SCALE_OF_SD
    z = (storms.gain_l - middle) / scale
    exact = storms.bound == Bound.EXACT
    log_shape = _LOG_NORM - (_DOF + 1) / 2 * np.log1p(z * z / _DOF)
    side = np.where(storms.bound > 0, -1.0, 1.0)
    beyond = np.maximum(special.stdtr(_DOF, side * z), 1e-300)
    log_l = np.where(exact, log_shape - np.log(scale), np.log(beyond))
    by_z = np.where(exact, -(_DOF + 1) * z / (_DOF + z * z), side * np.exp(log_shape) / beyond)
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


def _minimise(storms: StormGains) -> tuple[F64, float]:
    good = (storms.bound == Bound.EXACT) & (storms.rain_mm >= _LEAST_MM) & (storms.gain_l > 0)
    found: list[tuple[float, F64]] = []
    for loss in (0.3, 1.5):
        run_mm = np.maximum(storms.rain_mm[good] - loss, 0.3)
        per_mm = float(np.median(storms.gain_l[good] / run_mm)) if good.any() else 1.0
        start = np.array([math.log(max(per_mm, 1e-2)), loss, math.log(0.03), 0.0])
        solved = optimize.minimize(_nll_and_slope, start, args=(storms,), jac=True, method="L-BFGS-B", bounds=_BOUNDS)
        found.append((float(solved.fun), np.asarray(solved.x)))
    least, best = min(found, key=lambda one: one[0])
    return best, least


def _profile(storms: StormGains, best: F64, least: float, k: int, step: float, most: float) -> tuple[float, float]:
    """Where the likelihood, the other parameters free, has fallen by `most` on either side of the best value."""
    others = [j for j in range(4) if j != k]

    def fallen(at: float, start: F64) -> tuple[float, F64]:
        def inner(free: F64) -> tuple[float, F64]:
            theta = np.empty(4)
            theta[k], theta[others] = at, free
            value, slope = _nll_and_slope(theta, storms)
            return value, slope[others]

        bounds = [_BOUNDS[j] for j in others]
        solved = optimize.minimize(inner, start, jac=True, method="L-BFGS-B", bounds=bounds)
        return float(solved.fun) - least, np.asarray(solved.x)

    ends = []
    for sign, limit in ((-1.0, _BOUNDS[k][0]), (1.0, _BOUNDS[k][1])):
        # The root of the fall is nearly a straight line, so that a secant from the best value closes in at once.
        at, root, start = float(best[k]), 0.0, best[others]
        nearer_at, nearer_root = at, 0.0
        slope = math.sqrt(0.5) / max(step, 1e-4)
        for _ in range(8):
            nearer_at, nearer_root = at, root
            at = nearer_at + sign * max((math.sqrt(most) - nearer_root) / slope, -abs(nearer_at - best[k]) / 2)
            at = min(max(at, _BOUNDS[k][0]), _BOUNDS[k][1])
            fall, start = fallen(at, start)
            root = math.sqrt(max(fall, 0.0))
            if abs(root - math.sqrt(most)) < 0.01 or (at == limit and root < math.sqrt(most)):
                break
            if at != nearer_at and root != nearer_root:
                slope = max(abs((root - nearer_root) / (at - nearer_at)), 0.2 * slope)
        ends.append(at)
    return ends[0], ends[1]


def _covariance(storms: StormGains, best: F64) -> F64:
    """Of log yield and loss, from the curvature at the best fit, the scatter held where it is."""
    h = np.array([1e-3, 2e-2])
    grid = np.zeros((2, 2))

    def at(i: float, j: float) -> float:
        theta = best.copy()
        theta[0] += i * h[0]
        theta[1] += j * h[1]
        return _nll(theta, storms)

    middle = at(0, 0)
    grid[0, 0] = (at(1, 0) - 2 * middle + at(-1, 0)) / h[0] ** 2
    grid[1, 1] = (at(0, 1) - 2 * middle + at(0, -1)) / h[1] ** 2
    grid[0, 1] = grid[1, 0] = (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / (4 * h[0] * h[1])
    values, vectors = np.linalg.eigh(grid)
    values = np.maximum(values, 1e-3 * max(float(values.max()), 1e-9))
    cov: F64 = vectors @ np.diag(1 / values) @ vectors.T
    return cov
