"""Transfer, outlook and sizing against outside figures and outside code."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats
from statsmodels.stats.proportion import proportion_confint
from uncertainties import ufloat
from vega_datasets import data as vega

from rainstead.calc.arrays import F64
from rainstead.calc.desk import (
    Cascade,
    Draw,
    Estimate,
    Network,
    RainExpected,
    Roof,
    RoofPipe,
    Stores,
    TankFit,
    WaterTank,
    advance_days,
    cascade_of,
    chance,
    coming_l,
    daily_fall,
    days_without_rain,
    estimate,
    feeds_of,
    freeboard,
    season_paths,
    spill_outlook,
    start_of,
)
from rainstead.calc.desk.stores import Rule

SEATTLE = vega.seattle_weather()
"""Daily weather of Seattle, 2012 to 2015, as the package vega_datasets ships it: precipitation in mm."""


def single_store(capacity: float, demand: float, rule: Rule) -> Stores:
    nought = np.zeros((1, 1))
    return Stores(
        Cascade(("one",), np.array([[capacity]]), (-1,), (0,)),
        nought,
        nought,
        nought,
        (RoofPipe(0, np.array([1.0]), np.array([0.0])),),
        (Draw((0,), np.array([demand])),),
        (),
        np.zeros(1),
        rule,
    )


def run(inflow: list[float] | F64, capacity: float, demand: float, start: float, rule: Rule) -> dict[str, list[float]]:
    """One tank whose roof gives one litre a millimetre, so that rain is inflow."""
    flow = np.asarray(inflow, dtype=np.float64)[:, np.newaxis]
    _, rows = advance_days(
        start_of(np.array([[start]])), single_store(capacity, demand, rule), flow, np.zeros_like(flow)
    )
    return {
        "yield": rows.supplied_l[:, 0].tolist(),
        "spill": rows.lost_l[:, 0].tolist(),
        "store": rows.volume_l[:, 0, 0].tolist(),
    }


# --- the two rules --------------------------------------------------------------------------------------------------

EXAMPLE = [0.0, 6, 0, 1, 8, 0, 0]


def test_yield_after_spillage() -> None:
    # Fewkes and Butler, Building Serv. Eng. Res. Technol. 21(2), 2000 (after Jenkins et al. 1978): the rule from
    # memory, the example by hand from the rule: Y = min(D, V), V' = min(V + Q - Y, S - Y).
    assert run(EXAMPLE, 5, 2, 1, "after") == {
        "yield": [1, 0, 2, 2, 2, 2, 1],
        "spill": [0, 1, 0, 0, 5, 0, 0],
        "store": [0, 5, 3, 2, 3, 1, 0],
    }


def test_yield_before_spillage() -> None:
    # The same source and status: Y = min(D, V + Q), V' = min(V + Q - Y, S).
    assert run(EXAMPLE, 5, 2, 1, "before") == {
        "yield": [1, 2, 2, 2, 2, 2, 2],
        "spill": [0, 0, 0, 0, 2, 0, 0],
        "store": [0, 4, 2, 1, 5, 3, 1],
    }


@pytest.mark.parametrize(("rule", "efficiency"), [("after", "0.714"), ("before", "0.929")])
def test_water_saving_efficiency(rule: Rule, efficiency: str) -> None:
    # Litres got over litres wanted, as Fewkes and Butler 2000 define it (from memory); 10/14 and 13/14 by hand.
    assert f"{sum(run(EXAMPLE, 5, 2, 1, rule)['yield']) / 14:.3f}" == efficiency


def pandas_store(inflow: "pd.Series[float]", capacity: float, demand: float, rule: Rule) -> tuple[float, float, int]:
    """Supplied, spilt and days short, from an empty start: another's few lines, in cubic metres."""
    volume = supplied = spilt = 0.0
    short = 0
    for flow in inflow:
        got = min(demand, volume if rule == "after" else volume + flow)
        full = volume + flow - got
        volume = min(full, capacity - got if rule == "after" else capacity)
        spilt += full - volume
        supplied += got
        short += got < demand - 1e-9
    return supplied, spilt, short


