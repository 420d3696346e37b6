"""The roofs' yield: bounds, odd storms, a fall that lasts, and how often its intervals hold the truth."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from rainstead.calc.arrays import F64, I64
from rainstead.calc.desk import (
    FALSE_ONE_IN,
    Bound,
    Estimate,
    StormGains,
    Unknown,
    YieldFit,
    change_at,
    expected_gain,
    fit_yield,
    is_odd,
    lasting_change,
    yield_nll,
)

TRUE_L_MM, TRUE_LOSS_MM = 210.0, 0.7
RESIDUE_MM = 0.2 / math.sqrt(6)


def year(
    rng: np.random.Generator, storms: int, *, noise_l: float = 50.0, scatter: float = 0.03, room_mm: float | None = None
) -> StormGains:
    """Storms of an invented roof, whose rain a bucket of 0.2 mm has counted.

    room_mm: mean of the room in the tank, in rain; what is more than the room has spilt.
    """
    rain_mm = rng.gamma(1.6, 8.0, storms) + 1.0
    clean = TRUE_L_MM * np.maximum(rain_mm - TRUE_LOSS_MM, 0) * (1 + scatter * rng.standard_normal(storms))
    room_l = np.full(storms, np.inf) if room_mm is None else rng.exponential(TRUE_L_MM * room_mm, storms)
    bound = (clean > room_l).astype(np.int64)
    gain_l = np.minimum(clean, room_l) + noise_l * rng.standard_normal(storms)
    told_mm = rain_mm + rng.triangular(-0.2, 0, 0.2, storms)
    return StormGains(told_mm, np.full(storms, RESIDUE_MM), gain_l, np.full(storms, noise_l), bound)


def fitted(storms: StormGains) -> YieldFit:
    found = fit_yield(storms)
    assert isinstance(found, YieldFit), found
    return found


def holds(interval: Estimate, truth: float) -> bool:
    return interval.low <= truth and (interval.high is None or truth <= interval.high)


def because(storms: StormGains) -> str:
    found = fit_yield(storms)
    assert isinstance(found, Unknown), found
    return found.because


def no_storms() -> StormGains:
    return year(np.random.default_rng(0), 1).take(slice(0, 0))


# --- coverage and bias ---------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("storms", "room_mm"), [(15, None), (25, 25.0)])
def test_intervals_hold_the_truth_and_the_yield_is_not_biased(storms: int, room_mm: float | None) -> None:
    rng = np.random.default_rng(storms)
    fits: list[YieldFit] = []
    spilt: list[float] = []
    while len(fits) < 60:
        one = year(rng, storms, room_mm=room_mm)
        found = fit_yield(one)
        if isinstance(found, YieldFit):
            fits.append(found)
            spilt.append(float((one.bound == Bound.AT_LEAST).mean()))
    held = sum(holds(fit.yield_l_mm, TRUE_L_MM) for fit in fits)
    assert stats.binom.ppf(0.005, 60, 0.95) <= held
    assert sum(holds(fit.loss_mm, TRUE_LOSS_MM) for fit in fits) >= stats.binom.ppf(0.005, 60, 0.95)
    assert abs(np.mean([fit.yield_l_mm.value for fit in fits]) / TRUE_L_MM - 1) < 0.01
    # No wider than needed either: the spread of the values is that of the intervals.
    spread = np.std([fit.yield_l_mm.value for fit in fits])
    widths = [fit.yield_l_mm.high - fit.yield_l_mm.low for fit in fits if fit.yield_l_mm.high is not None]
    assert 0.75 < np.median(widths) / (2 * 1.96 * spread) < 1.6
    if room_mm is not None:
        assert np.mean(spilt) > 0.3


def test_bounds_taken_for_measurements_would_be_far_off() -> None:
    storms = year(np.random.default_rng(4), 60, room_mm=25.0)
    naive = fitted(replace(storms, bound=np.zeros(60, np.int64)))
    assert naive.yield_l_mm.value < 0.97 * TRUE_L_MM
    assert holds(fitted(storms).yield_l_mm, TRUE_L_MM)


@pytest.mark.slow
def test_a_storm_still_to_come_lies_in_its_interval_nineteen_times_in_twenty() -> None:
    rng = np.random.default_rng(8)
    inside = 0
    for _ in range(40):
        fit = fitted(year(rng, 15))
        later = year(rng, 1)
        expected = expected_gain(fit, float(later.rain_mm[0]), RESIDUE_MM, 50.0)
        inside += holds(expected, float(later.gain_l[0]))
    assert stats.binom.ppf(0.005, 40, 0.95) <= inside


# --- odd storms ----------------------------------------------------------------------------------------------------


def test_one_odd_storm_does_not_pull_the_line_and_is_seen() -> None:
    storms = year(np.random.default_rng(1), 20)
    at = int(np.argmax(storms.rain_mm))
    gain_l = storms.gain_l.copy()
    gain_l[at] *= 0.58
    odd = replace(storms, gain_l=gain_l)
    plain, pulled = fitted(storms), fitted(odd)
    assert abs(pulled.yield_l_mm.value / plain.yield_l_mm.value - 1) < 0.02
    rest = fitted(odd.take(np.arange(20) != at))
    expected = expected_gain(rest, float(odd.rain_mm[at]), RESIDUE_MM, 50.0)
    assert is_odd(expected, float(gain_l[at]), Bound.EXACT)
    assert gain_l[at] / expected.value == pytest.approx(0.58, abs=0.06)


def test_ordinary_storms_are_seldom_called_odd() -> None:
    rng = np.random.default_rng(3)
    odd = total = 0
    for _ in range(15):
        storms = year(rng, 30)
        fit = fitted(storms)
        for rain_mm, gain_l in zip(storms.rain_mm, storms.gain_l, strict=True):
            odd += is_odd(expected_gain(fit, float(rain_mm), RESIDUE_MM, 50.0), float(gain_l), Bound.EXACT)
            total += 1
    assert odd <= 0.02 * total


def test_a_bound_is_odd_on_its_own_side_alone() -> None:
    expected = Estimate(1000.0, 50.0, 900.0, 1100.0)
    assert [is_odd(expected, 500.0, bound) for bound in (Bound.EXACT, Bound.AT_LEAST, Bound.AT_MOST)] == [
        True,
        False,
        True,
    ]
    assert [is_odd(expected, 1500.0, bound) for bound in (Bound.EXACT, Bound.AT_LEAST, Bound.AT_MOST)] == [
        True,
        True,
        False,
    ]


# --- a fall that lasts ---------------------------------------------------------------------------------------------


def fallen(storms: StormGains, first: int, ratio: float) -> StormGains:
    later = np.arange(len(storms)) >= first
    return replace(storms, gain_l=storms.gain_l * np.where(later, ratio, 1.0))


@pytest.mark.parametrize(("ratio", "room_mm"), [(0.6, None), (0.75, 40.0), (1.3, None)])
def test_a_change_that_lasts_is_found_when_it_was_and_by_how_much(ratio: float, room_mm: float | None) -> None:
    storms = fallen(year(np.random.default_rng(5), 24, room_mm=room_mm), 16, ratio)
    found = lasting_change(storms, fitted(storms))
    assert found is not None
    assert 15 <= found.first <= 17
    assert holds(found.ratio, ratio)
    assert found.chance <= 1 / FALSE_ONE_IN
    assert found.before.yield_l_mm.value == pytest.approx(TRUE_L_MM, rel=0.03)


def test_one_odd_storm_is_no_lasting_change_wherever_it_stands() -> None:
    for seed in (6, 7):
        plain = year(np.random.default_rng(seed), 20)
        for at in (0, 10, 19):
            gain_l = plain.gain_l.copy()
            gain_l[at] *= 0.3
            storms = replace(plain, gain_l=gain_l)
            assert lasting_change(storms, fitted(storms)) is None


@pytest.mark.slow
def test_roofs_that_stay_as_they_are_are_seldom_told_to_have_changed() -> None:
    # One in a hundred is promised: of 50, three or more would come once in seventy times.
    rng = np.random.default_rng(7)
    false = sum(lasting_change(one, fitted(one)) is not None for one in (year(rng, 16) for _ in range(50)))
    assert false <= 2


def test_the_same_storms_give_the_same_answer() -> None:
    storms = fallen(year(np.random.default_rng(5), 24), 16, 0.9)
    assert lasting_change(storms, fitted(storms)) == lasting_change(storms, fitted(storms))


def test_too_few_storms_on_either_side_show_no_change() -> None:
    storms = fallen(year(np.random.default_rng(2), 7), 5, 0.3)
    assert lasting_change(storms, fitted(storms)) is None
    assert change_at(storms, 3, 0.001, 0.0) is None


def test_a_changed_roof_keeps_the_ratios_uncertainty() -> None:
    fit = fitted(year(np.random.default_rng(9), 20))
    ratio = Estimate(0.6, 0.05, 0.5, 0.7)
    now = fit.times(ratio)
    assert now.yield_l_mm.value == pytest.approx(0.6 * fit.yield_l_mm.value)
    assert now.yield_l_mm.low == pytest.approx(0.5 * fit.yield_l_mm.value)
    assert math.sqrt(now.cov[0]) == pytest.approx(now.yield_l_mm.u)


# --- shared errors, monotony, likelihood ---------------------------------------------------------------------------


def test_errors_that_all_storms_share_widen_the_true_yield_alone() -> None:
    storms = year(np.random.default_rng(10), 20)
    bare, shared = fit_yield(storms), fit_yield(storms, shared_u_ratio=0.03)
    assert isinstance(bare, YieldFit)
    assert isinstance(shared, YieldFit)
    assert shared.yield_l_mm == bare.yield_l_mm
    assert bare.yield_true_l_mm.low == pytest.approx(bare.yield_l_mm.low)
    assert shared.yield_true_l_mm.u == pytest.approx(math.hypot(bare.yield_l_mm.u, 0.03 * bare.yield_l_mm.value))
    assert shared.yield_true_l_mm.low < bare.yield_l_mm.low
    assert shared.share_of(TRUE_L_MM).value == pytest.approx(1.0, abs=0.05)


def test_litres_and_millimetres_may_be_told_in_other_sizes() -> None:
    storms = year(np.random.default_rng(11), 20)
    tenfold = replace(storms, gain_l=storms.gain_l * 10, gain_u_l=storms.gain_u_l * 10)
    assert fitted(tenfold).yield_l_mm.value == pytest.approx(10 * fitted(storms).yield_l_mm.value, rel=1e-3)


def test_the_best_fit_is_where_no_neighbour_is_likelier() -> None:
    storms = year(np.random.default_rng(12), 25, room_mm=30.0)
    fit = fitted(storms)
    at = [fit.yield_l_mm.value, fit.loss_mm.value, fit.scatter_ratio, fit.noise_ratio]
    best = yield_nll(storms, *at)
    for k in range(4):
        for step in (0.97, 1.03):
            near = list(at)
            near[k] *= step
            assert yield_nll(storms, *near) >= best - 1e-3
    lowest = optimize.minimize(
        lambda p: yield_nll(storms, *np.exp(p)), np.log(at), method="Nelder-Mead", options={"maxiter": 2000}
    )
    assert lowest.fun >= best - 1e-3


# --- not enough to say ---------------------------------------------------------------------------------------------


def test_no_storm_at_all() -> None:
    assert because(no_storms()) == "there was no storm in that time"


def test_storms_that_all_filled_the_tanks() -> None:
    storms = replace(year(np.random.default_rng(0), 9), bound=np.ones(9, np.int64))
    assert because(storms) == "all 9 storms filled the tanks to the brim, so that each is a lower bound only"


def test_too_few_storms() -> None:
    few = "5 storms of 1 mm or more must be measured to the end, and there are 4"
    assert because(year(np.random.default_rng(0), 4)) == few


def test_drizzle_that_wets_no_roof() -> None:
    drizzle = StormGains(
        np.full(9, 0.4), np.full(9, RESIDUE_MM), np.full(9, 2.0), np.full(9, 20.0), np.zeros(9, np.int64)
    )
    assert because(drizzle).endswith("must be measured to the end, and there are 0")


def test_storms_that_bring_nothing() -> None:
    storms = replace(year(np.random.default_rng(0), 9), gain_l=np.zeros(9))
    assert because(storms) == "no storm brought more water than the levels are uncertain by"


@pytest.mark.parametrize("bound", [0, 1, -1])
def test_equal_storms_give_a_wide_interval_and_never_nan(bound: int) -> None:
    # Nine storms of one depth tell no slope from loss; with bounds of either kind among them still less.
    mixed: I64 = np.array([0] * 6 + [bound] * 3, np.int64)
    rain_mm: F64 = np.full(9, 10.0)
    gain_l = 100.0 * 9.5 + np.random.default_rng(0).normal(0, 20, 9)
    fit = fitted(StormGains(rain_mm, np.full(9, RESIDUE_MM), gain_l, np.full(9, 20.0), mixed))
    told = (fit.yield_l_mm, fit.yield_true_l_mm, fit.loss_mm, expected_gain(fit, 10.0, RESIDUE_MM, 20.0))
    for one in told:
        assert one.high is not None
        assert all(math.isfinite(part) for part in (one.value, one.u, one.low, one.high))
    assert holds(fit.yield_l_mm, 100.0)
    assert fit.yield_l_mm.high is not None
    assert fit.yield_l_mm.high / fit.yield_l_mm.low > 1.5
