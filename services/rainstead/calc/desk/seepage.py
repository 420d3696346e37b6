"""What a tank loses a day besides evaporation, from its levels on standing mornings or from its nights.

Mornings: within a spell the litres follow `a - s t`, with an error that is new each morning (the air's) and one that
adds up from day to day (weather that the evaporation formula does not see, small uses). How much of each there is, is
told by the data themselves: the fit is done for many ratios of the two and averaged by how well each explains them
(restricted likelihood), so that the interval is as wide as few mornings make it.
"""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .estimate import Answered, Estimate, Unknown, estimate
from .nights import Nights
from .standing import Mornings

__all__ = ["FEWEST_MORNINGS", "LossFit", "fit_mornings", "fit_nights", "loss_against_depth", "without_evaporation"]

FEWEST_MORNINGS = 5
_DAY_MS = 86_400_000
_RATIOS = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 100.0)
"""Variance that adds up in a day, over the variance that is new each morning; small ones are likelier beforehand."""
_FEWEST_FREE = 2
_LEAST_RANGE_M = 0.1


@dataclass(frozen=True, slots=True)
class LossFit:
    """Litres lost a day: value, standard uncertainty by chance alone, its degrees of freedom, and what it rests on."""

    loss_l_day: float
    u_l_day: float
    dof: float
    mornings: int
    days: float

    def estimate(self, *other_u_l_day: float, less_l_day: float = 0.0) -> Estimate:
        """With what is known of other losses taken off; each other uncertainty is independent of this one.

        Effective degrees of freedom by Welch and Satterthwaite. Source: JCGM 100:2008, G.4.1.
        """
        u = math.hypot(self.u_l_day, *other_u_l_day)
        dof = math.inf if self.u_l_day == 0 else self.dof * (u / self.u_l_day) ** 4
        return estimate(self.loss_l_day - less_l_day, u, dof=dof)


def without_evaporation(mornings: Mornings, evaporated_l: F64) -> Mornings:
    """The levels as they would be had nothing evaporated. evaporated_l: by each morning, since any fixed time; NaN:
    unknown, and the morning goes."""
    kept = mornings.take(~np.isnan(evaporated_l))
    put_back = evaporated_l[np.searchsorted(mornings.t_ms, kept.t_ms)]
    return Mornings(kept.spell, kept.t_ms, kept.depth_m, kept.volume_l + put_back, kept.noise_u_l, kept.steps)


def fit_mornings(mornings: Mornings) -> LossFit | Unknown:
    """Litres lost a day, one figure for all spells."""
    n, spells = len(mornings), len(np.unique(mornings.spell))
    if n < FEWEST_MORNINGS or n - spells - 1 < _FEWEST_FREE:
        told = "no standing mornings" if n == 0 else f"only {n} standing mornings in {spells} spells"
        return Unknown(
            f"there are {told}: it takes {FEWEST_MORNINGS}, at least two days in a row, "
            "without rain, pump or carted water"
        )
    days = (mornings.t_ms - mornings.t_ms[0]) / _DAY_MS
    lost = np.concatenate([np.diff(days[mornings.spell == k]) for k in range(spells)])
    value, u, dof = _averaged(mornings, days[:, None])
    return LossFit(-float(value[0]), float(u[0]), dof, n, float(lost.sum()))


def loss_against_depth(mornings: Mornings, season_u_l_day: float = 0.0) -> Answered:
    """By how many litres a day the loss grows for each metre of depth; below 0 it shrinks as the tank fills.

    A straight line through a loss that goes with the root of the head: enough to tell growing from shrinking.
    season_u_l_day: by how much what was taken off may be wrong, differently from month to month; over the range of
    depths, which go with the season too, that counts as uncertainty of the effect.
    """
    n, spells = len(mornings), len(np.unique(mornings.spell))
    if n < FEWEST_MORNINGS + 1 or n - spells - 2 < _FEWEST_FREE:
        return Unknown(f"there are only {n} standing mornings")
    low_m, high_m = float(mornings.depth_m.min()), float(mornings.depth_m.max())
    if high_m - low_m < _LEAST_RANGE_M:
        return Unknown(f"the water stood between {low_m:.2f} and {high_m:.2f} m on all standing mornings")
    days = (mornings.t_ms - mornings.t_ms[0]) / _DAY_MS
    middle_m = float(mornings.depth_m.mean())
    above_m = mornings.depth_m - middle_m
    # The regressor is the depth summed over the days so far, by the trapezium rule.
    summed = np.concatenate([[0.0], np.cumsum(np.diff(days) * (above_m[1:] + above_m[:-1]) / 2)])
    value, u, dof = _averaged(mornings, np.column_stack([days, summed]))
    return estimate(-float(value[1]), math.hypot(float(u[1]), season_u_l_day / (high_m - low_m)), dof=dof)


