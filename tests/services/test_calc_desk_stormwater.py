"""One storm's water in one tank and in a group of them: what is put back, what is followed, what is only a bound."""

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from rainstead.calc.arrays import F64, I64
from rainstead.calc.desk import (
    Bound,
    DryDays,
    Household,
    LevelMean,
    Network,
    Roof,
    StormWindow,
    TankGain,
    TankMinutes,
    Unknown,
    WaterMove,
    WaterTank,
    catchings,
    caught_mm,
    dry_days,
    group_gain,
    moved_l,
    peak_mm_h,
    storm_window,
    tank_gain,
)

MIN_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
NO_TIPS: I64 = np.zeros(0, np.int64)


def minutes(
    volume_l: F64, *, first_ms: int = 0, tank: str = "tank", brim_l: float = 1e9, noise_l: float = 2.0
) -> TankMinutes:
    """A row each minute of a tank of 1000 L a metre."""
    n = len(volume_l)
    full = np.full(n, 1.0)
    return TankMinutes(
        tank=tank,
        t_ms=first_ms + np.arange(1, n + 1, dtype=np.int64) * MIN_MS,
        readings=np.full(n, 6, np.int64),
        depth_m=volume_l / 1000,
        depth_noise_u_m=full * noise_l / 1000,
        depth_zero_u_m=full * 0.004,
        depth_sound_u_m=full * 0.003,
        volume_l=np.minimum(volume_l, brim_l),
        noise_u_l=full * noise_l,
        zero_u_l=full * 4.0,
        sound_u_l=full * 3.0,
        scale_u_l=volume_l * 0.01,
        at_brim=volume_l >= brim_l,
    )


def hours(*parts: tuple[float, float]) -> F64:
    """Litres minute by minute: so many hours, then at so many litres, in straight lines from 1000 L."""
    t, v = [0.0], [1000.0]
    for lasts_h, litres in parts:
        t.append(t[-1] + lasts_h * 60)
        v.append(litres)
    return np.asarray(np.interp(np.arange(1, t[-1] + 1), t, v))


# --- moves -----------------------------------------------------------------------------------------------------------


