"""A pump run from three sides: edges by the data, rules of explanation one by one, intervals that hold the truth."""

import math

import numpy as np
import pytest
from pump_twin import T0, meter_rows, tank_minutes

from rainstead.calc import desk
from rainstead.calc.desk import Estimate, Measure, Part, RunFacts, Side, TankMinutes, Unknown
from rainstead.readings import F64

L_PER_M = 10_000.0
FACTS = RunFacts(
    hours=0.25,
    pulses=390_000,
    k_per_l=390.0,
    source_at_suction=False,
    receiver_at_brim=False,
    rained=False,
    source_still_l_h=None,
    receiver_still_l_h=None,
)


def meter(value: float, u_ratio: float = 0.03) -> Measure:
    return Measure("meter", value, (Part("K-factor", value * u_ratio), Part("part pulses", 0.001)))


def source(value: float, u_ratio: float = 0.01) -> Measure:
    return Measure("source", value, (Part("pool noise", 5.0), Part("pool calibration", value * u_ratio)))


def receiver(value: float, u_ratio: float = 0.01) -> Measure:
    return Measure("receiver", value, (Part("house noise", 5.0), Part("house calibration", value * u_ratio)))


def first_cause(measures: tuple[Measure, ...], **facts: object) -> desk.Cause:
    found = desk.explain(measures, dataclass_with(FACTS, facts))
    assert found.causes, found
    return found.causes[0]


def dataclass_with(facts: RunFacts, changes: dict[str, object]) -> RunFacts:
    values = {name: getattr(facts, name) for name in facts.__slots__}
    return RunFacts(**{**values, **changes})


# --- which of the three, and why -----------------------------------------------------------------------------------


def test_three_that_agree_need_no_explanation() -> None:
    found = desk.explain((meter(1000), source(1010), receiver(995)), FACTS)
    assert (found.verdict, found.odd, found.causes) == ("agree", None, ())


def test_one_measure_alone_is_told_as_that() -> None:
    assert desk.explain((meter(1000),), FACTS).verdict == "one_alone"


def test_a_meter_against_two_tanks_that_agree_has_a_wrong_k_factor() -> None:
    cause = first_cause((meter(1100), source(1000), receiver(1004)))
    assert cause.what == "k_factor"
    assert cause.right_k_per_l is not None
    assert cause.right_k_per_l.value == pytest.approx(390 * 1.098, rel=1e-3)
    assert cause.ratio == pytest.approx(0.098, abs=1e-3)
    assert cause.in_u == pytest.approx(0.098 / 0.03, rel=0.01)


def test_a_meter_that_counted_next_to_nothing_is_dead_whatever_its_k_factor() -> None:
    assert first_cause((meter(12), source(1000), receiver(1004)), pulses=4680).what == "meter_dead"
    assert first_cause((meter(0), source(1000)), pulses=0).what == "meter_dead"


def test_a_meter_that_counted_more_as_the_water_ended_was_spun_by_air() -> None:
    cause = first_cause((meter(1200), source(1000), receiver(1004)), source_at_suction=True)
    assert cause.what == "air_in_meter"


def test_a_source_that_fell_more_than_the_others_say_lost_water_another_way() -> None:
    cause = first_cause((meter(1000), source(1200), receiver(1004)))
    assert cause.what == "source_loses"
    assert cause.size_l.value == pytest.approx(196, abs=1)


def test_a_source_that_also_fell_while_the_pump_stood_is_believed_to_leak_before_its_calibration_is_doubted() -> None:
    # 10 % is 2.5 standard uncertainties of this calibration, which alone would be likelier than an unseen leak.
    measures = (meter(1000, 0.01), source(1100, 0.04), receiver(1000))
    assert first_cause(measures).what == "source_calibration"
    leak = Estimate(400.0, 20.0, 360.0, 440.0)
    assert first_cause(measures, source_still_l_h=leak).what == "source_loses"


def test_a_source_that_fell_too_little_in_rain_was_filled_meanwhile() -> None:
    cause = first_cause((meter(1000), source(800), receiver(1004)), rained=True)
    assert cause.what == "source_gains"
    assert cause.size_l.value < 0