@pytest.mark.parametrize(
    ("capacity", "supplied", "spill", "days_short", "before", "pywr", "pywr_spill"),
    [
        (2, "222.874", "127.192", 807, "241.147", 241.147, 108.619),
        (5, "273.694", "73.372", 599, "278.374", 278.374, 68.392),
        (10, "298.467", "43.599", 504, "300.567", 300.566, 41.199),
        (20, "320.588", "11.477", 421, "321.488", 321.488, 10.278),
    ],
)
def test_four_years_of_seattle(
    capacity: float, supplied: str, spill: str, days_short: int, before: str, pywr: float, pywr_spill: float
) -> None:
    # 0.085 m3 a mm over 0.5 mm, 0.3 m3 a day, empty at first. The printed figures were worked out apart from this
    # project; those of yield before spillage also by pywr 1.31.1 (catchment, storage, output, spill), run once.
    inflow = 0.085 * (SEATTLE["precipitation"] - 0.5).clip(lower=0)
    found = run(inflow.to_numpy(), capacity, 0.3, 0.0, "after")
    assert f"{sum(found['yield']):.3f}" == supplied
    assert f"{sum(found['spill']):.3f}" == spill
    assert sum(one < 0.3 - 1e-9 for one in found["yield"]) == days_short
    other = pandas_store(inflow, capacity, 0.3, "after")
    assert (sum(found["yield"]), sum(found["spill"])) == pytest.approx(other[:2], abs=1e-9)
    assert other[2] == days_short
    found = run(inflow.to_numpy(), capacity, 0.3, 0.0, "before")
    assert f"{sum(found['yield']):.3f}" == before
    assert sum(found["yield"]) == pytest.approx(pywr, abs=0.0015)
    assert sum(found["spill"]) == pytest.approx(pywr_spill, abs=0.0015)
    assert (sum(found["yield"]), sum(found["spill"])) == pytest.approx(
        pandas_store(inflow, capacity, 0.3, "before")[:2], abs=1e-9
    )


def test_the_store_that_the_sequent_peak_method_asks_for_is_just_enough() -> None:
    # Thomas and Fiering, in Maass et al., Design of Water-Resource Systems, 1962 (from memory): K' = max(0, K + D - Q)
    # over the record taken twice; the largest K is the least store that never fails. Monthly flows, in millions of
    # cubic metres, of an exercise with its answer worked out here: demand at the mean less 10 %.
    flows = [382.8, 303.5, 290.1, 518.7, 741.6, 950.5, 1123.2, 1200.4, 973.1, 671.7, 498.9, 347.1]
    demand = 0.9 * sum(flows) / 12
    deficit = largest = 0.0
    for flow in flows * 2:
        deficit = max(0.0, deficit + demand - flow)
        largest = max(largest, deficit)
    for capacity, is_short in [(largest + 0.01, False), (largest - 0.01, True)]:
        got = run(flows * 2, capacity, demand, capacity, "before")["yield"]
        assert any(one < demand - 1e-9 for one in got) is is_short


# --- what comes off a roof ------------------------------------------------------------------------------------------


def roof_network(roof: Roof, tank: WaterTank) -> Network:
    return Network((tank,), (roof,), ())


def comes(network: Network, rain_mm: float) -> float:
    mouths = np.array([tank.open_area_m2 for tank in network.tanks])
    return float(coming_l(cascade_of(network), feeds_of(network), mouths, rain_mm).sum())


def test_a_year_on_200_square_metres() -> None:
    # enHealth, Guidance on use of rainwater tanks, March 2011, appendix B (after Martin 1980), read:
    # 0.8 x (750 - 24) x 200 = 116,160 L. Its 24 mm are of a whole year, so that the year stands for one storm here.
    network = roof_network(Roof("r", 200.0, 0.8, 24.0, 0.0, (("t", 1.0),)), WaterTank("t", 1e6, 0.0, 0.0, 0.0))
    assert f"{comes(network, 750.0):,.0f}" == "116,160"


@pytest.mark.parametrize(
    ("rain_mm", "roof_m2", "kilolitres"),
    [(150, 100, "10"), (300, 200, "44"), (600, 150, "69"), (800, 300, "186"), (1000, 250, "195"), (1200, 500, "470")],
)
def test_kilolitres_a_year_by_rain_and_roof(rain_mm: float, roof_m2: float, kilolitres: str) -> None:
    # The same guidance, table B.1 (65 of its 70 cells are what its formula gives; these are among them).
    network = roof_network(Roof("r", roof_m2, 0.8, 24.0, 0.0, (("t", 1.0),)), WaterTank("t", 1e6, 0.0, 0.0, 0.0))
    assert f"{comes(network, rain_mm) / 1000:.0f}" == kilolitres


