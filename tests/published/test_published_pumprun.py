"""Pump runs and the defence plan against sources outside: EPANET, standards, and libraries run beside ours."""

import math
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import statsmodels.api as sm
from desk_site import SETTINGS, Raw, make_site, ms
from pump_twin import T0, meter_rows, tank_minutes
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects
from uncertainties import ufloat

from rainstead import answers
from rainstead.calc import desk
from rainstead.calc.desk import Estimate, Measure, Part, Side, Unknown
from rainstead.log import LogReader
from rainstead.readings import F64, Quality
from rainstead.settings import load_settings


class Epanet(NamedTuple):
    """What EPANET says of the transfer, each second."""

    t_s: F64
    source_m: F64
    receiver_m: F64
    flow_l_min: F64


SOURCE_L_PER_M = math.pi * 1.25**2 * 1000
RECEIVER_L_PER_M = math.pi * 1.0**2 * 1000


@pytest.fixture(scope="module")
def epanet(tmp_path_factory: pytest.TempPathFactory) -> Epanet:
    """A pump lifts water from one tank into another 8 m above it, on from 600 s to 6000 s.

    EPANET 2.2 through wntr 1.5; the pump has a one-point curve, so that its flow falls as the one tank empties and the
    other fills.
    """
    wntr = pytest.importorskip("wntr")
    ct = wntr.network.controls
    net = wntr.network.WaterNetworkModel()
    net.add_curve("pump", "HEAD", [(0.0005, 20.0)])
    net.add_tank("A", elevation=0, init_level=1.8, min_level=0.1, max_level=2.2, diameter=2.5)
    net.add_tank("B", elevation=8, init_level=0.3, min_level=0, max_level=2.2, diameter=2.0)
    for name in ("in", "out"):
        net.add_junction(name, base_demand=0, elevation=0)
    net.add_pipe("suction", "A", "in", length=3, diameter=0.04, roughness=150)
    net.add_pump("P", "in", "out", pump_type="HEAD", pump_parameter="pump")
    net.add_pipe("hose", "out", "B", length=40, diameter=0.032, roughness=150)
    pump = net.get_link("P")
    pump.initial_status = "CLOSED"
    for at_s, on in ((600, 1), (6000, 0)):
        when = ct.SimTimeCondition(net, "=", at_s)
        net.add_control(f"at {at_s}", ct.Control(when, ct.ControlAction(pump, "status", on)))
    net.options.time.duration = 7200
    net.options.hydraulic.headloss = "H-W"
    for what in ("hydraulic", "report", "pattern", "quality"):
        setattr(net.options.time, f"{what}_timestep", 1)
    folder: Path = tmp_path_factory.mktemp("epanet")
    told = wntr.sim.EpanetSimulator(net).run_sim(file_prefix=str(folder / "run"))
    return Epanet(
        told.node["pressure"].index.to_numpy(dtype=float),
        told.node["pressure"]["A"].to_numpy(dtype=float),
        told.node["pressure"]["B"].to_numpy(dtype=float),
        told.link["flowrate"]["P"].to_numpy(dtype=float) * 60_000,
    )


def passed_l(told: Epanet) -> F64:
    return np.concatenate([[0.0], np.cumsum(told.flow_l_min[:-1] / 60)])


def review(
    told: Epanet, *, noise_m: float = 0.0015, k_said: float = 390.0, with_meter: bool = True, seed: int = 0
) -> desk.RunReview:
    meter = meter_rows(told.t_s, passed_l(told), k_true=390.0, k_said=k_said) if with_meter else None
    return desk.review_run(
        T0 + 600_000,
        T0 + 6_000_000,
        meter=meter,
        source=Side(tank_minutes("A", told.t_s, told.source_m, l_per_m=SOURCE_L_PER_M, noise_m=noise_m, seed=seed)),
        receiver=Side(
            tank_minutes("B", told.t_s, told.receiver_m, l_per_m=RECEIVER_L_PER_M, noise_m=noise_m, seed=seed + 1000)
        ),
        free_from_ms=T0,
        free_upto_ms=T0 + 7_200_000,
    )