def test_a_move_counts_by_the_part_of_it_that_lies_in_the_time() -> None:
    move = WaterMove("tank", 0, HOUR_MS, 600.0, 12.0, "carted")
    assert moved_l([move], "tank", 0, HOUR_MS) == (600.0, 12.0)
    assert moved_l([move], "tank", HOUR_MS // 2, 9 * HOUR_MS) == (300.0, 6.0)
    assert moved_l([move], "other", 0, HOUR_MS) == (0.0, 0.0)
    assert moved_l([move], "tank", HOUR_MS, 2 * HOUR_MS) == (0.0, 0.0)


def test_moves_add_up_with_independent_uncertainties() -> None:
    moves = [WaterMove("tank", 0, 1, 100.0, 3.0, "carted"), WaterMove("tank", 0, 1, -40.0, 4.0, "pumped")]
    assert moved_l(moves, "tank", 0, 10) == (60.0, 5.0)


# --- when levels are read --------------------------------------------------------------------------------------------


def test_levels_are_read_before_the_first_tip_and_once_the_rise_is_over() -> None:
    # Rain from 6 h to 8 h; the roofs drain for another hour.
    tank = minutes(hours((6, 1000), (2, 1800), (1, 2000), (8, 2000)))
    window = storm_window([tank], [], 6 * HOUR_MS, 8 * HOUR_MS, 17 * HOUR_MS)
    assert window.before_ms == 6 * HOUR_MS - 10 * MIN_MS
    assert window.still
    assert 9 * HOUR_MS <= window.after_ms <= 9 * HOUR_MS + 50 * MIN_MS


def test_a_storm_whose_water_still_rises_is_told_so() -> None:
    tank = minutes(hours((6, 1000), (11, 4000)))
    window = storm_window([tank], [], 6 * HOUR_MS, 8 * HOUR_MS, 17 * HOUR_MS)
    assert not window.still
    assert window.after_ms == 12 * HOUR_MS


def test_levels_are_not_read_while_the_pump_runs() -> None:
    tank = minutes(hours((17, 1000)))
    run = [
        WaterMove("tank", 5 * HOUR_MS, 6 * HOUR_MS, 0.0, 0.0, "pumped"),
        WaterMove("tank", 8 * HOUR_MS, 9 * HOUR_MS, 0.0, 0.0, "pumped"),
    ]
    window = storm_window([tank], run, 6 * HOUR_MS, 8 * HOUR_MS, 17 * HOUR_MS)
    assert window.before_ms <= 5 * HOUR_MS
    assert window.after_ms >= 9 * HOUR_MS + 20 * MIN_MS


def test_nothing_later_than_what_is_known_is_looked_at() -> None:
    tank = minutes(hours((17, 1000)))
    assert storm_window([tank], [], 6 * HOUR_MS, 8 * HOUR_MS, 8 * HOUR_MS + 5 * MIN_MS) == StormWindow(
        6 * HOUR_MS - 10 * MIN_MS, 8 * HOUR_MS + 5 * MIN_MS, still=False
    )


# --- one tank --------------------------------------------------------------------------------------------------------

RISE = hours((6, 1000), (2, 2000), (9, 2000))
WINDOW = StormWindow(6 * HOUR_MS - 10 * MIN_MS, 8 * HOUR_MS + 30 * MIN_MS, still=True)
END_MS = 17 * HOUR_MS


def gained(
    tank: TankMinutes, *moves: WaterMove, dry: DryDays | None = None, house: Household | None = None
) -> TankGain:
    found = tank_gain(tank, WINDOW, moves, dry, house, END_MS)
    assert isinstance(found, TankGain), found
    return found


def test_the_rise_is_the_gain_where_nothing_else_went_on() -> None:
    gain = gained(minutes(RISE))
    assert (gain.rise_l, gain.moved_l, gain.besides_l, gain.besides) == (1000.0, 0.0, 0.0, "nothing")
    assert gain.gain_l == 1000.0
    assert gain.shared_u_l == pytest.approx(10.0)  # 1 % of what came in; of 2000 L it would be 20


def test_what_was_pumped_out_and_carted_in_is_put_back() -> None:
    out = WaterMove("tank", 7 * HOUR_MS, 7 * HOUR_MS + 1, -300.0, 9.0, "pumped")
    carted = WaterMove("tank", 7 * HOUR_MS, 7 * HOUR_MS + 1, 500.0, 20.0, "carted")
    gain = gained(minutes(RISE), out, carted)
    assert gain.gain_l == 1000.0 + 300.0 - 500.0
    assert gain.own_u_l == pytest.approx(math.hypot(gained(minutes(RISE)).own_u_l, 9.0, 20.0))


def test_what_the_tank_does_on_dry_days_is_put_back() -> None:
    gain = gained(minutes(RISE), dry=DryDays(-50.0, 10.0, 9))
    assert gain.besides == "dry days"
    # The levels' middles lie 2 h 40 min apart, the window's ends as far.
    assert gain.gain_l == pytest.approx(1050.0, abs=0.5)
    assert gain.own_u_l == pytest.approx(10.0 * math.sqrt((1 + 1 / 9) * 8 / 6), rel=0.01)


def test_without_dry_days_the_households_figure_stands_in() -> None:
    house = Household("tank", 240.0, 24.0)
    gain = gained(minutes(RISE), house=house)
    assert gain.besides == "household"
    assert gain.gain_l == pytest.approx(1000.0 + 240.0 * (2 + 40 / 60) / 24, abs=0.2)
    assert gain.own_u_l > 15
    assert gained(minutes(RISE), house=Household("other", 240.0, 24.0)).besides == "nothing"


def test_a_household_is_the_less_certain_the_longer_but_evens_out_over_days() -> None:
    house = Household("tank", 240.0, 24.0)
    drawn = [house.drawn_l(h * HOUR_MS) for h in (1, 6, 24, 240)]
    assert [round(litres, 6) for litres, _ in drawn] == [10.0, 60.0, 240.0, 2400.0]
    us = [u for _, u in drawn]
    assert us == sorted(us)
    assert us[-1] < 0.11 * 2400


def test_a_tank_at_its_brim_keeps_its_zeros_error_and_is_marked() -> None:
    low = gained(minutes(RISE))
    high = gained(minutes(RISE, brim_l=1900.0))
    assert high.at_brim
    assert not low.at_brim
    assert high.gain_l == pytest.approx(900.0)
    assert high.own_u_l == pytest.approx(math.hypot(low.own_u_l, 4.0))


def test_a_levels_uncertainty_follows_the_guide() -> None:
    # JCGM 100:2008, 5.2.2, by the package uncertainties: what both levels share is one variable, and goes out.
    gain = gained(minutes(RISE))
    noise = [ufloat(0, 2.0 / math.sqrt(20)) for _ in range(2)]
    alike = math.exp(-(gain.last.t_ms - gain.first.t_ms) / (6 * HOUR_MS))
    common, own = ufloat(0, 3.0 * math.sqrt(alike)), [ufloat(0, 3.0 * math.sqrt(1 - alike)) for _ in range(2)]
    zero = ufloat(0, 4.0)
    scale = ufloat(1, 0.01)
    first, last = (litres * scale + zero + common + own[k] + noise[k] for k, litres in enumerate((1000.0, 2000.0)))
    assert math.hypot(gain.own_u_l, gain.shared_u_l) == pytest.approx((last - first).std_dev, rel=1e-6)


def test_a_gap_at_the_beginning_takes_an_older_level_and_a_longer_time() -> None:
    tank = minutes(RISE)
    some = replace(
        tank,
        **{
            n: getattr(tank, n)[(tank.t_ms < 4.9 * HOUR_MS) | (tank.t_ms > 6 * HOUR_MS)]
            for n in tank.__slots__
            if n != "tank"
        },
    )
    gain = gained(some, dry=DryDays(-60.0, 5.0, 9))
    assert gain.rise_l == pytest.approx(1000.0)
    assert gain.first.t_ms < 5 * HOUR_MS
    assert gain.besides_l < -60.0  # of a longer time than the window's


def test_no_level_at_all_is_not_enough_to_say() -> None:
    tank = minutes(RISE)
    none = tank.between(0, 1)
    found = tank_gain(none, WINDOW, [], None, None, END_MS)
    assert found == Unknown("there is no good level of tank before the storm")
    early = tank.between(0, 7 * HOUR_MS)
    found = tank_gain(early, WINDOW, [], None, None, END_MS)
    assert found == Unknown("there is no good level of tank after the storm")


# --- dry days --------------------------------------------------------------------------------------------------------


def fortnight(*, wet: tuple[int, ...] = (), lost_l: float = 48.0) -> tuple[TankMinutes, I64]:
    """Fifteen days of a tank that loses so many litres a day; tips at noon of the wet ones."""
    volume_l = 9000.0 - np.arange(1, 15 * 1440 + 1) / 1440 * lost_l
    tips_ms = np.array([day * DAY_MS + 12 * HOUR_MS for day in wet], np.int64)
    return minutes(volume_l), tips_ms


NOON = StormWindow(7 * DAY_MS + 11 * HOUR_MS, 7 * DAY_MS + 17 * HOUR_MS, still=True)


def test_the_same_hours_of_dry_days_tell_what_a_tank_does_by_itself() -> None:
    tank, tips_ms = fortnight(wet=(7, 9))
    found = dry_days(tank, NOON, tips_ms, [], 0, 15 * DAY_MS)
    assert found is not None
    assert found.days == 13  # of fourteen other days, one is wet; the storm's own is not looked at
    assert found.change_l == pytest.approx(-12.0, abs=0.01)
    assert found.scatter_l < 0.01


def test_days_of_pump_or_delivery_are_no_dry_days() -> None:
    tank, tips_ms = fortnight(wet=(7,))
    run = WaterMove("tank", 3 * DAY_MS + 12 * HOUR_MS, 3 * DAY_MS + 13 * HOUR_MS, -500.0, 5.0, "pumped")
    found = dry_days(tank, NOON, tips_ms, [run], 0, 15 * DAY_MS)
    assert found is not None
    assert found.days == 13


def test_a_day_far_from_all_others_is_left_out() -> None:
    tank, tips_ms = fortnight(wet=(7,))
    volume_l = tank.volume_l.copy()
    rng = np.random.default_rng(0)
    volume_l += np.repeat(rng.normal(0, 3, 15 * 8), 180)
    volume_l[tank.t_ms > 4 * DAY_MS + 14 * HOUR_MS] -= 700.0  # a bath that ran over
    found = dry_days(replace(tank, volume_l=volume_l), NOON, tips_ms, [], 0, 15 * DAY_MS)
    assert found is not None
    assert found.days == 13
    assert found.change_l == pytest.approx(-12.0, abs=6.0)


def test_too_few_dry_days_say_nothing() -> None:
    tank, tips_ms = fortnight(wet=tuple(day for day in range(15) if day not in (2, 5, 11)))
    assert dry_days(tank, NOON, tips_ms, [], 0, 15 * DAY_MS) is None
    assert dry_days(tank, NOON, NO_TIPS, [], 6 * DAY_MS, 9 * DAY_MS) is None


# --- groups ----------------------------------------------------------------------------------------------------------


def cascade(*, sensors: tuple[str, ...] = ("a", "b", "c")) -> tuple[Network, dict[str, TankGain | Unknown]]:
    """a overflows into b, b into c; roofs of 10, 20, 30 L/mm; c is open."""
    network = Network(
        tuple(WaterTank(name, 5000.0, 0.0, 4.0 if name == "c" else 0.0, 0.0) for name in "abc"),
        tuple(
            Roof(f"roof {name}", area, 1.0, 0.5, 0.0, ((name, 1.0),))
            for name, area in zip("abc", (10, 20, 30), strict=True)
        ),
        (("a", "b"), ("b", "c")),
    )
    return network, {name: gain_of(name, 100.0 * (k + 1)) for k, name in enumerate("abc") if name in sensors}


def gain_of(name: str, litres: float, *, at_brim: bool = False) -> TankGain:
    level = LevelMean(0, 1.0, 1000.0, 1.0, 4.0, 3.0, 10.0, at_brim=at_brim)
    return TankGain(name, litres, 0.0, 0.0, "nothing", 0, litres, 3.0, 4.0, at_brim, level, level)


def grouped(
    name: str, network: Network, gains: dict[str, TankGain | Unknown], rain_mm: float = 10.0
) -> tuple[float, Bound]:
    (group,) = [one for one in catchings(network) if one.name == name]
    found = group_gain(network, group, gains, rain_mm)
    assert not isinstance(found, Unknown), found
    return found.roof_l, found.bound


def test_a_cascade_is_the_site_and_each_tank_by_itself() -> None:
    network, _ = cascade()
    assert [(one.name, one.tanks, one.whole, one.yield_l_mm, one.loss_mm) for one in catchings(network)] == [
        ("site", ("a", "b", "c"), True, 60.0, 0.5),
        ("a", ("a",), True, 10.0, 0.5),
        ("b", ("b",), False, 20.0, 0.5),
        ("c", ("c",), False, 30.0, 0.5),
    ]


def test_two_cascades_are_told_apart() -> None:
    network, _ = cascade()
    apart = replace(network, overflows=(("a", "b"),))
    assert [one.name for one in catchings(apart)] == ["site", "a + b", "a", "b", "c"]


def test_direct_catch_is_taken_apart() -> None:
    network, gains = cascade()
    assert grouped("site", network, gains) == (600.0 - 40.0, Bound.EXACT)
    assert grouped("c", network, gains) == (300.0 - 40.0, Bound.EXACT)


def test_an_upper_tank_that_runs_over_leaves_the_chains_sum_whole() -> None:
    network, gains = cascade()
    gains["a"] = gain_of("a", 60.0, at_brim=True)
    assert grouped("site", network, gains)[1] == Bound.EXACT
    assert grouped("a", network, gains) == (60.0, Bound.AT_LEAST)
    assert grouped("b", network, gains) == (200.0, Bound.AT_MOST)
    assert grouped("c", network, gains)[1] == Bound.EXACT


def test_a_brim_full_storm_is_a_lower_bound() -> None:
    network, gains = cascade()
    gains["c"] = gain_of("c", 300.0, at_brim=True)
    assert grouped("site", network, gains)[1] == Bound.AT_LEAST


def test_a_tank_that_took_overflow_and_ran_over_says_nothing_of_its_own_roofs() -> None:
    network, gains = cascade()
    gains["a"], gains["b"] = gain_of("a", 60.0, at_brim=True), gain_of("b", 60.0, at_brim=True)
    (group,) = [one for one in catchings(network) if one.name == "b"]
    assert group_gain(network, group, gains, 10.0) == Unknown(
        "b was full to the brim, and a may have overflowed into b"
    )


def test_a_tank_without_a_sensor_makes_a_bound_of_the_chain() -> None:
    network, gains = cascade(sensors=("a", "c"))
    assert grouped("site", network, gains)[1] == Bound.AT_LEAST
    assert grouped("c", network, gains)[1] == Bound.AT_MOST  # nobody knows whether b ran over into it
    (alone,) = [one for one in catchings(network) if one.name == "b"]
    assert group_gain(network, alone, gains, 10.0) == Unknown("none of its tanks has a sensor")


def test_a_tank_without_a_sensor_and_without_water_makes_none() -> None:
    network, gains = cascade(sensors=("a", "b"))
    dry = replace(
        network,
        tanks=tuple(replace(tank, open_area_m2=0.0) for tank in network.tanks),
        roofs=network.roofs[:2],
    )
    assert grouped("site", dry, gains) == (300.0, Bound.EXACT)
    gains["b"] = gain_of("b", 200.0, at_brim=True)
    assert grouped("site", dry, gains)[1] == Bound.AT_LEAST


def test_a_tank_whose_levels_are_missing_makes_a_bound_with_the_reason() -> None:
    network, gains = cascade()
    gains["b"] = Unknown("there is no good level of b before the storm")
    (site,) = [one for one in catchings(network) if one.name == "site"]
    found = group_gain(network, site, gains, 10.0)
    assert not isinstance(found, Unknown)
    assert (found.bound, found.because) == (Bound.AT_LEAST, ("there is no good level of b before the storm",))


def test_tanks_errors_are_independent_of_one_another() -> None:
    network, gains = cascade()
    (site,) = [one for one in catchings(network) if one.name == "site"]
    found = group_gain(network, site, gains, 10.0)
    assert not isinstance(found, Unknown)
    assert found.own_u_l == pytest.approx(3.0 * math.sqrt(3))
    assert found.shared_u_l == pytest.approx(4.0 * math.sqrt(3))


# --- rain ------------------------------------------------------------------------------------------------------------


def test_no_dead_time_changes_nothing_and_a_burst_is_not_made_endless() -> None:
    t_ms, tips = np.array([0, 500, 900, 900], np.int64), np.array([1, 1, 1, 1], np.int64)
    assert caught_mm(t_ms, tips, np.full(4, 0.2), 0.0).tolist() == [0.2] * 4
    assert caught_mm(t_ms, tips, np.full(4, 0.2), 0.45).tolist() == [0.2, 0.4, 0.4, 0.4]
    assert caught_mm(t_ms[:1], tips[:1], np.full(1, 0.2), 0.45).tolist() == [0.2]


def test_a_single_tip_peaks_at_its_own_rain_over_the_window() -> None:
    peak = peak_mm_h(np.array([1000], np.int64), np.array([0.2]), 300, tip_mm=0.2, u_ratio=0.02)
    assert peak.value == pytest.approx(2.4)
    assert peak.low == pytest.approx(2.4 - 1.96 * 12 * math.hypot(0.2 / math.sqrt(6), 0.2 * 0.02), abs=0.001)


def test_shorter_windows_see_no_less_than_longer_ones() -> None:
    rng = np.random.default_rng(0)
    t_ms = np.cumsum(rng.exponential(60_000, 300)).astype(np.int64)
    peaks = [peak_mm_h(t_ms, np.full(300, 0.2), 60 * w, tip_mm=0.2, u_ratio=0.0).value for w in (5, 15, 30, 60)]
    assert peaks == sorted(peaks, reverse=True)


def test_a_burst_in_the_middle_is_found_wherever_it_lies() -> None:
    # 20 tips at one a minute, with ten in one minute in their middle: the hardest five minutes hold 13 to 14 of them.
    t_ms = np.concatenate(
        [np.arange(10) * 60_000, 600_000 + np.arange(1, 11) * 6_000, 660_000 + np.arange(1, 11) * 60_000]
    )
    peak = peak_mm_h(t_ms.astype(np.int64), np.full(30, 0.2), 300, tip_mm=0.2, u_ratio=0.0)
    assert 13 * 0.2 * 12 <= peak.value <= 14 * 0.2 * 12 + 1e-9


def test_the_hardest_minutes_may_begin_between_two_tips() -> None:
    # A tip each ten minutes, then three in one minute: the five minutes up to the last hold those three and, of the
    # four minutes before them, 240 / 600 of a tip.
    t_ms = np.array([0, 600, 1200, 1220, 1240, 1260], np.int64) * 1000
    peak = peak_mm_h(t_ms, np.full(6, 0.2), 300, tip_mm=0.2, u_ratio=0.0)
    assert peak.value == pytest.approx((3 + 0.4) * 0.2 * 12)