def test_a_receiver_that_rose_less_did_not_get_the_water() -> None:
    cause = first_cause((meter(1000), source(1004), receiver(700)))
    assert cause.what == "water_elsewhere"
    assert cause.size_l.value == pytest.approx(-303, abs=2)


def test_a_receiver_that_reached_its_brim_spilt() -> None:
    assert first_cause((meter(1000), source(1004), receiver(700)), receiver_at_brim=True).what == "spilt"


def test_a_receiver_that_lost_water_before_is_believed_to_lose_it_still() -> None:
    leak = Estimate(1000.0, 50.0, 900.0, 1100.0)
    assert first_cause((meter(1000), source(1004), receiver(700)), receiver_still_l_h=leak).what == "receiver_loses"


def test_a_receiver_that_rose_more_in_rain_was_rained_into() -> None:
    assert first_cause((meter(1000), source(1004), receiver(1400)), rained=True).what == "receiver_gains"


def test_a_weak_calibration_is_doubted_before_a_leak() -> None:
    cause = first_cause((meter(1000, 0.01), source(1100, 0.04), receiver(1004)))
    assert cause.what == "source_calibration"
    assert cause.ratio == pytest.approx(0.1, abs=0.005)


def test_of_two_that_disagree_the_worse_calibrated_is_suspected_first_and_both_are_named() -> None:
    found = desk.explain((meter(1000, 0.05), source(1140, 0.005)), FACTS)
    assert found.verdict == "two_disagree"
    assert [cause.what for cause in found.causes] == ["k_factor", "source_loses", "source_calibration"]


def test_three_of_which_no_two_agree_are_told_as_that() -> None:
    found = desk.explain((meter(1000, 0.005), source(1300), receiver(700)), FACTS)
    assert (found.verdict, found.odd) == ("none_agree", None)
    assert {cause.what for cause in found.causes} >= {"k_factor", "source_loses", "water_elsewhere"}


# --- the meter's own data ------------------------------------------------------------------------------------------


def run_of(flow_l_min: F64, *, lasts_s: float) -> tuple[F64, F64]:
    """Seconds and litres passed, for a flow given at equal steps over the run."""
    t_s = np.linspace(0, lasts_s, len(flow_l_min) + 1)
    passed_l = np.concatenate([[0.0], np.cumsum(flow_l_min * lasts_s / len(flow_l_min) / 60)])
    return t_s, passed_l


def steady(t_s: F64, passed_l: F64, k: float = 390.0) -> desk.SteadyFlow | Unknown:
    rows = meter_rows(t_s, passed_l, k_true=k, k_said=k)
    return desk.steady_flow(rows.start_ms, rows.t_ms, rows.pulses, k, 0.03)


def test_warm_up_ends_where_the_data_settle_and_is_left_out_of_the_flow() -> None:
    at_s = np.arange(600.0)
    flow = 60 * (1 - np.exp(-at_s / 15)) * (1 + 0.004 * np.random.default_rng(3).normal(size=600))
    told = steady(*run_of(flow, lasts_s=600))
    assert isinstance(told, desk.SteadyFlow)
    # Within 1.2 % after 66 s; the pieces are 5 s long.
    assert 40 <= told.warm_up_s <= 80
    assert told.flow_l_min.value == pytest.approx(60.0, rel=0.003)
    assert told.step is None


def test_a_pump_that_runs_at_once_has_no_warm_up() -> None:
    told = steady(*run_of(np.full(600, 55.0), lasts_s=600))
    assert isinstance(told, desk.SteadyFlow)
    assert told.warm_up_s < 1
    assert told.flow_l_min.value == pytest.approx(55.0, rel=1e-4)
    assert told.trend_l_min_h.low < 0 < (told.trend_l_min_h.high or 0)