def fit_nights(nights: Nights) -> LossFit | Unknown:
    """The median night's loss, by chance alone: `shared_u_l_day`, which no number of nights lessens, comes on top."""
    n = len(nights)
    if n < FEWEST_MORNINGS:
        return Unknown(
            f"there are only {n} quiet nights: it takes {FEWEST_MORNINGS}, without rain, pump or carted water"
        )
    middle = float(np.median(nights.loss_l_day))
    scatter = 1.4826 * float(np.median(np.abs(nights.loss_l_day - middle)))
    each = max(scatter, float(np.median(nights.loss_u_l_day)))
    # The median of n is noisier than their mean by the root of pi/2.
    u = each * math.sqrt(math.pi / 2 / n)
    return LossFit(middle, u, n - 1, n, float(nights.hours.sum()) / 24)


def _averaged(mornings: Mornings, columns: F64) -> tuple[F64, F64, float]:
    """Coefficients and their standard uncertainties, averaged over the ratios of the two errors."""
    floor2 = float(np.mean(mornings.noise_u_l**2))
    fits = [_fit(mornings, columns, ratio, floor2) for ratio in _RATIOS]
    best = max(fit[2] for fit in fits)
    weight = np.array([math.exp(fit[2] - best) / (1 + ratio) for fit, ratio in zip(fits, _RATIOS, strict=True)])
    weight /= weight.sum()
    values, u2 = np.array([fit[0] for fit in fits]), np.array([fit[1] for fit in fits])
    value = weight @ values
    spread2 = weight @ (u2 + (values - value) ** 2)
    return np.asarray(value), np.sqrt(spread2), float(fits[0][3])


def _fit(mornings: Mornings, columns: F64, ratio: float, floor2: float) -> tuple[F64, F64, float, int]:
    """Generalised least squares with an own level for each spell: values, variances, log restricted likelihood, dof."""
    log_det = 0.0
    xs, ys = [], []
    spells = np.unique(mornings.spell)
    for spell in spells:
        rows = np.flatnonzero(mornings.spell == spell)
        since = (mornings.t_ms[rows] - mornings.t_ms[rows[0]]) / _DAY_MS
        root = np.linalg.cholesky(np.eye(len(rows)) + ratio * np.minimum.outer(since, since))
        one = np.linalg.solve(root, np.ones(len(rows)))
        # Levels are taken from the spell's first, so that no digits are lost to a full tank.
        y = np.linalg.solve(root, mornings.volume_l[rows] - mornings.volume_l[rows[0]])
        x = np.linalg.solve(root, columns[rows] - columns[rows[0]])
        size = float(one @ one)
        ys.append(y - one * float(one @ y) / size)
        xs.append(x - np.outer(one, one @ x) / size)
        log_det += 2 * float(np.log(np.diag(root)).sum()) + math.log(size)
    x, y = np.concatenate(xs), np.concatenate(ys)
    normal = x.T @ x
    inverse = np.linalg.inv(normal)
    value = inverse @ (x.T @ y)
    dof = len(y) - len(spells) - columns.shape[1]
    rss = float(((y - x @ value) ** 2).sum())
    sigma2 = max(rss / dof, floor2)
    log_det += float(np.linalg.slogdet(normal)[1])
    likelihood = -0.5 * (log_det + dof * math.log(sigma2) + rss / sigma2)
    return value, np.diag(inverse) * sigma2, likelihood, dof