def test_gallons_of_an_american_example() -> None:
    # Texas practice, 0.623 gal per square foot and inch: 3.5 in x 0.623 x 2500 ft2 x 0.85; inputs from a river
    # authority's page, the product 4633.6 US gal worked out from its factor, which is 0.06 % short of the exact one.
    network = roof_network(
        Roof("r", 2500 * 0.3048**2, 0.85, 0.0, 0.0, (("t", 1.0),)), WaterTank("t", 1e6, 0.0, 0.0, 0.0)
    )
    assert comes(network, 3.5 * 25.4) / 3.785411784 == pytest.approx(4633.6, rel=7e-4)


def test_an_open_tank_catches_its_own() -> None:
    # 1 mm on 1 m2 is 1 L: (25 - 1) mm x 0.9 x 200 m2 = 4320 L, and 25 mm on a mouth 3.66 m across = 263.02 L, by hand.
    mouth = math.pi / 4 * 3.66**2
    network = roof_network(Roof("r", 200.0, 0.9, 1.0, 0.0, (("t", 1.0),)), WaterTank("t", 1e6, 0.0, mouth, 1.0))
    assert f"{comes(network, 25.0):.2f}" == "4583.02"


# --- the outlook ----------------------------------------------------------------------------------------------------


def test_a_dry_spell_by_the_demand_side_method() -> None:
    # rainwater-toolkit.net, lesson on sizing by demand (read): 20 L a head, 6 heads, 25 dry days need 3,000 L.
    found = days_without_rain(estimate(3000.0, 0.0), estimate(20.0 * 6, 0.0), 0.0)
    assert isinstance(found, Estimate)
    assert f"{found.value:.6g}" == "25"


def test_the_days_that_are_left_carry_the_uncertainty_that_the_gum_gives() -> None:
    # JCGM 100:2008, 5.1.2, by the package uncertainties: (usable - fire) / draw, small uncertainties.
    found = days_without_rain(estimate(21000.0, 250.0), estimate(300.0, 6.0), 9000.0)
    right = (ufloat(21000, 250) - 9000) / ufloat(300, 6)
    assert isinstance(found, Estimate) and found.high is not None
    assert (found.value, found.u) == pytest.approx((right.nominal_value, right.std_dev), rel=1e-9)


def test_the_interval_of_a_quotient_is_where_both_ends_fit_equally_badly() -> None:
    # Fieller, J. R. Stat. Soc. B 16 (1954), from memory: t with (A - t F)^2 = z^2 (uA^2 + t^2 uF^2),
    # the roots by scipy's brentq.
    found = days_without_rain(estimate(21000.0, 900.0), estimate(300.0, 60.0), 9000.0)
    assert isinstance(found, Estimate) and found.high is not None

    def off(t: float) -> float:
        return abs(12000 - t * 300) / math.hypot(900, t * 60) - 1.959964

    low, high = optimize.brentq(off, 0.0, 40.0), optimize.brentq(off, 40.0, 1000.0)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-6)
    # And by drawing both, JCGM 101:2008.
    rng = np.random.default_rng(4)
    drawn = rng.normal(12000, 900, 400_000) / rng.normal(300, 60, 400_000)
    assert (found.low, found.high) == pytest.approx(tuple(np.quantile(drawn, (0.025, 0.975))), rel=0.01)


@pytest.mark.parametrize(("count", "n"), [(0, 2000), (3, 2000), (700, 2000), (2000, 2000)])
def test_a_share_of_paths_has_wilsons_interval(count: int, n: int) -> None:
    # Wilson, JASA 22 (1927), from memory; the figures by statsmodels.
    found = chance(np.where(np.arange(n) < count, 10.0, np.inf), 30)
    low, high = proportion_confint(count, n, method="wilson")
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-12)
    if 0 < count < n:
        assert found.u == pytest.approx(math.sqrt(count / n * (1 - count / n) / n), rel=0.1)


def test_the_mean_fall_of_a_day_has_students_interval() -> None:
    # Student's t, JCGM 100:2008, G.3.2, as scipy works it out.
    fall = np.array([310.0, 280.0, 330.0, 295.0, 305.0, 340.0, 270.0])
    found = daily_fall(fall, np.full(7, 5.0), 0.0)
    assert isinstance(found, Estimate) and found.high is not None
    low, high = stats.t.interval(0.95, 6, loc=fall.mean(), scale=stats.sem(fall))
    assert (found.value, found.low, found.high) == pytest.approx((fall.mean(), low, high), rel=1e-12)


