"""Catchment yield over many storms: litres per millimetre and initial loss, by a fit that knows bounds and odd storms.

Each storm's litres are `yield · max(rain - loss, 0)` and an error. A storm that filled the last tank to its brim is
known to have brought at least its litres, and counts as that: the likelihood is a Tobit's (Tobin 1958; Amemiya 1984),
with Student's t in place of the normal so that an odd storm does not pull the line (Lange, Little & Taylor 1989).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from rainstead.calc.arrays import F64

from .estimate import Estimate, Unknown
from .latescipy import scipy
from .yieldlikelihood import (
    DOF,
    SCALE_OF_SD,
    Bound,
    StormGains,
    covariance,
    minimise,
    model,
    nll,
    profile,
    smooth_mm,
)

__all__ = [
    "FEWEST_STORMS",
    "ODD_ONE_IN",
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

_LEAST_MM = 1.0


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
    def worth(self) -> float:
        """How many storms the fit is worth: a bound is worth a third of one (experience: coverage was tried)."""
        return self.exact + self.bounds / 3

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
            yield_true_l_mm=_with_shared(own, self.shared_u_ratio, self.worth),
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
            f"{FEWEST_STORMS} storms of {_LEAST_MM:g} mm or more must be measured to the end, and there are {wet}"
        )
    if not np.any(storms.gain_l[storms.bound == Bound.EXACT] > 2 * storms.gain_u_l[storms.bound == Bound.EXACT]):
        return Unknown("no storm brought more water than the levels are uncertain by")
    best, least = minimise(storms)
    worth = exact + (len(storms) - exact) / 3
    most = (1.96 * _few(worth)) ** 2 / 2
    cov = covariance(storms, best) * worth / (worth - 2)
    a, b = math.exp(best[0]), float(best[1])
    log_a = profile(storms, best, least, 0, math.sqrt(cov[0, 0]), most)
    loss = profile(storms, best, least, 1, math.sqrt(cov[1, 1]), most)
    fitted = Estimate(a, a * math.sqrt(cov[0, 0]), math.exp(log_a[0]), math.exp(log_a[1]))
    return YieldFit(
        yield_l_mm=fitted,
        yield_true_l_mm=_with_shared(fitted, shared_u_ratio, worth),
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
    middle, sd = model(theta, one)
    wets = float(scipy.special.ndtr((rain_mm - theta[1]) / smooth_mm(one)[0]))
    d_yield, d_loss = float(middle[0]) / fit.yield_l_mm.value, -fit.yield_l_mm.value * wets
    v_a, v_ab, v_b = fit.cov
    u_l = math.sqrt(float(sd[0]) ** 2 + d_yield**2 * v_a + 2 * d_yield * d_loss * v_ab + d_loss**2 * v_b)
    k = float(scipy.stats.t.ppf(0.975, DOF)) * SCALE_OF_SD * _few(fit.worth)
    value = float(middle[0])
    return Estimate(value, u_l, max(value - k * u_l, 0.0), value + k * u_l)


def is_odd(expected: Estimate, gain_l: float, bound: Bound) -> bool:
    """Whether chance explains the storm less than once in ODD_ONE_IN; a bound can only be odd on its own side."""
    assert expected.high is not None
    wider = float(scipy.stats.t.ppf(1 - 0.5 / ODD_ONE_IN, DOF) / scipy.stats.t.ppf(0.975, DOF))
    k = wider * (expected.high - expected.value)
    z = gain_l - expected.value
    return (z > k and bound != Bound.AT_MOST) or (z < -k and bound != Bound.AT_LEAST)


def relative_gains(fit: YieldFit, storms: StormGains) -> tuple[F64, F64]:
    """Each storm's litres over what the fit expects, and the standard deviation of that; NaN where nothing is due."""
    middle, sd = model(fit.theta, storms)
    due = np.where(middle > 0, middle, np.nan)
    return storms.gain_l / due, sd / due


def step_likelihood(fit: YieldFit, storms: StormGains, later: F64, ratio: float) -> float:
    """Negative log likelihood where the storms marked `later` (0 or 1) yield `ratio` times the fit."""
    return nll(fit.theta, storms, 1 + later * (ratio - 1))


def _few(worth: float) -> float:
    """By how much few storms widen a 95 % interval: Student's quantile, and a scatter that the fit makes too small.

    worth: number of storms (see YieldFit).
    """
    return float(scipy.stats.t.ppf(0.975, worth - 2)) / 1.96 * math.sqrt(worth / (worth - 2))


def yield_nll(storms: StormGains, yield_l_mm: float, loss_mm: float, scatter_ratio: float, noise_ratio: float) -> float:
    """Negative log likelihood of the storms, the weak pull of the noise ratio to 1 in it."""
    return nll(np.array([math.log(yield_l_mm), loss_mm, math.log(scatter_ratio), math.log(noise_ratio)]), storms)


def _with_shared(fitted: Estimate, ratio: float, worth: float) -> Estimate:
    """An error common to all storms on top of a fit to so many: effective degrees of freedom.

    Source: JCGM 100:2008, G.4.1 (Welch and Satterthwaite).
    """
    assert fitted.high is not None
    a, shared_u, dof = fitted.value, fitted.value * ratio, worth - 2

    def half(own: float) -> float:
        own_u = own / float(scipy.stats.t.ppf(0.975, dof))
        u = math.hypot(own_u, shared_u)
        return u * float(scipy.stats.t.ppf(0.975, dof * (u / own_u) ** 4 if own_u > 0 else math.inf))

    low, high = half(a - fitted.low), half(fitted.high - a)
    return Estimate(a, math.hypot(fitted.u, shared_u), max(a - low, 0.0), a + high)