def test_another_setting_half_way_is_seen_as_a_step() -> None:
    told = steady(*run_of(np.concatenate([np.full(300, 55.0), np.full(300, 38.0)]), lasts_s=600))
    assert isinstance(told, desk.SteadyFlow)
    assert told.step is not None
    assert told.step.t_ms == pytest.approx(T0 + 300_000, abs=6_000)
    assert told.step.before_l_min == pytest.approx(55, rel=0.01)
    assert told.step.after_l_min == pytest.approx(38, rel=0.01)
    assert told.flow_l_min.value == pytest.approx(38.0, rel=0.01)
    noisy = np.concatenate([np.full(450, 55.0), np.full(450, 50.0)]) + np.random.default_rng(5).normal(0, 0.8, 900)
    told = steady(*run_of(noisy, lasts_s=900))
    assert isinstance(told, desk.SteadyFlow)
    assert told.step is not None
    assert told.step.t_ms == pytest.approx(T0 + 450_000, abs=15_000)


def test_a_flow_that_falls_evenly_is_a_trend_and_no_step() -> None:
    told = steady(*run_of(np.linspace(60.0, 50.0, 900), lasts_s=900))
    assert isinstance(told, desk.SteadyFlow)
    assert told.step is None
    assert told.trend_l_min_h.value == pytest.approx(-40.0, rel=0.01)


def test_a_run_of_a_few_seconds_is_too_short_to_tell() -> None:
    told = steady(*run_of(np.full(12, 55.0), lasts_s=12))
    assert isinstance(told, Unknown)
    assert "too short" in told.because


def test_pulses_that_came_once_tell_no_flow() -> None:
    one = np.array([T0 + 1000], dtype=np.int64)
    told = desk.steady_flow(one - 1000, one, np.array([400], dtype=np.int64), 390.0, 0.03)
    assert isinstance(told, Unknown)


def test_the_first_row_after_a_long_pause_flowed_for_its_last_part_only() -> None:
    # Row of 20 s with 195 pulses, then 390 a second: water flowed for its last half second.
    t_ms = T0 + np.array([20_000, 21_000, 22_000, 23_000], dtype=np.int64)
    start_ms = T0 + np.array([0, 20_000, 21_000, 22_000], dtype=np.int64)
    span = desk.flow_span(start_ms, t_ms, np.array([195, 390, 390, 39], dtype=np.int64))
    assert isinstance(span, desk.FlowSpan)
    assert (span.start_ms - T0, span.end_ms - T0) == (19_500, 22_100)


# --- the tanks' data -----------------------------------------------------------------------------------------------


def pool(t_s: F64, fell_l: F64, **errors: float) -> TankMinutes:
    return tank_minutes("pool", t_s, 0.9 - fell_l / L_PER_M, l_per_m=L_PER_M, **errors)  # type: ignore[arg-type]


def house(t_s: F64, rose_l: F64, **errors: float) -> TankMinutes:
    return tank_minutes("house", t_s, 0.5 + rose_l / L_PER_M, l_per_m=L_PER_M, **errors)  # type: ignore[arg-type]


def story(lasts_min: float, flow_l_min: float, *, before_min: float = 20, after_min: float = 25) -> tuple[F64, F64]:
    """Seconds and litres passed of a run amid still water."""
    t_s = np.arange(0, 60 * (before_min + lasts_min + after_min) + 1.0)
    return t_s, np.clip(t_s / 60 - before_min, 0, lasts_min) * flow_l_min


def reviewed(
    t_s: F64,
    passed_l: F64,
    *,
    source: TankMinutes | None,
    receiver: TankMinutes | None = None,
    k_said: float | None = 390.0,
    k_true: float = 390.0,
) -> desk.RunReview:
    flows = np.flatnonzero(np.diff(passed_l) > 0)
    begins, ends = int(t_s[flows[0]]), int(t_s[flows[-1] + 1])
    return desk.review_run(
        T0 + 1000 * begins,
        T0 + 1000 * ends,
        meter=None if k_said is None else meter_rows(t_s, passed_l, k_true=k_true, k_said=k_said),
        source=None if source is None else Side(source),
        receiver=None if receiver is None else Side(receiver),
        free_from_ms=T0,
        free_upto_ms=T0 + round(1000 * float(t_s[-1])),
    )