def test_epanet_moved_what_its_levels_and_its_flow_say(epanet: Epanet) -> None:
    # The figures of the same net at this step, printed by wntr 1.5.0: 4378.94 L, 48.66 L/min.
    out_l = (epanet.source_m[0] - epanet.source_m[-1]) * SOURCE_L_PER_M
    assert f"{passed_l(epanet)[-1]:.1f}" == "4378.9"
    assert out_l == pytest.approx(4378.94, rel=1e-4)
    assert f"{np.mean(epanet.flow_l_min[600:6000]):.2f}" == "48.65"


def test_three_measures_of_epanets_transfer_each_find_its_litres(epanet: Epanet) -> None:
    told = review(epanet)
    truth_l = passed_l(epanet)[-1]
    assert [measure.name for measure in told.measures] == ["meter", "source", "receiver"]
    for measure in told.measures:
        assert measure.value == pytest.approx(truth_l, rel=1e-3), measure.name
        assert measure.estimate.low <= truth_l <= (measure.estimate.high or 0), measure.name
    assert told.findings.verdict == "agree"
    assert isinstance(told.best, desk.Best)
    assert told.best.estimate.value == pytest.approx(truth_l, rel=1e-3)
    assert told.best.estimate.u < min(measure.u for measure in told.measures)


def test_epanets_flow_lies_in_the_reviews_interval_and_its_fall_is_seen(epanet: Epanet) -> None:
    told = review(epanet)
    assert isinstance(told.flow_l_min, Estimate)
    mean = float(np.mean(epanet.flow_l_min[600:6000]))
    assert told.flow_l_min.value == pytest.approx(mean, rel=1e-3)
    assert told.flow_l_min.low <= mean <= (told.flow_l_min.high or 0)
    assert isinstance(told.steady, desk.SteadyFlow)
    by_hour = (epanet.flow_l_min[5999] - epanet.flow_l_min[600]) / 1.5
    assert told.steady.trend_l_min_h.value == pytest.approx(by_hour, rel=0.01)
    assert told.steady.warm_up_s < 30


def test_without_a_meter_the_tanks_alone_tell_epanets_flow_and_when(epanet: Epanet) -> None:
    told = review(epanet, with_meter=False)
    assert isinstance(told.fall, desk.Fall)
    assert abs(told.start_ms - (T0 + 600_000)) < 3 * 1000 * max(told.ends_u_s, 1)
    assert abs(told.end_ms - (T0 + 6_000_000)) < 3 * 1000 * max(told.ends_u_s, 1)
    mean = float(np.mean(epanet.flow_l_min[600:6000]))
    assert isinstance(told.flow_l_min, Estimate)
    assert told.flow_l_min.value == pytest.approx(mean, rel=2e-3)
    assert told.flow_l_min.low <= mean <= (told.flow_l_min.high or 0)


def test_200_noisy_copies_find_epanets_litres_to_a_tenth_of_a_percent(epanet: Epanet) -> None:
    # Noise of 1.5 mm and steps of 1 mm, as in the recovery of the reference run: 4,378.7 with a scatter of 1.1 L.
    truth_l = passed_l(epanet)[-1]
    found = []
    for seed in range(200):
        minutes = tank_minutes("A", epanet.t_s, epanet.source_m, l_per_m=SOURCE_L_PER_M, seed=seed)
        first = desk.still_before(minutes, T0 + 600_000, T0)
        last = desk.still_after(minutes, T0 + 6_000_000, T0 + 7_200_000)
        assert not isinstance(first, Unknown)
        assert not isinstance(last, Unknown)
        found.append(desk.tank_change("source", "A", first, last, falls=True))
    values = np.array([measure.value for measure in found])
    chance = float(np.mean([next(p.u for p in measure.parts if p.name == "A noise") for measure in found]))
    assert np.max(np.abs(values - truth_l)) < 2e-3 * truth_l
    assert abs(float(np.mean(values)) - truth_l) < 1e-3 * truth_l
    assert float(np.std(values, ddof=1)) == pytest.approx(chance, rel=0.15)


