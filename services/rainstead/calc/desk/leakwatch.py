"""Watching for a loss that was not there before: a one-sided CUSUM on each day's loss, with a stated false-alarm rate.

Page's scheme on litres. What is expected of a day (evaporation times a factor, and for nights what the air feigns) is
learnt as days pass, but only from days that proved quiet: days wait until the sum is back at nought, and are thrown
away when it ends in a call. As long as the expectation is unsure, so much is allowed for: sunshine is no leak.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rainstead.calc.arrays import F64, I64

from .latescipy import scipy

__all__ = [
    "LeakCall",
    "LeakWatch",
    "WatchPlan",
    "WatchRows",
    "cusum_arl",
    "cusum_limit",
    "leak_watch",
]

_MOST_OF_LIMIT = 0.6
"""No one day may carry the sum farther than this part of its limit: a bucket that nobody noted is no leak."""
_SURE = 1.645
"""The expectation's uncertainty is allowed for one-sided, to 95 %."""
_DAY_MS = 86_400_000
_LEVELS = 4.5
"""So many standard uncertainties of a level may lie between the least and the most of a year's: 3.2 times root 2."""
_OF_NOISE = 0.5
"""The least that is allowed for, in standard deviations of a day: half of the smallest change that is looked for."""
_FIRST_DAYS = 6.0
"""The stated noise weighs like so many days against what is measured."""


def cusum_arl(reference: float, limit: float, shift: float = 0.0, *, states: int = 200) -> float:
    """Mean number of samples until C = max(0, C + z - reference) passes `limit`, z normal with mean `shift`, sd 1.

    By a Markov chain over `states` values of C. Source: Brook & Evans, Biometrika 59 (1972) 539.
    """
    width = 2 * limit / (2 * states - 1)
    at = width * np.arange(states)
    edges = np.concatenate([[-np.inf], at[:-1] + width / 2, [limit]])
    below = _normal(edges[None, :] - at[:, None] + reference - shift)
    moves = np.diff(below, axis=1)
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])


def cusum_limit(reference: float, arl: float) -> float:
    """Limit at which the mean time between false calls is `arl` samples; reference above 0, both in sd.

    By Siegmund's approximation, within a few percent of the chain's for references up to 1; above, it errs on the safe
    side. Source: Siegmund (1985), Sequential Analysis, as in Montgomery, Introduction to Statistical Quality Control.
    """
    low, high = 0.0, 200.0
    for _ in range(60):
        middle = (low + high) / 2
        b = 2 * reference * (middle + 1.166)
        # (e^b - b - 1) / 2 k^2, by its logarithm where it would overflow
        reached = b > 600 or (math.exp(b) - b - 1) / (2 * reference**2) > arl
        low, high = (low, middle) if reached else (middle, high)
    return high


def _normal(z: F64) -> F64:
    return np.asarray(scipy.special.ndtr(z))


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """What the watch is set to.

    reference_l_day: a loss that may pass for none. least_limit_l: the sum's limit is never set below this.
    calm_days: mean number of days between false calls that is aimed at. level_u_l, drift_u_l_day: noise that is
    expected, in a level and in a day's loss. offset_u_l_day: of a constant that every day's loss may hold.
    factor_u: of the evaporation, relative.
    """

    reference_l_day: float
    least_limit_l: float
    calm_days: float
    level_u_l: float
    drift_u_l_day: float
    offset_u_l_day: float
    factor_u: float


@dataclass(frozen=True, slots=True)
class WatchDay:
    """A day that ends at t_ms; the arguments of `leak_watch`, of one row."""

    t_ms: int
    days: float
    loss_l_day: float
    evaporation_l_day: float
    follows: bool