def test_litres_of_a_tank_are_those_of_its_levels_and_their_uncertainty_that_of_the_difference() -> None:
    minutes = pool(*story(10, 88.0), seed=4, air_u_m=0.004)
    first = desk.still_before(minutes, T0 + 20 * 60_000, T0)
    last = desk.still_after(minutes, T0 + 30 * 60_000, T0 + 60 * 60_000)
    assert not isinstance(first, Unknown)
    assert not isinstance(last, Unknown)
    told = desk.tank_change("source", "pool", first, last, falls=True)
    plain = desk.volume_change(first, last)
    assert isinstance(plain, Estimate)
    assert told.value == pytest.approx(-plain.value)
    assert told.u == pytest.approx(plain.u, rel=1e-12)


def test_a_tank_at_its_brim_gives_a_bound_and_is_left_out() -> None:
    t_s, passed = story(10, 88.0)
    told = reviewed(t_s, passed, source=pool(t_s, passed, brim_m=0.895), receiver=house(t_s, passed))
    assert [measure.name for measure in told.measures] == ["meter", "receiver"]
    (left,) = told.left_out
    assert "brim" in left.because
    assert left.at_least_l is not None
    assert left.at_least_l.high is None
    assert left.at_least_l.value == pytest.approx(880, rel=0.02)
    full = reviewed(t_s, passed, source=pool(t_s, passed), receiver=house(t_s, passed, brim_m=0.58))
    assert [one.name for one in full.left_out] == ["receiver"]


def test_a_gap_after_the_run_leaves_the_tank_out_and_says_so() -> None:
    t_s, passed = story(10, 88.0)
    cut = pool(t_s, passed).between(T0, T0 + 29 * 60_000)
    told = reviewed(t_s, passed, source=cut)
    assert [measure.name for measure in told.measures] == ["meter"]
    assert told.left_out[0].because == "pool has no good level of still water after the run"
    assert told.findings.verdict == "one_alone"


def test_nothing_at_all_is_unknown_and_says_why() -> None:
    t_s, passed = story(10, 88.0)
    told = reviewed(t_s, passed, source=None, k_said=None)
    assert isinstance(told.best, Unknown)
    assert isinstance(told.flow_l_min, Unknown)
    assert isinstance(told.mean_flow_l_min, Unknown)
    assert told.findings.verdict == "nothing_measured"


def test_a_dead_meter_leaves_the_tanks_litres_and_is_named() -> None:
    t_s, passed = story(10, 88.0)
    none = np.zeros(0, dtype=np.int64)
    told = desk.review_run(
        T0 + 20 * 60_000,
        T0 + 30 * 60_000,
        meter=desk.MeterRows(none, none, none, np.zeros(0), 390.0, 0.03),
        source=Side(pool(t_s, passed)),
        receiver=Side(house(t_s, passed)),
        free_from_ms=T0,
        free_upto_ms=T0 + 55 * 60_000,
    )
    assert told.findings.odd == "meter"
    assert told.findings.causes[0].what == "meter_dead"
    assert isinstance(told.best, desk.Best)
    assert told.best.estimate.value == pytest.approx(880, rel=0.02)


def test_rain_and_draw_are_put_back_and_widen_the_tank() -> None:
    t_s, passed = story(10, 88.0)
    roof = desk.SideWater(120.0, (Part("rain", 36.0),))
    tap = desk.household_out(240.0, 40.0, 0.5)
    assert tap.volume_l == pytest.approx(-5.0)
    # The pool fell by 880 less 120 of rain and 5 more of draw.
    falls = passed * (880 - 120 + 5) / 880
    told = desk.review_run(
        T0 + 20 * 60_000,
        T0 + 30 * 60_000,
        meter=meter_rows(t_s, passed, k_true=390.0, k_said=390.0),
        source=Side(pool(t_s, falls), (roof, tap)),
        receiver=None,
        free_from_ms=T0,
        free_upto_ms=T0 + 55 * 60_000,
        rained=True,
    )
    by_tank = told.measures[1]
    assert by_tank.value == pytest.approx(880, abs=15)
    assert by_tank.u > 36
    assert told.findings.verdict == "agree"


def test_a_house_that_draws_in_lots_scatters_as_its_uncertainty_says() -> None:
    # Showers of 40 L and taps of 5 L come by chance, 240 L a day, over three quarters of an hour; 4,000 such times.
    rng = np.random.default_rng(9)
    told = desk.household_out(240.0, 0.0, 0.75)
    drawn = 40 * rng.poisson(0.6 * 7.5 / 40, 4000) + 5 * rng.poisson(0.4 * 7.5 / 5, 4000)
    assert float(np.mean(drawn)) == pytest.approx(-told.volume_l, abs=0.5)
    assert 0.8 < float(np.std(drawn)) / abs(told.parts[0].u) < 1.05