def test_a_meter_that_is_5_percent_off_is_found_out_by_epanets_tanks(epanet: Epanet) -> None:
    told = review(epanet, k_said=390 * 1.08)
    assert (told.findings.verdict, told.findings.odd) == ("odd_one_out", "meter")
    cause = told.findings.causes[0]
    assert cause.what == "k_factor"
    assert cause.right_k_per_l is not None
    assert cause.right_k_per_l.low <= 390 <= (cause.right_k_per_l.high or 0)
    assert isinstance(told.best, desk.Best)
    assert told.best.estimate.value == pytest.approx(passed_l(epanet)[-1], rel=1e-3)


EPANET_SITE = (
    SETTINGS.replace("[pump]", '[pump]\nto = "west"')
    .replace(
        'shape = "cuboid", length = "2 m", width = "1 m", volume_u_ratio = 0.0', 'shape = "cylinder", diameter = "DIA"'
    )
    .replace("DIA", "2.5 m", 1)
    .replace("DIA", "2.0 m", 1)
    .replace('brim = "2.0 m"', 'brim = "2.2 m"')
    .replace('every = "60 s"', 'every = "10 s"')
    .replace("u_ratio = 0.0 }]", "u_ratio = 0.03 }]")
)


def test_epanets_levels_and_pulses_as_readings_in_a_log_give_its_litres_and_its_flow(
    epanet: Epanet, tmp_path: Path
) -> None:
    # The whole way: millimetres of range with 1.5 mm of noise and pulses of 100 a litre, through log, settings and
    # calculation to the run's sheet. The faces hang at 2.5 m.
    rng = np.random.default_rng(21)
    begun_ms = ms("2026-03-28T09:00:00")
    rows: list[Raw] = []
    for sensor, level_m in (("east_level", epanet.source_m), ("west_level", epanet.receiver_m)):
        at_s = np.arange(5, 7200, 10)
        range_mm = np.round(1000 * (2.5 - level_m[at_s]) + rng.normal(0, 1.5, len(at_s)))
        rows += [
            (begun_ms + 1000 * int(t), sensor, float(mm), Quality.OK) for t, mm in zip(at_s, range_mm, strict=True)
        ]
    counted = np.floor(passed_l(epanet) * 100 + 1e-6)[600:6001:5]
    rows.append((begun_ms + 600_000, "meter", 0.0, Quality.OK))
    rows += [
        (begun_ms + 600_000 + 5000 * (k + 1), "meter", float(count), Quality.OK)
        for k, count in enumerate(np.diff(counted))
    ]
    site = make_site(tmp_path / "site", rows, text=EPANET_SITE, watched=False)
    settings = load_settings(site / "site.toml")
    with LogReader(site / "readings.db") as reader:
        told = answers.run(settings, reader, site, begun_ms + 7_200_000)
    truth_l = float(passed_l(epanet)[-1])
    assert [line.name for line in told.measures] == ["meter", "source", "receiver"]
    for line in told.measures:
        assert line.volume_l.value == pytest.approx(truth_l, rel=1e-3), line.name
    assert told.verdict == "agree"
    assert isinstance(told.best_l, Estimate)
    assert told.best_l.value == pytest.approx(truth_l, rel=1e-3)
    assert told.best_l.low <= truth_l <= (told.best_l.high or 0)
    mean = float(np.mean(epanet.flow_l_min[600:6000]))
    assert isinstance(told.flow_l_min, Estimate)
    assert told.flow_l_min.value == pytest.approx(mean, rel=2e-3)
    assert abs(told.duration_s - 5400) < 1


