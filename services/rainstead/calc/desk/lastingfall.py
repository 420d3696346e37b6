"""A lasting fall of the yield told apart from one odd storm: a split of the storms in time, tested by shuffling them.

Each measured storm's litres over what the fit expects, in robust standard deviations, cut off at two and a half: with
three later storms at the least, no single one can make a fall. The statistic is the most of Student's two-sample t over
all splits; what chance makes of it is seen by shuffling the storms, which assumes no shape of their errors.
"""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .catchment import YieldFit, fit_yield, relative_gains, step_likelihood
from .estimate import Estimate, Unknown
from .latescipy import scipy
from .yieldlikelihood import Bound, StormGains

__all__ = ["FALSE_ONE_IN", "LastingChange", "change_at", "lasting_change"]

FALSE_ONE_IN = 100
"""Of sites whose roofs stay as they are, one in so many is told of a change at one look."""
_FEWEST_BEFORE = 5
_FEWEST_AFTER = 3
_CUT = 2.5
_SHUFFLES = 1999


@dataclass(frozen=True, slots=True)
class LastingChange:
    """From storm number `first` (counted from 0 among all) the yield is `ratio` of what it was before.

    chance: how often shuffled storms show as much. before: the fit of the storms before it.
    """

    first: int
    ratio: Estimate
    chance: float
    before: YieldFit


def lasting_change(storms: StormGains, fit: YieldFit, *, seed: int = 1) -> LastingChange | None:
    """The likeliest change that lasts to the end, or None. Shuffling is seeded: the same storms, the same answer."""
    place = np.flatnonzero(storms.bound == Bound.EXACT)
    relative, sd = relative_gains(fit, storms.take(place))
    due = np.isfinite(relative) & (storms.rain_mm[place] > fit.loss_mm.value + 0.5)
    place, score = place[due], ((relative - 1) / sd)[due]
    if len(place) < _FEWEST_BEFORE + _FEWEST_AFTER:
        return None
    # About the middle storm and by the storms' own spread: a change has pulled the fit askew and widened its scatter.
    score -= np.median(score)
    spread = 1.4826 * float(np.median(np.abs(score)))
    score = np.clip(score / max(spread, 1e-9), -_CUT, _CUT)
    seen, split = _most(score[None, :])
    rng = np.random.default_rng([seed, len(score)])
    shuffled, _ = _most(rng.permuted(np.tile(score, (_SHUFFLES, 1)), axis=1))
    chance = (1 + int(np.sum(shuffled >= seen[0]))) / (_SHUFFLES + 1)
    if chance > 1 / FALSE_ONE_IN:
        return None
    return change_at(storms, int(place[split[0]]), chance, fit.shared_u_ratio)


def change_at(storms: StormGains, first: int, chance: float, shared_u_ratio: float) -> LastingChange | None:
    """By how much the storms from number `first` on differ from those before; None where these are too few to fit."""
    early = np.arange(len(storms)) < first
    before = fit_yield(storms.take(early), shared_u_ratio=shared_u_ratio)
    if isinstance(before, Unknown) or early.all():
        return None
    return LastingChange(first, _ratio(storms.take(~early), before), chance, before)


def _most(score: F64) -> tuple[F64, F64]:
    """Largest |t| over the splits of each row, and the number of storms before that split."""
    n = score.shape[1]
    before = np.arange(_FEWEST_BEFORE, n - _FEWEST_AFTER + 1)
    total, squares = np.cumsum(score, axis=1), np.sum(score**2, axis=1, keepdims=True)
    one = total[:, before - 1]
    two = total[:, -1:] - one
    within = squares - one**2 / before - two**2 / (n - before)
    spread = np.sqrt(np.maximum(within, 1e-12) / (n - 2) * (1 / before + 1 / (n - before)))
    t = np.abs(one / before - two / (n - before)) / spread
    at = np.argmax(t, axis=1)
    return t[np.arange(len(t)), at], before[at]


def _ratio(later: StormGains, before: YieldFit) -> Estimate:
    """By likelihood of the later storms, bounds among them; the fit before has its own uncertainty."""
    all_later = np.ones(len(later))

    def nll(ratio: float) -> float:
        return step_likelihood(before, later, all_later, ratio)

    grid = np.linspace(0.02, 2.0, 100)
    start = float(grid[np.argmin([nll(ratio) for ratio in grid])])
    solved = scipy.optimize.minimize_scalar(nll, bounds=(max(start - 0.04, 0.001), start + 0.04), method="bounded")
    best, least = float(solved.x), float(solved.fun)
    h = max(0.01 * best, 1e-3)
    curve = (nll(best + h) - 2 * least + nll(best - h)) / h**2
    own = 1 / math.sqrt(max(curve, 1e-6)) * math.sqrt(1 + 1 / max(len(later) - 1, 1))
    u = math.hypot(own, best * before.yield_l_mm.u / before.yield_l_mm.value)
    return Estimate(best, u, max(best - 1.96 * u, 0.0), best + 1.96 * u)
