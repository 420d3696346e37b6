"""The smallest transfer, against trying all of them; and what a spill outlook says."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.calc.arrays import F64
from rainstead.calc.desk import (
    Estimate,
    Move,
    MovePlan,
    Network,
    PumpReach,
    RainExpected,
    Roof,
    SpillOutlook,
    TankFit,
    Unknown,
    WaterTank,
    cascade_of,
    coming_l,
    feeds_of,
    freeboard,
    plan_moves,
    spill_outlook,
)
from rainstead.errors import OutOfDomain

# Invented: a full chain of two with the pump at its foot, and a tank of its own that has room.
NETWORK = Network(
    tanks=(
        WaterTank("top", 5000.0, 0.0, 0.0, 0.0),
        WaterTank("foot", 8000.0, 300.0, 10.0, 1.0),
        WaterTank("aside", 6000.0, 0.0, 0.0, 0.0),
    ),
    roofs=(
        Roof("a", 100.0, 0.9, 0.5, 0.0, (("top", 0.5), ("foot", 0.5))),
        Roof("b", 40.0, 0.9, 0.5, 0.0, (("aside", 1.0),)),
    ),
    overflows=(("top", "foot"),),
)
CASCADE = cascade_of(NETWORK)
FEEDS = feeds_of(NETWORK)
MOUTHS = np.array([tank.open_area_m2 for tank in NETWORK.tanks])


REACH = PumpReach("foot", 300.0, ("aside", "top"))


def plan(volume: list[float], rain: float, reach: PumpReach = REACH) -> MovePlan:
    return plan_moves(CASCADE, np.array(volume), coming_l(CASCADE, FEEDS, MOUTHS, rain), rain, reach)


def test_the_transfer_is_what_would_be_lost_where_there_is_room() -> None:
    # 20 mm: 19.5 x 45 = 877.5 L into top (full, runs on), 877.5 + 200 into foot with 100 L of room: 1855 L lost.
    found = plan([5000.0, 7900.0, 1000.0], 20.0)
    assert [(move.source, move.to) for move in found.moves] == [("foot", "aside")]
    assert found.moves[0].volume_l == pytest.approx(1855.0)
    assert (found.lost_before_l, found.lost_after_l) == pytest.approx((1855.0, 0.0))


def test_a_tank_that_needs_its_room_for_its_own_rain_takes_no_more_than_is_left() -> None:
    # aside gets 702 L of its own: of its 1000 L of room 298 are left; top is full.
    found = plan([5000.0, 7900.0, 5000.0], 20.0)
    assert [move.to for move in found.moves] == ["aside"]
    assert found.moves[0].volume_l == pytest.approx(298.0)
    assert found.lost_after_l == pytest.approx(1855.0 - 298.0)


def test_with_no_room_anywhere_nothing_is_moved() -> None:
    found = plan([5000.0, 7900.0, 5900.0], 20.0)
    assert found.moves == ()
    assert found.lost_after_l == found.lost_before_l > 2000


def test_the_reserve_stays_where_it_is() -> None:
    found = plan([5000.0, 7900.0, 1000.0], 20.0, replace(REACH, reserve=("foot",), spare_l=400.0))
    assert found.moves[0].volume_l == pytest.approx(400.0)
    within = plan([5000.0, 7900.0, 1000.0], 20.0, replace(REACH, reserve=("foot", "aside"), spare_l=0.0))
    assert within.moves[0].volume_l == pytest.approx(1855.0)


def test_the_source_is_not_drawn_below_its_floor() -> None:
    found = plan([5000.0, 7900.0, 1000.0], 20.0, replace(REACH, floor_l=7000.0))
    assert found.moves[0].volume_l == pytest.approx(900.0)


def test_dry_weather_and_no_pump_ask_for_nothing() -> None:
    assert plan([4000.0, 7000.0, 1000.0], 0.0).moves == ()
    into = coming_l(CASCADE, FEEDS, MOUTHS, 50.0)
    assert plan_moves(CASCADE, np.array([5000.0, 8000.0, 0.0]), into, 50.0, None).moves == ()


def lost(volume: F64) -> float:
    return float(CASCADE.settle(volume[:, np.newaxis])[2][0])


@given(
    seed=st.integers(0, 2**32 - 1),
    source=st.sampled_from(["top", "foot", "aside"]),
)
def test_no_other_transfer_loses_less_and_no_smaller_one_as_little(seed: int, source: str) -> None:
    """All pairs of litres to the two other tanks, on a grid, against the plan."""
    rng = np.random.default_rng(seed)
    capacity = np.array([5000.0, 8000.0, 6000.0])
    volume = np.floor(capacity * rng.uniform(0.5, 1.0, 3) / 100) * 100
    into = np.floor(rng.uniform(0, 3000, 3) / 100) * 100
    others = [name for name in CASCADE.names if name != source]
    floor = 500.0
    found = plan_moves(CASCADE, volume, into, 20.0, PumpReach(source, floor, tuple(others)))
    row = CASCADE.row(source)
    a, b = (CASCADE.row(name) for name in others)
    best = (math.inf, math.inf)
    for to_a in np.arange(0, capacity[a] - volume[a] + 1, 100):
        for to_b in np.arange(0, capacity[b] - volume[b] + 1, 100):
            if to_a + to_b > volume[row] - floor:
                continue
            moved = volume.copy()
            moved[row] -= to_a + to_b
            moved[a] += to_a
            moved[b] += to_b
            best = min(best, (round(lost(moved + into), 6), to_a + to_b))
    assert found.lost_after_l == pytest.approx(best[0], abs=1e-6)
    assert sum(move.volume_l for move in found.moves) == pytest.approx(best[1], abs=1e-6)


def outlook(volume: list[float], u: list[float], rain: RainExpected, moves: tuple[Move, ...] = ()) -> SpillOutlook:
    return spill_outlook(CASCADE, FEEDS, MOUTHS, np.array(volume), np.array(u), rain, moves)


def test_a_move_lowers_the_probability_of_a_spill() -> None:
    rain = RainExpected(5.0, 15.0, 30.0)
    before = outlook([5000.0, 7900.0, 1000.0], [20.0, 50.0, 50.0], rain)
    after = outlook([5000.0, 7900.0, 1000.0], [20.0, 50.0, 50.0], rain, (Move("foot", "aside", 1500.0),))
    assert before.lost_ratio > 0.9
    assert 0.2 < after.lost_ratio < 0.55
    again = outlook([5000.0, 7900.0, 1000.0], [20.0, 50.0, 50.0], rain)
    assert again == before


def test_a_tank_that_nobody_knows_keeps_what_it_gets_and_loses_nothing() -> None:
    cascade = cascade_of(NETWORK, {"foot"})
    held, over, gone = cascade.settle(np.array([[5600.0], [40_000.0], [7000.0]]))
    assert held[:, 0].tolist() == [5000.0, 40_600.0, 6000.0]
    assert over[:, 0].tolist() == [600.0, 0.0, 1000.0]
    assert gone.tolist() == [1000.0]


def test_a_fit_takes_the_place_of_the_roofs_of_its_tank_alone() -> None:
    feeds = feeds_of(NETWORK, {"top": TankFit("storms", Estimate(40.0, 1.0, 38.0, 42.0), Estimate(0.7, 0.1, 0.5, 0.9))})
    assert [(feed.tank, feed.source) for feed in feeds] == [("top", "storms"), ("foot", "a"), ("aside", "b")]


@pytest.mark.parametrize("three", [(5.0, 4.0, 8.0), (-1.0, 2.0, 3.0), (1.0, 2.0, math.nan), (1.0, 9.0, 8.0)])
def test_rain_that_makes_no_sense_is_refused(three: tuple[float, float, float]) -> None:
    with pytest.raises(OutOfDomain, match="mm"):
        RainExpected(*three)


@given(p=st.floats(1e-6, 1 - 1e-6), q=st.floats(1e-6, 1 - 1e-6))
def test_quantiles_of_rain_rise_and_are_never_negative(p: float, q: float) -> None:
    rain = RainExpected(0.0, 2.0, 30.0)
    low, high = rain.quantile_mm(np.array(sorted([p, q])))
    assert 0 <= low <= high


def test_an_unknown_level_has_no_freeboard() -> None:
    assert isinstance(freeboard(math.nan, math.nan, 0.02, 1000.0), Unknown)
    full = freeboard(1001.0, 30.0, 0.02, 1000.0)
    assert (
        isinstance(full, Estimate) and full.value == 0.0 and full.low == 0.0 and full.high is not None and full.high > 0
    )


@pytest.mark.parametrize("true_yield", [0.8, 0.95])
def test_the_interval_of_litres_to_come_covers(true_yield: float) -> None:
    """300 invented roofs whose truth lies where the uncertainty says: 95 % intervals hold it 92 to 98 % of the time."""
    rng = np.random.default_rng(8)
    network = Network(
        (WaterTank("t", 1e6, 0.0, 0.0, 0.0),), (Roof("r", 100.0, true_yield, 1.0, 0.0, (("t", 1.0),)),), ()
    )
    held = 0
    for _ in range(300):
        rain = rng.uniform(8, 40)
        truth = (
            100
            * true_yield
            * (1 + 0.1 * rng.standard_normal())
            * max(rain - max(1 + 0.5 * rng.standard_normal(), 0), 0)
        )
        found = spill_outlook(
            cascade_of(network),
            feeds_of(network),
            np.zeros(1),
            np.zeros(1),
            np.zeros(1),
            RainExpected(rain, rain, rain),
            cases=2000,
            seed=int(rng.integers(1_000_000)),
        ).coming_l["t"]
        assert found.high is not None
        held += found.low <= truth <= found.high
    assert 276 <= held <= 294


@given(seed=st.integers(0, 2**32 - 1))
def test_many_cases_settle_as_one_does(seed: int) -> None:
    rng = np.random.default_rng(seed)
    volume = rng.uniform(0, 12_000, (3, 4))
    held, _, gone = CASCADE.settle(volume)
    np.testing.assert_allclose(held.sum(axis=0) + gone, volume.sum(axis=0), rtol=1e-12)
    for case in range(4):
        alone = NETWORK.settle(dict(zip(CASCADE.names, volume[:, case], strict=True)))
        assert list(alone.volume_l.values()) == held[:, case].tolist()
        assert sum(alone.lost_l.values()) == pytest.approx(gone[case], abs=1e-9)


@pytest.mark.parametrize("rain_mm", [0.0, 0.4, 0.7, 3.0, 40.0])
def test_the_first_flush_is_turned_away_before_anything_comes(rain_mm: float) -> None:
    # 30 L of first flush on 90 L/mm are a third of a millimetre beyond the half that wets the roof.
    network = Network(
        (WaterTank("a", 9000.0, 0.0, 0.0, 0.0), WaterTank("b", 9000.0, 0.0, 4.0, 1.0)),
        (Roof("r", 100.0, 0.9, 0.5, 30.0, (("a", 0.6), ("b", 0.4))),),
        (),
    )
    due = 90.0 * max(rain_mm - 0.5 - 1 / 3, 0.0)
    into = coming_l(cascade_of(network), feeds_of(network), np.array([0.0, 4.0]), rain_mm)
    assert into.tolist() == pytest.approx([0.6 * due, 0.4 * due + 4 * rain_mm])