# --- agreement -----------------------------------------------------------------------------------------------------


def test_the_normalised_error_is_the_standards() -> None:
    # ISO 13528:2015, 9.7; ISO/IEC 17043, annex B (from memory): En = (x - X) / sqrt(U(x)^2 + U(X)^2), U with k = 2.
    first = Measure("a", 102.0, (Part("a", 1.5),))
    second = Measure("b", 98.0, (Part("b", 2.0),))
    (pair,) = desk.pairs((first, second))
    assert pair.en == pytest.approx((102 - 98) / math.sqrt(3.0**2 + 4.0**2))
    assert pair.agrees
    assert not desk.pairs((Measure("a", 103.1, first.parts), second))[0].agrees


def test_a_weighted_mean_is_that_of_least_squares_run_beside_it() -> None:
    # statsmodels GLS on a constant with the full covariance.
    measures = (
        Measure("a", 880.0, (Part("K", 17.6), Part("rain", 3.0))),
        Measure("b", 861.0, (Part("b", 9.0), Part("rain", 4.0))),
        Measure("c", 868.0, (Part("c", 12.0), Part("rain", -5.0))),
    )
    rain = np.array([3.0, 4.0, -5.0])
    c = np.diag([17.6**2, 81.0, 144.0]) + np.outer(rain, rain)
    fit = sm.GLS(np.array([880.0, 861.0, 868.0]), np.ones(3), sigma=c).fit()
    best = desk.best_of(measures)
    assert best.estimate.value == pytest.approx(float(fit.params[0]), rel=1e-9)
    assert best.estimate.u == pytest.approx(math.sqrt(float(fit.normalized_cov_params[0, 0])), rel=1e-9)
    assert math.fsum(weight for _, weight in best.weights) == pytest.approx(1.0)


def test_shared_parts_cancel_in_a_difference_as_uncertainties_has_it() -> None:
    # The package `uncertainties`, which follows JCGM 100:2008, eq. 13.
    rain = ufloat(0, 5)
    a, b = ufloat(880, 10) + rain, ufloat(900, 12) + 0.5 * rain
    (pair,) = desk.pairs(
        (
            Measure("a", 880, (Part("own a", 10), Part("rain", 5))),
            Measure("b", 900, (Part("own b", 12), Part("rain", 2.5))),
        )
    )
    assert pair.difference.u == pytest.approx((a - b).std_dev, rel=1e-12)


def test_the_error_of_a_meter_is_indicated_less_actual_over_actual() -> None:
    # OIML R 49-1 / ISO 4064-1, terminology (from memory): 102 indicated, 100 passed: +2.0 %, not 1.96 %.
    facts = desk.RunFacts(1.0, 39_000, 390.0, False, False, False, None, None)
    meter = Measure("meter", 102.0, (Part("K-factor", 0.5),))
    tanks = (Measure("source", 100.0, (Part("A calibration", 0.1),)), Measure("receiver", 100.0, (Part("B", 0.1),)))
    found = desk.explain((meter, *tanks), facts)
    assert found.causes[0].ratio is not None
    assert f"{100 * found.causes[0].ratio:.2f}" == "2.00"
    assert found.causes[0].right_k_per_l is not None
    assert found.causes[0].right_k_per_l.value == pytest.approx(390 * 1.02)


# --- trend over runs -----------------------------------------------------------------------------------------------