def test_resampled_rain_keeps_the_months_of_the_record_and_its_spells() -> None:
    # Measured rain of Seattle, by pandas: 90 days from 1 October against the record's own October to December.
    days = pd.DatetimeIndex(SEATTLE["date"])
    rain = SEATTLE["precipitation"].to_numpy(dtype=np.float64)
    paths = season_paths(days.day_of_year.to_numpy().astype(np.int64), rain, 274, 90, 4000, seed=3)
    assert not hasattr(paths, "because") and isinstance(paths, np.ndarray)
    autumn = SEATTLE[days.month.isin([10, 11, 12])]["precipitation"]
    assert paths.mean() == pytest.approx(autumn.mean(), rel=0.06)
    assert (paths > 0).mean() == pytest.approx((autumn > 0).mean(), rel=0.06)
    together = np.corrcoef((paths[:-1] > 0).ravel(), (paths[1:] > 0).ravel())[0, 1]
    wet = (autumn > 0).to_numpy()
    assert together == pytest.approx(np.corrcoef(wet[:-1], wet[1:])[0, 1], abs=0.06)
    july = season_paths(days.day_of_year.to_numpy().astype(np.int64), rain, 190, 20, 4000, seed=3)
    assert isinstance(july, np.ndarray) and july.mean() < 0.25 * paths.mean()


# --- rain expected, and what it spills ------------------------------------------------------------------------------


def test_rain_beyond_the_likely_is_exponential_through_the_high_figure() -> None:
    # scipy's exponential with scale (high - likely) / ln 5, whose 80 % quantile is the 90 % quantile of the whole.
    rain = RainExpected(10.0, 25.0, 40.0)
    p = np.array([0.1, 0.5, 0.9])
    assert rain.quantile_mm(p).tolist() == pytest.approx([10.0, 25.0, 40.0])
    above = np.array([0.6, 0.75, 0.95, 0.99])
    other = 25 + stats.expon.ppf(2 * above - 1, scale=15 / math.log(5))
    np.testing.assert_allclose(rain.quantile_mm(above), other, rtol=1e-12)


def test_the_probability_of_a_spill_is_the_normal_tail_where_only_the_level_is_uncertain() -> None:
    # P(room < litres to come), room normal: scipy's normal distribution. One open tank and no roof: no yield error.
    network = Network((WaterTank("t", 10_000.0, 0.0, 20.0, 1.0),), (), ())
    for volume, u in [(9600.0, 150.0), (9400.0, 100.0), (9500.0, 80.0)]:
        found = spill_outlook(
            cascade_of(network), (), np.array([20.0]), np.array([volume]), np.array([u]), RainExpected(25, 25, 25)
        )
        right = float(stats.norm.sf(10_000.0 + 1.0, loc=volume + 500.0, scale=u))
        assert found.lost_ratio == pytest.approx(right, abs=0.004)


def test_litres_that_come_have_the_uncertainty_that_the_gum_gives() -> None:
    # JCGM 100:2008, 5.1.2, by the package uncertainties: yield x (rain - loss), for a rain that is given.
    network = roof_network(Roof("r", 100.0, 0.9, 0.6, 0.0, (("t", 1.0),)), WaterTank("t", 1e6, 0.0, 0.0, 0.0))
    fitted = {"t": TankFit("t", Estimate(90.0, 1.5, 87.0, 93.0), Estimate(0.6, 0.1, 0.4, 0.8))}
    found = spill_outlook(
        cascade_of(network),
        feeds_of(network, fitted),
        np.zeros(1),
        np.zeros(1),
        np.zeros(1),
        RainExpected(30, 30, 30),
    ).coming_l["t"]
    right = ufloat(90, 1.5) * (30 - ufloat(0.6, 0.1))
    assert found.value == pytest.approx(right.nominal_value, rel=1e-3)
    assert found.u == pytest.approx(right.std_dev, rel=0.02)


def test_room_above_the_water_has_the_uncertainty_that_the_gum_gives() -> None:
    # JCGM 100:2008, 5.2, by the package uncertainties, which carries what two volumes share: k (brim - depth).
    litres_m = ufloat(10_000, 200)
    depth = ufloat(0.9, 0.008)
    volume, brim_m = litres_m * depth, 1.05
    found = freeboard(volume.nominal_value, volume.std_dev, 0.02, 10_000 * brim_m)
    right = litres_m * (brim_m - depth)
    assert isinstance(found, Estimate)
    assert (found.value, found.u) == pytest.approx((right.nominal_value, right.std_dev), rel=1e-9)