def test_two_that_disagree_widen_the_best_value_to_hold_both() -> None:
    t_s, passed = story(10, 88.0)
    told = reviewed(t_s, passed, source=pool(t_s, passed), k_said=390 * 1.3)
    assert told.findings.verdict == "two_disagree"
    assert told.is_widened
    assert isinstance(told.best, desk.Best)
    assert told.best.estimate.low <= 880 <= (told.best.estimate.high or 0)


def test_a_fall_is_found_where_it_is_and_still_water_has_none() -> None:
    t_s, passed = story(10, 88.0)
    (span,) = desk.steep_falls(pool(t_s, passed))
    assert span.start_ms - T0 == pytest.approx(20 * 60_000, abs=4 * 60_000)
    assert span.end_ms - T0 == pytest.approx(30 * 60_000, abs=4 * 60_000)
    assert desk.steep_falls(pool(t_s, 0 * passed)) == ()
    assert desk.steep_falls(pool(t_s, passed * 0.05)) == ()  # 4.4 L/min is a tap
    assert desk.steep_falls(pool(t_s, passed).between(T0, T0 + 180_000)) == ()


def test_too_few_minutes_of_a_fall_are_no_fit() -> None:
    t_s, passed = story(10, 88.0)
    cut = pool(t_s, passed).between(T0 + 25 * 60_000, T0 + 28 * 60_000)
    told = desk.fall_fit(cut, desk.FallSpan(T0 + 20 * 60_000, T0 + 30 * 60_000, 880.0))
    assert isinstance(told, Unknown)


def test_a_steady_loss_while_the_pump_stands_is_measured_and_short_standing_is_not() -> None:
    t_s = np.arange(0, 4 * 3600.0)
    told = desk.still_loss_l_h(pool(t_s, t_s / 3600 * 40), T0, T0 + 4 * 3_600_000)
    assert told is not None
    assert told.low <= 40 <= (told.high or 0)
    assert told.low > 20
    assert desk.still_loss_l_h(pool(t_s, t_s), T0, T0 + 20 * 60_000) is None


# --- do the intervals hold the truth? ------------------------------------------------------------------------------


@pytest.mark.parametrize("ways", ["meter, source and receiver", "meter and source", "source"])
def test_the_flows_interval_holds_the_truth_19_times_of_20(ways: str) -> None:
    """Meter, mountings and calibrations are off by as much as they say, anew in each of 200 runs."""
    rng = np.random.default_rng(len(ways))
    inside = 0
    n = 200
    for seed in range(n):
        lasts, flow = rng.uniform(6, 20), rng.uniform(20, 90)
        t_s, passed = story(lasts, flow)
        pool_off, house_off, meter_off = rng.normal(0, (0.015, 0.015, 0.03))
        tank = pool(t_s, passed, seed=seed, scale=pool_off, scale_u=0.015, zero_m=rng.normal(0, 0.003))
        other = house(t_s, passed, seed=seed + 9000, scale=house_off, scale_u=0.015, zero_m=rng.normal(0, 0.003))
        told = reviewed(
            t_s,
            passed,
            source=tank,
            receiver=other if "receiver" in ways else None,
            k_said=390.0 * (1 + meter_off) if "meter" in ways else None,
        )
        assert isinstance(told.flow_l_min, Estimate)
        inside += told.flow_l_min.low <= flow <= (told.flow_l_min.high or math.inf)
    # Three standard deviations of a count of 200 at 95 % are 9.
    assert 0.95 * n - 9 <= inside <= 0.95 * n + 9