def test_the_scatter_between_runs_is_paule_and_mandels_and_the_line_is_weighted_least_squares() -> None:
    # statsmodels: the iterated Paule-Mandel of `combine_effects` on values without a trend, WLS for the line.
    flow = np.array([55.2, 52.1, 56.4, 53.0, 54.9, 51.7])
    own = np.array([0.3, 0.5, 0.4, 0.3, 0.6, 0.4])
    day = np.array([0.0, 7, 15, 20, 33, 41])
    runs = [desk.RunFlow(round(d * 86_400_000), f, u) for d, f, u in zip(day, flow, own, strict=True)]
    told = desk.flow_trend(runs)
    assert isinstance(told, desk.FlowTrend)
    fit = sm.WLS(flow, sm.add_constant(day), weights=1 / (own**2 + told.scatter_l_min**2)).fit()
    assert told.change_l_min.value == pytest.approx(41 * float(fit.params[1]), rel=1e-6)
    # At the Paule-Mandel scatter the weighted squares are n - 2, so that statsmodels' scale is 1: the same interval.
    assert float(fit.scale) == pytest.approx(1.0, rel=1e-6)
    low, high = 41 * fit.conf_int()[1]
    assert told.change_l_min.low == pytest.approx(low, rel=1e-6)
    assert told.change_l_min.high == pytest.approx(high, rel=1e-6)
    assert told.p == pytest.approx(float(fit.pvalues[1]), rel=1e-6)
    flat = combine_effects(flow, own**2, method_re="iterated")
    # One degree more is spent on the slope, so that the two scatters agree only roughly.
    assert told.scatter_l_min == pytest.approx(math.sqrt(flat.tau2), rel=0.2)


def test_a_line_through_equal_runs_is_scipys() -> None:
    # scipy.stats.linregress, where all runs are known alike and scatter more than that.
    day = np.arange(8.0)
    flow = 50 - 0.4 * day + np.random.default_rng(4).normal(0, 0.5, 8)
    told = desk.flow_trend([desk.RunFlow(round(d * 86_400_000), f, 0.01) for d, f in zip(day, flow, strict=True)])
    fit = stats.linregress(day, flow)
    assert isinstance(told, desk.FlowTrend)
    assert told.change_l_min.value == pytest.approx(7 * fit.slope, rel=1e-6)
    assert told.change_l_min.u == pytest.approx(7 * fit.stderr, rel=1e-4)
    assert told.p == pytest.approx(fit.pvalue, rel=1e-3)
    assert told.verdict == "weaker"


# --- flow, fuel, defence -------------------------------------------------------------------------------------------


def test_a_bucket_and_a_watch() -> None:
    # ISO 8316:1987, the idea (static, volumetric); worked by JCGM 100:2008, eq. 12: 20 L in 6.0 s is 200 L/min,
    # 0.1 L and 0.2 s make 3.37 %.
    told = desk.bucket_flow(20, 0.1, 6.0, 0.2)
    assert isinstance(told, Estimate)
    assert f"{told.value:.0f}" == "200"
    assert f"{100 * told.u / told.value:.2f}" == "3.37"
    assert told.u == pytest.approx((60 * ufloat(20, 0.1) / ufloat(6, 0.2)).std_dev)


def test_two_hundred_litres_a_minute_at_three_bar_are_a_kilowatt() -> None:
    # Hydraulic power P = p Q (textbook); 30 m of water at 20 C (998.2 kg/m3, g 9.80665) make 978.9 W at that flow.
    assert f"{desk.water_power_w(200, 300):.0f}" == "1000"
    assert f"{desk.water_power_w(200, 30 * 9.80665 * 998.2 / 1000):.1f}" == "978.9"


def test_petrol_at_the_pumping_plant_standard() -> None:
    # Nebraska Pumping Plant Performance Criteria (Dorn, University of Nebraska, 2008): 8.6 water hp h a US gallon of
    # petrol, that is 1.694 kWh a litre; a kilowatt of water takes 0.590 L/h.
    assert pytest.approx(1.694, abs=5e-4) == 8.6 * 0.745699872 / 3.785411784
    assert desk.plant_rating_ratio(desk.water_kwh_per_l(1000, 0.590)) == pytest.approx(1.0, abs=1e-3)


