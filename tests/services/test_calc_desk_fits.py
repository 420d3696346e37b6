"""Calibration fits on made-up measurements: right, of honest width, and silent where there is nothing to say."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from rainstead.calc import Cylinder, LyingCylinder, StrappingTable
from rainstead.calc.desk import (
    DipPair,
    Estimate,
    FillStep,
    KPoint,
    Pour,
    Unknown,
    WaterLevel,
    against,
    depth_per_tip_mm,
    estimate,
    fit_dips,
    fit_k,
    fit_straight,
    fit_strapping,
    told_apart,
    zero_depth_m,
)

HOUR = 3_600_000


def still(t_ms: int, depth_m: float, noise_u_m: float = 0.001, sound_u_m: float = 0.0) -> WaterLevel:
    return WaterLevel(t_ms, depth_m, noise_u_m, sound_u_m)


def filled(
    depths: list[float], litres: list[float], *, own_u_l: float = 1.0, noise_u_m: float = 0.001
) -> list[FillStep]:
    """Fills one after the other, each level shared by two of them."""
    levels = [still(k * HOUR, depth, noise_u_m) for k, depth in enumerate(depths)]
    return [
        FillStep(f"fill {k + 1}", levels[k], levels[k + 1], volume, own_u_l, f"fill {k + 1}", 0.0)
        for k, volume in enumerate(litres)
    ]


def estimated(value: object) -> Estimate:
    assert isinstance(value, Estimate), value
    return value


def holds(one: Estimate, truth: float) -> bool:
    assert one.high is not None
    return one.low <= truth <= one.high


# --- Strapping -----------------------------------------------------------------------------------------------------


def test_layers_of_a_bulging_tank_are_found_and_the_rest_is_taken_over() -> None:
    fit = fit_strapping(filled([0.2, 0.4, 0.6, 0.8], [2000.0, 2400.0, 3000.0]), Cylinder(3.66), 0.02, 1.0)
    assert not isinstance(fit, Unknown)
    assert [round(point.depth_m, 3) for point in fit.points] == [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    assert [point.is_measured for point in fit.points] == [False, False, True, True, True, False]
    base = 0.2 * 250 * math.pi * 3.66**2
    expected = [0.0, base, base + 2000, base + 4400, base + 7400, 2 * base + 7400]
    assert [point.volume_l.value for point in fit.points] == pytest.approx(expected)
    assert fit.measured_l.value == pytest.approx(7400)
    assert not fit.is_straight
    assert not fit.scatter.contradict


def test_a_table_never_falls_though_the_volumes_say_so() -> None:
    steps = [*filled([0.2, 0.8], [6000.0]), *filled([0.2, 0.5], [3300.0]), *filled([0.2, 0.6], [3200.0])]
    fit = fit_strapping(steps, Cylinder(3.66), 0.02, 1.0)
    assert not isinstance(fit, Unknown)
    volumes = [point.volume_l.value for point in fit.points]
    assert volumes == sorted(volumes)
    assert fit.scatter.contradict
    assert fit.flat


def test_water_drawn_out_says_the_same_as_water_let_in() -> None:
    up = fit_strapping(filled([0.2, 0.6], [4000.0]), Cylinder(3.66), 0.02, 1.0)
    down = fit_strapping(filled([0.6, 0.2], [-4000.0]), Cylinder(3.66), 0.02, 1.0)
    assert not isinstance(up, Unknown)
    assert not isinstance(down, Unknown)
    assert up.points[2].volume_l == down.points[2].volume_l


def test_a_fill_from_empty_needs_nothing_taken_over_below_it() -> None:
    fit = fit_strapping(filled([0.0, 0.5, 1.0], [5000.0, 5200.0]), Cylinder(3.66), 0.02, 1.0)
    assert not isinstance(fit, Unknown)
    assert all(point.is_measured for point in fit.points[1:])
    assert fit.points[-1].volume_l.value == pytest.approx(10_200)


def test_a_meters_error_does_not_average_out_over_many_transfers() -> None:
    few, many = (
        fit_strapping(
            [
                FillStep(f"{k}", still(k * HOUR, 0.2), still(k * HOUR + 1, 0.7), 5000.0, 10.0, "meter", 0.02)
                for k in range(count)
            ],
            Cylinder(3.66),
            0.02,
            1.0,
        )
        for count in (1, 30)
    )
    assert not isinstance(few, Unknown)
    assert not isinstance(many, Unknown)
    assert many.measured_l.u < few.measured_l.u
    assert many.measured_l.u > 0.019 * 5000


def test_the_shape_within_a_layer_is_that_of_the_calibration_in_force() -> None:
    lying = LyingCylinder(1.5, 3.0)
    whole = lying.volume_l(np.array([1.5]))[0]
    fit = fit_strapping(filled([0.0, 1.5], [1.1 * whole]), lying, 0.02, 1.5)
    assert not isinstance(fit, Unknown)
    for point in fit.points:
        assert point.volume_l.value == pytest.approx(1.1 * lying.volume_l(np.array([point.depth_m]))[0], abs=1e-6)


def test_a_fitted_table_can_be_a_calibration() -> None:
    fit = fit_strapping(filled([0.2, 0.4, 0.6], [2000.0, 2400.0]), Cylinder(3.66), 0.02, 1.0)
    assert not isinstance(fit, Unknown)
    table = StrappingTable(
        tuple(point.depth_m for point in fit.points), tuple(point.volume_l.value for point in fit.points)
    )
    assert table.volume_l(np.array([0.6]))[0] - table.volume_l(np.array([0.2]))[0] == pytest.approx(4400)
    assert all(low < high for low, high in itertools.pairwise(table.depth_m))


@given(seed=st.integers(0, 2**32 - 1))
def test_any_steps_give_a_rising_table_or_the_reason_why_not(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps = []
    for k in range(int(rng.integers(1, 15))):
        low, high = rng.uniform(0, 2, 2)
        volume = rng.normal(10_000 * (high - low), 500)
        steps.append(FillStep(f"{k}", still(k * HOUR, low), still(k * HOUR + 1, high), volume, 20.0, "meter", 0.02))
    fit = fit_strapping(steps, Cylinder(3.5), 0.02, 2.0)
    if isinstance(fit, Unknown):
        assert not any(told_apart(step) for step in steps)
        return
    depths = [point.depth_m for point in fit.points]
    volumes = [point.volume_l.value for point in fit.points]
    assert all(first < second for first, second in itertools.pairwise(depths))
    assert all(first <= second + 1e-6 for first, second in itertools.pairwise(volumes))
    assert all(math.isfinite(point.volume_l.u) for point in fit.points)


def test_a_level_that_hardly_moved_says_nothing() -> None:
    fit = fit_strapping(filled([0.2, 0.205], [50.0]), Cylinder(3.66), 0.02, 1.0)
    assert isinstance(fit, Unknown)
    assert "a tenth of the tank" in fit.because


# --- Litres per centimetre ------------------------------------------------------------------------------------------


def test_dips_between_fills_give_litres_per_metre() -> None:
    fit = fit_straight(filled([0.2, 0.5, 0.9], [3000.0, 4000.0]))
    assert not isinstance(fit, Unknown)
    assert fit.l_per_m.value == pytest.approx(10_000)
    assert not fit.scatter.contradict


def test_a_dip_between_two_fills_cancels_in_their_sum() -> None:
    """The middle dip is 40 mm wrong, which its own uncertainty would call impossible for either fill alone."""
    together = fit_straight(filled([0.2, 0.54, 0.8], [3000.0, 3000.0], noise_u_m=0.02))
    assert not isinstance(together, Unknown)
    assert together.l_per_m.value == pytest.approx(10_000, rel=0.01)


def test_litres_and_rise_that_go_opposite_ways_give_no_figure() -> None:
    fit = fit_straight(filled([0.5, 0.4], [3000.0]))
    assert isinstance(fit, Unknown)
    assert "wrong way during fill 1" in fit.because


def test_fills_that_contradict_are_said_to_and_widen_the_interval() -> None:
    agree = fit_straight(filled([0.2, 0.5, 0.9], [3000.0, 4000.0]))
    contradict = fit_straight(filled([0.2, 0.5, 0.9], [3000.0, 5000.0]))
    assert not isinstance(agree, Unknown)
    assert not isinstance(contradict, Unknown)
    assert contradict.scatter.contradict
    assert contradict.l_per_m.u > 5 * agree.l_per_m.u


def test_the_zero_is_where_a_fill_from_empty_would_have_begun() -> None:
    (first,) = filled([0.0, 0.53], [5000.0])
    zero = zero_depth_m(first, estimate(10_000, 50))
    assert zero.value == pytest.approx(0.03)
    assert zero.u == pytest.approx(math.hypot(0.001, 0.5 * math.hypot(1 / 5000, 0.005)))


# --- Dips -----------------------------------------------------------------------------------------------------------


def dip(day: float, gap_m: float, level_m: float = 1.0, sound_u_m: float = 0.0) -> DipPair:
    return DipPair(f"dip {day}", round(day * 24 * HOUR), level_m + gap_m, 0.005, level_m, 0.001, sound_u_m)


def test_one_dip_tells_as_much_as_it_is_good_for() -> None:
    fit = fit_dips([dip(0, 0.02)])
    assert not isinstance(fit, Unknown)
    assert [fit.offset_m.value, fit.offset_m.u] == pytest.approx([0.02, math.hypot(0.005, 0.001)])
    assert isinstance(fit.slope, Unknown)


def test_two_dips_that_contradict_give_no_figure() -> None:
    fit = fit_dips([dip(0, 0.0), dip(5, 0.03)])
    assert isinstance(fit, Unknown)
    assert "contradict" in fit.because


def test_one_dip_that_contradicts_three_others_is_left_out() -> None:
    fit = fit_dips([dip(0, 0.020), dip(1, 0.024), dip(2, 0.2), dip(3, 0.018)])
    assert not isinstance(fit, Unknown)
    assert fit.odd == (2,)
    assert fit.offset_m.value == pytest.approx(0.0207, abs=0.0005)


def test_dips_of_one_hour_do_not_count_as_many_where_the_air_is_in_doubt() -> None:
    together = fit_dips([dip(k / 500, 0.02, sound_u_m=0.01) for k in range(10)])
    apart = fit_dips([dip(float(k), 0.02, sound_u_m=0.01) for k in range(10)])
    assert not isinstance(together, Unknown)
    assert not isinstance(apart, Unknown)
    assert together.offset_m.u > 0.0095
    assert apart.offset_m.u < 0.004


def test_no_dips_give_no_offset() -> None:
    assert isinstance(fit_dips([]), Unknown)


# --- K-factor -------------------------------------------------------------------------------------------------------


def poured(k: float, flow: float | None, n: int = 0, volume_l: float = 200.0) -> KPoint:
    return KPoint(f"run {n}", volume_l, 1.0, round(k * volume_l), flow)


def test_a_k_factor_that_grows_with_flow_is_told_as_a_curve() -> None:
    fit = fit_k([poured(440 + 10 * math.log(flow / 100), flow, n) for n, flow in enumerate((50, 80, 120, 200))], 0.0)
    assert not isinstance(fit, Unknown)
    assert estimated(fit.slope).value == pytest.approx(10, abs=0.5)
    assert [flow for flow, _ in fit.curve] == pytest.approx([50, 100, 200])
    assert fit.curve[1][1].value == pytest.approx(440, abs=0.5)


def test_one_flow_makes_no_curve() -> None:
    fit = fit_k([poured(440, 100, n) for n in range(6)], 0.0)
    assert not isinstance(fit, Unknown)
    assert isinstance(fit.slope, Unknown)
    assert fit.curve == ()


def test_an_odd_run_is_left_out() -> None:
    fit = fit_k([poured(k, None, n) for n, k in enumerate((440, 441, 439, 300, 440))], 0.0)
    assert not isinstance(fit, Unknown)
    assert fit.odd == (3,)
    assert fit.k_per_l.value == pytest.approx(440, abs=0.5)


def test_a_meter_that_never_pulsed_has_no_k_factor() -> None:
    fit = fit_k([poured(440, 100), poured(0, 100, 1)], 0.0)
    assert isinstance(fit, Unknown)
    assert "no pulse during run 1" in fit.because
    assert isinstance(fit_k([], 0.0), Unknown)


def test_what_all_volumes_share_stays_however_many_there_are() -> None:
    fit = fit_k([poured(440, None, n) for n in range(50)], 0.02)
    assert not isinstance(fit, Unknown)
    assert fit.k_per_l.u == pytest.approx(0.02 * 440, rel=0.01)


# --- Depth per tip --------------------------------------------------------------------------------------------------


def test_more_pours_narrow_only_what_is_not_shared() -> None:
    one = estimated(depth_per_tip_mm(Pour(0.5, 0.0025, 0.2, 0.0005, (80,))))
    nine = estimated(depth_per_tip_mm(Pour(0.5, 0.0025, 0.2, 0.0005, (80,) * 9)))
    shared = one.value * math.hypot(0.005, 0.005)
    assert shared < nine.u < one.u


def test_pours_that_scatter_widen_the_interval_by_students_t() -> None:
    wide = estimated(depth_per_tip_mm(Pour(0.5, 0.0, 0.2, 0.0, (70, 90))))
    assert wide.high is not None
    assert wide.high - wide.value == pytest.approx(stats.t.ppf(0.975, 1) * wide.u)


def test_a_pour_that_ends_on_a_tip_has_no_part_tip() -> None:
    assert estimated(depth_per_tip_mm(Pour(0.5, 0.0, 0.2, 0.0, (80,), on_tips=True))).u == 0


@pytest.mark.parametrize("tips", [(), (0,), (3,), (80, 2)])
def test_too_few_tips_say_nothing(tips: tuple[int, ...]) -> None:
    assert isinstance(depth_per_tip_mm(Pour(0.5, 0.0025, 0.2, 0.0005, tips)), Unknown)


# --- Against the figure in force --------------------------------------------------------------------------------------


def test_a_figure_without_uncertainty_differs_from_any_other() -> None:
    assert against(estimate(1.0, 0.0), 1.0, 0.0).en == 0
    assert against(estimate(1.0, 0.0), 2.0, 0.0).differs


# --- Intervals hold the truth ----------------------------------------------------------------------------------------


def share(hits: list[bool]) -> float:
    return sum(hits) / len(hits)


def test_intervals_of_all_fits_hold_the_truth_nineteen_times_of_twenty() -> None:
    rng = np.random.default_rng(7)
    strapped, straight, pulses, offsets, gauged = [], [], [], [], []
    for _ in range(200):
        k = int(rng.integers(3, 8))
        true_m = np.linspace(0.1, 1.0, k + 1)
        held = 1000 * (10 * true_m + true_m**2)
        t_ms = np.arange(k + 1) * 2 * HOUR
        air = 0.004**2 * np.exp(-np.abs(t_ms[:, None] - t_ms) / (6 * HOUR)) + 0.0015**2 * np.eye(k + 1)
        read_m = true_m + rng.multivariate_normal(np.zeros(k + 1), air)
        levels = [WaterLevel(int(t), float(d), 0.0015, 0.004) for t, d in zip(t_ms, read_m, strict=True)]
        told = np.diff(held) * (1 + rng.normal(0, 0.02)) + rng.normal(0, 5, k)
        steps = [FillStep(f"{j}", levels[j], levels[j + 1], float(told[j]), 5.0, "meter", 0.02) for j in range(k)]
        fit = fit_strapping(steps, Cylinder(3.66), 0.02, 1.0)
        assert not isinstance(fit, Unknown)
        strapped.append(holds(fit.measured_l, held[-1] - held[0]))

        ends = np.sort(rng.uniform(0.1, 1.5, (int(rng.integers(1, 7)), 2)))
        ends[:, 1] = np.maximum(ends[:, 1], ends[:, 0] + 0.1)
        by_dips = [
            FillStep(
                f"{j}",
                WaterLevel(2 * j, low + rng.normal(0, 0.005), 0.005, 0.0),
                WaterLevel(2 * j + 1, high + rng.normal(0, 0.005), 0.005, 0.0),
                10_000 * (high - low) * (1 + rng.normal(0, 0.01)),
                100 * (high - low),
                f"{j}",
                0.0,
            )
            for j, (low, high) in enumerate(ends.tolist())
        ]
        upright = fit_straight(by_dips)
        assert not isinstance(upright, Unknown)
        straight.append(holds(upright.l_per_m, 10_000))

        shared = rng.normal(0, 0.02)
        points = []
        for j in range(int(rng.integers(1, 12))):
            volume = rng.uniform(200, 2000)
            points.append(
                KPoint(f"{j}", volume * (1 + shared) + rng.normal(0, 15), 15.0, int(450 * volume + rng.uniform()), None)
            )
        counted = fit_k(points, 0.02)
        assert not isinstance(counted, Unknown)
        pulses.append(holds(counted.k_per_l, 450))

        days = np.sort(rng.uniform(0, 30, int(rng.integers(1, 9))))
        pairs = [dip(float(day), 0.02 + rng.normal(0, math.hypot(0.005, 0.001))) for day in days]
        dipped = fit_dips(pairs)
        offsets.append(isinstance(dipped, Unknown) or holds(dipped.offset_m, 0.02))

        tip_l = 0.2 * math.pi / 4 * 0.04
        true_l = 0.5 + rng.normal(0, 0.0025)
        tips = tuple(int(true_l / tip_l + rng.uniform()) for _ in range(int(rng.integers(1, 6))))
        gauged.append(
            holds(estimated(depth_per_tip_mm(Pour(0.5, 0.0025, 0.2 + rng.normal(0, 0.0005), 0.0005, tips))), 0.2)
        )
    shares = {
        "strapping": share(strapped),
        "straight": share(straight),
        "pulses": share(pulses),
        "dips": share(offsets),
        "gauge": share(gauged),
    }
    # 200 draws of 95 %: four standard deviations are 6.2 points.
    assert all(one > 0.888 for one in shares.values()), shares


# --- Side by side with scipy ------------------------------------------------------------------------------------------


def test_fills_from_one_level_are_scipys_isotonic_regression() -> None:
    """Each from the floor to another depth, all known equally well: a monotone curve through the pairs."""
    volumes = np.array([1000.0, 2300.0, 2260.0, 3600.0, 3570.0, 5200.0])
    depths = np.linspace(0.1, 0.6, 6)
    steps = [
        FillStep(f"{k}", still(0, 0.0, 0.0), still(1, float(depth), 1e-9), float(volume), 50.0, f"{k}", 0.0)
        for k, (depth, volume) in enumerate(zip(depths, volumes, strict=True))
    ]
    fit = fit_strapping(steps, Cylinder(3.66), 0.02, 0.6)
    assert not isinstance(fit, Unknown)
    assert [point.volume_l.value for point in fit.points[1:]] == pytest.approx(optimize.isotonic_regression(volumes).x)