def test_a_trends_interval_holds_the_truth_and_says_weaker_no_oftener_than_it_should() -> None:
    rng = np.random.default_rng(8)
    inside = called = 0
    n = 600
    for _ in range(n):
        count = int(rng.integers(4, 10))
        day = np.sort(rng.uniform(0, 100, count))
        own = rng.uniform(0.1, 0.8, count)
        flow = 50 + rng.normal(0, 1.2, count) + rng.normal(0, own)
        told = desk.flow_trend(
            [desk.RunFlow(round(d * 86_400_000), f, u) for d, f, u in zip(day, flow, own, strict=True)]
        )
        assert isinstance(told, desk.FlowTrend)
        inside += told.change_l_min.low <= 0 <= (told.change_l_min.high or math.inf)
        called += told.verdict == "weaker"
    assert 0.92 * n <= inside <= 0.99 * n
    assert called <= 0.045 * n


def test_a_pump_that_loses_a_tenth_over_eight_runs_is_called_weaker() -> None:
    rng = np.random.default_rng(2)
    flows = [desk.RunFlow(k * 7 * 86_400_000, 55 * (1 - 0.1 * k / 7) + rng.normal(0, 0.5), 0.3) for k in range(8)]
    told = desk.flow_trend(flows)
    assert isinstance(told, desk.FlowTrend)
    assert told.verdict == "weaker"
    assert told.change_ratio.low <= -0.1 <= (told.change_ratio.high or 0)


def test_the_next_runs_interval_holds_the_next_run() -> None:
    rng = np.random.default_rng(6)
    inside, n = 0, 1500
    for _ in range(n):
        count = int(rng.integers(1, 7))
        # Pumps whose scatter is known as well as by four runs: 0.05 as a typical one.
        scatter = 0.05 * math.sqrt(4 / rng.chisquare(4))
        flow = 50 * (1 + rng.normal(0, scatter, count + 1))
        told = desk.next_flow([desk.RunFlow(k, f, 0.1) for k, f in enumerate(flow[:-1])], 0.0)
        assert isinstance(told, Estimate)
        inside += told.low <= flow[-1] <= (told.high or math.inf)
    assert 0.935 * n <= inside <= 0.965 * n


def test_too_few_runs_make_no_trend() -> None:
    for count, words in ((0, "are none"), (1, "is one"), (2, "are 2")):
        told = desk.flow_trend([desk.RunFlow(k, 50.0, 0.1) for k in range(count)])
        assert isinstance(told, Unknown)
        assert words in told.because
    assert isinstance(desk.flow_trend([desk.RunFlow(5, 50.0, 0.1)] * 3), Unknown)
    assert isinstance(desk.next_flow([], 0.02), Unknown)


# --- fuel and how long it lasts ------------------------------------------------------------------------------------


def test_fuel_by_the_hour_is_all_of_it_over_all_the_hours() -> None:
    told = desk.fuel_rate([desk.Burnt(0.3, 0.05, 0.25), desk.Burnt(0.26, 0.05, 0.2)])
    assert isinstance(told, Estimate)
    assert told.value == pytest.approx(0.56 / 0.45)
    assert told.u == pytest.approx(math.hypot(0.05, 0.05) / 0.45)


def test_fills_that_scatter_more_than_they_say_are_believed_less() -> None:
    fills = [desk.Burnt(fuel, 0.01, 0.25) for fuel in (0.2, 0.4, 0.3, 0.36)]
    told = desk.fuel_rate(fills)
    assert isinstance(told, Estimate)
    assert told.u > 0.1
    assert isinstance(desk.fuel_rate([]), Unknown)
    assert isinstance(desk.fuel_rate([desk.Burnt(0.3, 0.05, 0.0)]), Unknown)


def test_what_is_not_known_is_missing_by_name_in_the_endurance() -> None:
    flow = Estimate(50.0, 1.0, 48.0, 52.0)
    told = desk.endurance(None, flow, flow, flow)
    assert isinstance(told.fuel_min, Unknown)
    assert isinstance(told.first_min, Unknown)
    assert isinstance(told.water_min, Estimate)
    assert told.first is None
    dry = desk.endurance(3.0, Estimate(1.2, 0.1, 1.0, 1.4), Estimate(0.0, 30.0, 0.0, 40.0), flow)
    assert dry.first == "water"
    assert isinstance(dry.first_min, Estimate)
    assert dry.first_min.value == 0.0