@dataclass(frozen=True, slots=True)
class LeakWatch:
    """The state carried from day to day.

    learnt: days learnt from, and sums over them of evaporation, its square, the rest (loss less evaporation), and rest
    times evaporation. noise: days and pairs of days, sums of the error's square and of neighbours' products.
    pending: days that wait. calm_l: while a call stands, what speaks against it.
    """

    learnt: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    noise: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    last_error: float | None = None
    sum_l: float = 0.0
    pending: tuple[WatchDay, ...] = ()
    called_l_day: float | None = None
    called_since_ms: int = 0
    calm_l: float = 0.0


@dataclass(frozen=True, slots=True)
class WatchRows:
    """One row a day: what was expected of it, what was allowed beside, the sum after it, and its limit then."""

    t_ms: I64
    expected_l_day: F64
    allowed_l_day: F64
    sum_l: F64
    limit_l: F64
    is_called: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class LeakCall:
    """A loss was called, or, with is_over, a call was taken back, at t_ms.

    since_ms: the loss began about then, by the days since. over_l_day: lost more than was expected since then.
    """

    t_ms: int
    since_ms: int
    over_l_day: float
    is_over: bool


@dataclass(frozen=True, slots=True)
class _Expected:
    loss_l_day: float
    allowed_l_day: float
    level_u_l: float
    drift_u_l_day: float
    limit_l: float


def leak_watch(
    state: LeakWatch,
    t_ms: I64,
    days: F64,
    loss_l_day: F64,
    evaporation_l_day: F64,
    follows: npt.NDArray[np.bool_],
    *,
    plan: WatchPlan,
) -> tuple[LeakWatch, WatchRows, list[LeakCall]]:
    """Take in days, all later than those before.

    t_ms: end of each. days: its length. loss_l_day: measured. evaporation_l_day: estimated, no NaN. follows: whether it
    begins with the very level that the row before ended with, so that a wrong level raises one and lowers the other.
    """
    rows: list[tuple[float, float, float, float, bool]] = []
    calls: list[LeakCall] = []
    now = state
    columns = (t_ms, days, loss_l_day, evaporation_l_day, follows)
    for row in zip(*(column.tolist() for column in columns), strict=True):
        day = WatchDay(*row)
        expected = _expected(now, day.evaporation_l_day, plan)
        if now.called_l_day is None:
            now, call = _calm(now, day, expected, plan)
        else:
            now, call = _called(now, day, expected)
        if call is not None:
            calls.append(call)
        rows.append(
            (expected.loss_l_day, expected.allowed_l_day, now.sum_l, expected.limit_l, now.called_l_day is not None)
        )
    table = np.array([row[:4] for row in rows], dtype=np.float64).reshape(len(rows), 4).T
    called = np.array([row[4] for row in rows], dtype=np.bool_)
    return now, WatchRows(t_ms, table[0], table[1], table[2], table[3], called), calls


def _calm(now: LeakWatch, day: WatchDay, expected: _Expected, plan: WatchPlan) -> tuple[LeakWatch, LeakCall | None]:
    over = (day.loss_l_day - expected.loss_l_day - expected.allowed_l_day) * day.days
    total = max(now.sum_l + min(over, _MOST_OF_LIMIT * expected.limit_l), 0.0)
    pending = (*now.pending, day)
    if total == 0.0:
        for waited in pending:
            now = _learnt(now, waited, plan)
        return replace(now, sum_l=0.0, pending=()), None
    if total <= expected.limit_l:
        return replace(now, sum_l=total, pending=pending), None
    since_ms, more = _begin(now, pending, plan)
    call = LeakCall(day.t_ms, since_ms, more, is_over=False)
    called = replace(now, sum_l=total, pending=(), called_l_day=more, called_since_ms=since_ms, calm_l=0.0)
    return replace(called, last_error=None), call


def _begin(now: LeakWatch, pending: tuple[WatchDay, ...], plan: WatchPlan) -> tuple[int, float]:
    """From when on a new loss explains the waiting days best (the likeliest, errors being normal), and its L a day."""
    over = days = best = 0.0
    found = (pending[-1].t_ms, 0.0)
    for day in reversed(pending):
        over += (day.loss_l_day - _expected(now, day.evaporation_l_day, plan).loss_l_day) * day.days
        days += day.days
        if over > 0 and over * over / days > best:
            best, found = over * over / days, (day.t_ms - round(day.days * _DAY_MS), over / days)
    return found


