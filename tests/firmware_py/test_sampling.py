"""A burst becomes one reading."""

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.readings import Quality
from rainstead_board.sampling import Burst, burst


def judged(ranges_mm: list[float], *, fewest: int = 2) -> Burst:
    return burst(ranges_mm, blanking_mm=250, max_range_mm=4500, noisy_above_mm=20, fewest=fewest)


def test_a_steady_burst_is_its_median() -> None:
    assert judged([1000, 1001, 1002]) == Burst(1001, 1.48, 3, Quality.OK)


def test_one_wild_echo_moves_nothing() -> None:
    told = judged([1000, 1001, 1000, 3900, 1001, 1000])
    assert told.median_mm == 1000.5
    assert told.quality is Quality.OK


def test_a_still_level_has_the_spread_of_its_resolution() -> None:
    # 1 mm steps, evenly distributed: 1 / sqrt(12) = 0.2887 mm (GUM, JCGM 100:2008, 4.3.7; from memory)
    assert judged([1000] * 9).spread_mm == 0.29


def test_the_spread_is_a_standard_deviation_for_normal_noise() -> None:
    noise = statistics.NormalDist(2000, 8).samples(20_000, seed=3)
    assert judged(noise).spread_mm == pytest.approx(8, rel=0.03)


@pytest.mark.parametrize("ranges_mm", [[], [1000]])
def test_too_few_echoes_have_no_value(ranges_mm: list[float]) -> None:
    assert judged(ranges_mm) == Burst(None, None, len(ranges_mm), Quality.NO_ECHO)


def test_one_echo_is_enough_where_the_settings_say_so() -> None:
    assert judged([1000], fewest=1) == Burst(1000, 0.29, 1, Quality.OK)


@pytest.mark.parametrize(
    ("range_mm", "quality"),
    [
        (249, Quality.BLANKED),
        (250, Quality.BLANKED),
        (251, Quality.OK),
        (4500, Quality.OK),
        (4501, Quality.OUT_OF_RANGE),
    ],
)
def test_the_ends_of_what_a_sensor_can_see(range_mm: float, quality: Quality) -> None:
    told = judged([range_mm] * 3)
    assert (told.median_mm, told.quality) == (range_mm, quality)


def test_a_ragged_burst_keeps_its_value_and_says_so() -> None:
    told = judged([900, 1000, 1100, 950, 1050])
    assert (told.median_mm, told.quality) == (1000, Quality.NOISY)


@given(
    st.lists(st.integers(0, 6000).map(float), max_size=12).flatmap(lambda a: st.tuples(st.just(a), st.permutations(a)))
)
def test_the_order_of_echoes_does_not_matter(orders: tuple[list[float], list[float]]) -> None:
    assert judged(orders[0]) == judged(orders[1])


@given(st.lists(st.integers(0, 6000).map(float), min_size=2, max_size=12))
def test_the_value_lies_among_the_echoes(ranges_mm: list[float]) -> None:
    told = judged(ranges_mm)
    assert told.median_mm is not None and min(ranges_mm) <= told.median_mm <= max(ranges_mm)
