"""Resampled rain, daily falls and days to the reserve: what they hold, and when they say nothing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.calc.arrays import F64
from rainstead.calc.desk import (
    Estimate,
    Unknown,
    chance,
    daily_fall,
    days_quantile,
    days_without_rain,
    estimate,
    first_touched,
    freeboard,
    season_paths,
    usable,
)

YEARS = np.arange(1095) % 365 + 1


@given(seed=st.integers(0, 2**32 - 1), first=st.integers(1, 366), days=st.integers(1, 120))
def test_resampled_days_are_days_of_the_record_of_the_season_and_never_unknown_ones(
    seed: int, first: int, days: int
) -> None:
    rng = np.random.default_rng(seed)
    # Each day's rain tells which day it is.
    rain = np.where(rng.random(1095) < 0.01, np.nan, np.arange(1095.0))
    paths = season_paths(YEARS, rain, first, days, 40, seed=seed)
    if isinstance(paths, Unknown):
        assert "unbroken stretches" in paths.because
        return
    assert paths.shape == (days, 40)
    assert np.isin(paths, rain).all()
    apart = np.abs(YEARS[paths.astype(int)] - ((first - 1 + np.arange(days)[:, np.newaxis]) % 365 + 1))
    assert np.minimum(apart, 365 - apart).max() <= 21
    # Within a block the days follow one another.
    for begin in range(0, days, 10):
        block = paths[begin : begin + 10]
        assert (np.diff(block, axis=0) == 1).all()


def test_a_seed_gives_the_same_rain_each_time_and_another_another() -> None:
    rain = np.arange(1095.0)
    once, again, other = (season_paths(YEARS, rain, 200, 30, 50, seed=seed) for seed in (1, 1, 2))
    assert isinstance(once, np.ndarray) and isinstance(other, np.ndarray)
    np.testing.assert_array_equal(once, again)
    assert not np.array_equal(once, other)


@pytest.mark.parametrize(
    ("rain", "said"),
    [
        (np.full(900, np.nan), "has 0 known days"),
        (np.zeros(5), "has 5 known days"),
        (np.where(np.arange(900) % 9 == 0, np.nan, 1.0), "has 0 unbroken stretches of 10 days"),
        (np.zeros(60), "wanted: name a longer record"),
    ],
)
def test_a_record_that_is_too_thin_is_not_enough_to_say(rain: F64, said: str) -> None:
    found = season_paths(YEARS[: len(rain)], rain, 250, 30, 10, seed=1)
    assert isinstance(found, Unknown)
    assert said in found.because


def test_any_season_takes_a_thin_record_whole() -> None:
    assert isinstance(season_paths(YEARS[:60], np.zeros(60), 250, 30, 10, seed=1, any_season=True), np.ndarray)


def test_the_day_on_which_a_reserve_is_touched_is_the_first_one() -> None:
    held = np.array([[9.0, 9, 9, 2], [8.0, 4, 9, 9], [4.0, 9, 9, 9]])
    first = first_touched(held, 5.0)
    assert first.tolist() == [3.0, 2.0, np.inf, 1.0]
    assert [chance(first, days).value for days in (1, 2, 3)] == [0.25, 0.5, 0.75]
    assert [days_quantile(first, p) for p in (0.25, 0.5, 0.75, 0.76)] == [1.0, 2.0, 3.0, None]


def test_a_tank_that_hardly_falls_has_no_farthest_day() -> None:
    found = days_without_rain(estimate(5000.0, 50.0), estimate(10.0, 8.0), 2000.0)
    assert isinstance(found, Estimate)
    assert found.value == 300.0
    assert found.high is None
    assert 50 < found.low < 300
    for fall in (0.0, -5.0):
        assert isinstance(days_without_rain(estimate(5000.0, 50.0), estimate(fall, 1.0), 2000.0), Unknown)


def test_a_reserve_that_is_touched_already_has_no_days_left() -> None:
    found = days_without_rain(estimate(1800.0, 200.0), estimate(100.0, 5.0), 2000.0)
    assert isinstance(found, Estimate) and found.high is not None
    assert (found.value, found.low) == (0.0, 0.0)
    assert 0 < found.high < 3


@pytest.mark.parametrize("spread", [0.05, 0.2])
def test_the_interval_of_the_days_covers(spread: float) -> None:
    """2000 invented sites with seven dry days each: the 95 % interval holds the true days 93 to 97 % of the time."""
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(2000):
        fall, above = rng.uniform(100, 500), rng.uniform(3000, 20_000)
        falls = rng.normal(fall, spread * fall, 7)
        litres = estimate(float(rng.normal(above, 150.0)), 150.0)
        mean = daily_fall(falls, np.full(7, 1.0), 0.0)
        assert isinstance(mean, Estimate)
        found = days_without_rain(litres, mean, 0.0)
        assert isinstance(found, Estimate)
        held += found.low <= above / fall and (found.high is None or above / fall <= found.high)
    assert 0.93 <= held / 2000 <= 0.97


def test_one_day_far_off_is_no_ordinary_day_but_a_wash_day_is() -> None:
    ordinary = [300.0, 310, 290, 305, 295, 300, 320, 280]
    u = np.full(9, 5.0)
    plain = daily_fall(np.array(ordinary), u[:8], 0.0)
    odd = daily_fall(np.array([*ordinary, 2000.0]), u, 0.0)
    wash = daily_fall(np.array([*ordinary, 350.0]), u, 0.0)
    assert isinstance(plain, Estimate) and isinstance(odd, Estimate) and isinstance(wash, Estimate)
    assert odd == plain
    assert wash.value > plain.value + 4


@pytest.mark.parametrize("count", [0, 1, 4])
def test_too_few_dry_days_are_not_enough_to_say(count: int) -> None:
    found = daily_fall(np.full(count, 100.0), np.full(count, 5.0), 0.0)
    assert isinstance(found, Unknown)
    assert found.because.endswith(f"the log has {count}")


def test_flat_days_still_carry_what_the_levels_leave_open() -> None:
    found = daily_fall(np.zeros(16), np.full(16, 8.0), 0.02)
    assert isinstance(found, Estimate)
    assert (found.value, found.u) == (0.0, 2.0)


def test_the_interval_of_freeboard_covers() -> None:
    """2000 invented tanks whose depth and litres per depth are as wrong as their uncertainty says."""
    rng = np.random.default_rng(7)
    held_room = held_usable = 0
    for _ in range(2000):
        litres_m, brim_m, outlet_m = rng.uniform(3000, 15_000), rng.uniform(1.0, 2.2), 0.08
        depth_m = rng.uniform(0.3, 0.97 * brim_m)
        seen_m = depth_m + rng.normal(0, 0.006)
        seen_l_m = litres_m * (1 + rng.normal(0, 0.02))
        u = np.hypot(seen_l_m * 0.006, 0.02 * seen_l_m * seen_m)
        room = freeboard(seen_l_m * seen_m, u, 0.02, seen_l_m * brim_m)
        above = usable(seen_l_m * seen_m, u, 0.02, seen_l_m * outlet_m)
        assert isinstance(room, Estimate) and room.high is not None
        assert isinstance(above, Estimate) and above.high is not None
        held_room += room.low <= litres_m * (brim_m - depth_m) <= room.high
        held_usable += above.low <= litres_m * (depth_m - outlet_m) <= above.high
    assert 0.93 <= held_room / 2000 <= 0.97
    assert 0.93 <= held_usable / 2000 <= 0.97