def _called(now: LeakWatch, day: WatchDay, expected: _Expected) -> tuple[LeakWatch, LeakCall | None]:
    """While a call stands nothing is learnt; it is taken back by the same scheme turned round."""
    assert now.called_l_day is not None
    half = max(now.called_l_day / 2, expected.allowed_l_day)
    under = (half - (day.loss_l_day - expected.loss_l_day)) * day.days
    calm = max(now.calm_l + min(under, _MOST_OF_LIMIT * expected.limit_l), 0.0)
    if calm <= expected.limit_l:
        return replace(now, calm_l=calm), None
    over = LeakCall(day.t_ms, now.called_since_ms, now.called_l_day, is_over=True)
    return replace(now, sum_l=0.0, called_l_day=None, calm_l=0.0, last_error=None), over


def _expected(now: LeakWatch, evaporation: float, plan: WatchPlan) -> _Expected:
    """What a day should lose by what was learnt, and how sure that is.

    The prior: no constant, give or take its u; evaporation as estimated, give or take its. Bayes for two normals.
    """
    level2, drift2 = _noise(now, plan)
    each2 = 2 * level2 + drift2
    n, e, ee, r, re = now.learnt
    a = n / each2 + 1 / max(plan.offset_u_l_day, 1e-3) ** 2
    b = e / each2
    c = ee / each2 + 1 / max(plan.factor_u, 1e-6) ** 2
    det = a * c - b * b
    offset, factor = (c * r - b * re) / each2 / det, (a * re - b * r) / each2 / det
    unsure2 = (c - 2 * b * evaporation + a * evaporation * evaporation) / det
    level_u, drift_u = math.sqrt(level2), math.sqrt(drift2)
    allowed = max(plan.reference_l_day, _OF_NOISE * drift_u) + _SURE * math.sqrt(max(unsure2, 0.0))
    limit = _LEVELS * level_u + drift_u * cusum_limit(allowed / drift_u, plan.calm_days)
    return _Expected(offset + (1 + factor) * evaporation, allowed, level_u, drift_u, max(limit, plan.least_limit_l))


def _noise(now: LeakWatch, plan: WatchPlan) -> tuple[float, float]:
    """Variance of a level, and of what adds up in a day: neighbours' products tell the two apart."""
    n, pairs, squares, products = now.noise
    stated = 2 * plan.level_u_l**2 + plan.drift_u_l_day**2
    whole = (_FIRST_DAYS * stated + squares) / (_FIRST_DAYS + n)
    lagged = (-_FIRST_DAYS * plan.level_u_l**2 + products) / (_FIRST_DAYS + pairs)
    level2 = min(max(-lagged, 0.0), whole / 2)
    return level2, max(whole - 2 * level2, 0.02 * whole, 1e-6)


def _learnt(now: LeakWatch, day: WatchDay, plan: WatchPlan) -> LeakWatch:
    evaporation = day.evaporation_l_day
    expected = _expected(now, evaporation, plan)
    most = 3 * math.sqrt(2 * expected.level_u_l**2 + expected.drift_u_l_day**2)
    error = min(max(day.loss_l_day - expected.loss_l_day, -most), most)
    n, pairs, squares, products = now.noise
    before = now.last_error if day.follows else None
    noise = (
        n + 1,
        pairs + (before is not None),
        squares + error * error,
        products + (0.0 if before is None else error * before),
    )
    rest = expected.loss_l_day + error - evaporation
    count, e, ee, r, re = now.learnt
    learnt = (count + 1, e + evaporation, ee + evaporation * evaporation, r + rest, re + rest * evaporation)
    return replace(now, learnt=learnt, noise=noise, last_error=error)