def test_the_worked_plant_test_of_an_extension_sheet() -> None:
    # University of Georgia extension (Harrison and Tyson): 600 gpm, 70 ft lift and 60 psi, 4.0 gal/h; its answers are
    # computed here: 31.6 water hp, 7.90 hp h a gallon, 63 % of the 12.5 of diesel.
    gpm, psi_kpa, ft_kpa = 600 * 3.785411784, 6.894757, 0.3048 * 9.80665
    power_w = desk.water_power_w(gpm, 60 * psi_kpa + 70 * ft_kpa)
    assert f"{power_w / 745.69987:.1f}" == "31.6"
    per_gal = desk.water_kwh_per_l(power_w, 4.0 * 3.785411784) * 3.785411784 / 0.74569987
    assert per_gal == pytest.approx(7.90, abs=0.01)
    assert f"{100 * per_gal / 12.5:.0f}" == "63"


def plan(
    area_m2: float, depth_mm: float, *, water_l: float, flow: float = 200.0, fuel_l: float = 3.1
) -> desk.DefencePlan:
    exact = Estimate(water_l, 0.0, water_l, water_l)
    return desk.defence_plan(
        area_m2,
        depth_mm,
        flow_l_min=Estimate(flow, 0.0, flow, flow),
        rate_l_h=Estimate(1.2, 0.0, 1.2, 1.2),
        fuel_tank_l=3.1,
        fuel_l=fuel_l,
        tanks=[desk.TankStock("dam", exact, exact, True)],
    )


def test_litres_over_square_metres_are_millimetres() -> None:
    # Perth NRM Irrinote 5: 45 kL on 1.4 ha is 3.2 mm. Computed: 10,000 L on half an acre is 4.942 mm.
    for water_l, area_m2, text in (
        (45_000, 14_000, "3.214"),
        (10_000, 2023.4282112, "4.942"),
        (10_000, 10_000, "1.000"),
    ):
        told = plan(area_m2, 1.0, water_l=water_l)
        assert isinstance(told.depth_by_water_mm, Estimate)
        assert f"{told.depth_by_water_mm.value:.3f}" == text
    assert plan(2023.4282112, 1.0, water_l=1).need_l == pytest.approx(2023.4, abs=0.05)
    # An acre-inch is 27,154 US gallons.
    assert plan(4046.8564224, 25.4, water_l=1).need_l / 3.785411784 == pytest.approx(27_154, abs=0.5)


def test_how_long_stored_water_lasts() -> None:
    # Computed for common flows: 10,000 L at 200 L/min last 50 min; 40,000 L at 100 L/min 6.67 h.
    for water_l, flow, minutes in ((10_000, 200, "50.0"), (40_000, 100, "400.0")):
        told = plan(100, 1.0, water_l=water_l, flow=flow).endurance.water_min
        assert isinstance(told, Estimate)
        assert f"{told.value:.1f}" == minutes


def test_endurance_is_the_shorter_of_fuel_and_water() -> None:
    # Computed: 3.1 L at 1.2 L/h last 155 min; 22,000 L at 250 L/min last 88 min, so that water goes first.
    told = plan(1000, 5.0, water_l=22_000, flow=250.0).endurance
    assert isinstance(told.fuel_min, Estimate)
    assert isinstance(told.first_min, Estimate)
    assert (f"{told.fuel_min.value:.0f}", f"{told.first_min.value:.0f}", told.first) == ("155", "88", "water")


def test_fiellers_interval_of_a_quotient_holds_the_truth_as_often_as_it_says() -> None:
    # Monte Carlo, JCGM 101:2008 in spirit: 95 % of intervals must hold the true quotient, also with a doubtful divisor.
    rng = np.random.default_rng(11)
    top_u, bottom_u, inside, n = 300.0, 8.0, 0, 4_000
    for top, bottom in zip(rng.normal(9000, top_u, n), rng.normal(60, bottom_u, n), strict=True):
        told = desk.quotient(desk.estimate(float(top), top_u), desk.estimate(float(bottom), bottom_u))
        inside += isinstance(told, Estimate) and told.low <= 150 <= (told.high or math.inf)
    assert 0.94 < inside / n < 0.96