def test_a_divisor_that_may_be_nought_gives_no_quotient() -> None:
    assert isinstance(desk.quotient(desk.estimate(10, 1), desk.estimate(5, 4)), Unknown)
    assert isinstance(desk.quotient(desk.estimate(10, 1), desk.estimate(-5, 1)), Unknown)
    bound = desk.quotient(desk.lower_bound(10, 1), desk.estimate(5, 0.1))
    assert isinstance(bound, Estimate)
    assert bound.is_at_least


# --- the plan ------------------------------------------------------------------------------------------------------


def plan(**changes: object) -> desk.DefencePlan:
    stock = Estimate(9000.0, 200.0, 8600.0, 9400.0)
    asked: dict[str, object] = {
        "flow_l_min": Estimate(50.0, 1.0, 48.0, 52.0),
        "rate_l_h": Estimate(1.3, 0.1, 1.1, 1.5),
        "fuel_tank_l": 3.0,
        "fuel_l": 3.0,
        "tanks": [
            desk.TankStock("pool", stock, Estimate(8000.0, 200.0, 7600.0, 8400.0), True),
            desk.TankStock("house", Estimate(5000.0, 100.0, 4800.0, 5200.0), None, True),
            desk.TankStock("drum", Unknown("drum has no level sensor"), None, False),
        ],
    }
    return desk.defence_plan(2000.0, 5.0, **{**asked, **changes})  # type: ignore[arg-type]


def test_only_the_source_is_pumped_and_the_rest_must_be_moved_first() -> None:
    told = plan()
    assert told.need_l == 10_000
    assert told.water_enough == "no"
    assert isinstance(told.short_l, Estimate)
    assert told.short_l.value == pytest.approx(2000)
    takes = {part.name: part.takes_l for part in told.parts}
    assert takes == {"pool": 8000.0, "house": 0.0, "drum": 0.0}
    assert isinstance(told.others_l, Unknown)  # the drum's litres are not known
    assert isinstance(told.reserve_after_l, Estimate)
    assert told.reserve_after_l.value == pytest.approx(9000 - 8000 + 5000)


def test_minutes_fuel_and_refills_follow_from_flow_and_rate() -> None:
    told = plan()
    assert isinstance(told.minutes, Estimate)
    assert isinstance(told.fuel_l, Estimate)
    assert told.minutes.value == pytest.approx(200)
    assert told.fuel_l.value == pytest.approx(200 / 60 * 1.3)
    # 4.3 L of a 3 L tank begun full: once more; 3.7 to 5.0 L the same.
    assert told.refills == (1, 1, 1)
    assert plan(fuel_tank_l=4.2).refills == (0, 1, 1)
    assert plan(fuel_tank_l=None).refills is None


def test_water_that_may_or_may_not_do_is_told_as_that() -> None:
    def stocks(value: float) -> list[desk.TankStock]:
        one = Estimate(value, 200.0, value - 392, value + 392)
        return [desk.TankStock("pool", one, one, False)]

    assert plan(tanks=stocks(10_100.0)).water_enough == "in_doubt"
    assert plan(tanks=stocks(10_500.0)).water_enough == "yes"
    assert plan(tanks=stocks(9_500.0)).water_enough == "no"
    assert plan(tanks=[]).water_enough == "unknown"


def test_the_plan_without_a_flow_still_tells_the_depth_by_water() -> None:
    told = plan(flow_l_min=Unknown("no run has told it"))
    assert isinstance(told.minutes, Unknown)
    assert isinstance(told.gives_mm, Unknown)
    assert isinstance(told.depth_by_water_mm, Estimate)
    assert told.depth_by_water_mm.value == pytest.approx(4.0)


def test_the_litres_that_fuel_gives_hold_the_truth() -> None:
    rng = np.random.default_rng(12)
    inside, n = 0, 2000
    for _ in range(n):
        flow, rate = 50 + rng.normal(0, 1.5), 1.3 + rng.normal(0, 0.1)
        told = plan(flow_l_min=desk.estimate(flow, 1.5), rate_l_h=desk.estimate(rate, 0.1)).depth_by_fuel_mm
        assert isinstance(told, Estimate)
        inside += told.low <= 3.0 / 1.3 * 60 * 50 / 2000 <= (told.high or math.inf)
    assert 0.935 * n <= inside <= 0.965 * n
