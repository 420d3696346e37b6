"""Evaporation, robust slopes, CUSUM run lengths and draining tanks against figures from outside."""

import math
from datetime import date

import numpy as np
import pandas as pd
import pyet
import pytest
import statsmodels.api as sm
import uncertainties
from scipy import stats
from vega_datasets import data as vega

from rainstead.calc.arrays import F64
from rainstead.calc.desk import (
    Estimate,
    LossFit,
    Mornings,
    cusum_arl,
    cusum_limit,
    extraterrestrial_mj,
    fit_mornings,
    hargreaves_mm,
    loss_against_depth,
    monthly_mm_day,
    spell_slope_l_day,
)

DAY_MS = 86_400_000
SEATTLE = vega.seattle_weather()


def year_day(*days: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(days, dtype=np.int64)


def test_radiation_at_the_top_of_the_air_on_3_september_at_20_south() -> None:
    # FAO Irrigation and Drainage Paper 56 (1998), eq. 21-25, example 8: J 246, 32.2 MJ/m2 (read in libraries' tests).
    assert f"{extraterrestrial_mj(-20, year_day(246))[0]:.1f}" == "32.2"


MIDDLES = year_day(15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349)


@pytest.mark.parametrize(
    ("latitude_deg", "printed"),
    [
        (-20, "41.9 40.0 36.6 31.3 26.6 24.1 25.0 28.9 34.2 38.6 41.2 42.1"),
        (-30, "43.1 39.6 34.3 27.2 21.4 18.5 19.6 24.3 31.1 37.5 42.0 43.9"),
        (-34, "43.4 39.2 33.0 25.3 19.2 16.2 17.4 22.3 29.6 36.7 42.0 44.3"),
        (-38, "43.4 38.5 31.7 23.3 16.9 13.9 15.1 20.2 28.0 35.8 41.9 44.5"),
        (-42, "43.3 37.7 30.1 21.2 14.6 11.6 12.8 18.0 26.2 34.7 41.6 44.6"),
    ],
)
def test_radiation_through_the_year(latitude_deg: float, printed: str) -> None:
    # FAO-56, annex 2, table 2.6, 15th of each month (read in a copy of the table in public code); the table was made
    # with other day numbers, so not to its last digit.
    told = np.array([float(text) for text in printed.split()])
    assert np.abs(extraterrestrial_mj(latitude_deg, MIDDLES) - told).max() <= 0.10


def test_polar_night_and_midnight_sun_have_a_number() -> None:
    dark, bright = extraterrestrial_mj(80, year_day(355, 172))
    assert dark == 0
    # Geometry: with the sun up all day Ra is Gsc dr 24 h sin(phi) sin(delta).
    high = 24 * 60 * 0.0820 * (1 + 0.033 * math.cos(2 * math.pi * 172 / 365)) * math.sin(math.radians(80))
    assert bright == pytest.approx(high * math.sin(0.409 * math.sin(2 * math.pi * 172 / 365 - 1.39)))


def test_hargreaves_at_lyon_in_july() -> None:
    # FAO-56, eq. 52, example 20: 45.72 N, 26.6 and 14.8 deg C, Ra 40.6 -> 5.0 mm/d (read in pyet's tests).
    lyon = hargreaves_mm(np.array([14.8]), np.array([26.6]), np.array([40.6]))
    assert f"{lyon[0]:.1f}" == "5.0"
    # FAO-56, table 12: 1.05 for open water less than 2 m deep; 5.289 mm/d, and 55.6 L/d from a 3.66 m tank.
    water = 1.05 * hargreaves_mm(np.array([14.8]), np.array([26.6]), extraterrestrial_mj(45.72, year_day(196)))[0]
    assert water == pytest.approx(5.289, abs=0.012)
    assert math.pi * 1.83**2 * water == pytest.approx(55.6, abs=0.15)


def test_four_years_of_seattle_beside_pyet() -> None:
    # pyet 1.5.0 side by side, on the daily record of vega-datasets (NOAA); totals by pyet of the years 2012 to 2015.
    record = SEATTLE.set_index(pd.DatetimeIndex(SEATTLE["date"]))
    mean = (record["temp_max"] + record["temp_min"]) / 2
    other = pyet.hargreaves(mean, tmax=record["temp_max"], tmin=record["temp_min"], lat=math.radians(47.6))
    radiation = extraterrestrial_mj(47.6, record.index.day_of_year.to_numpy().astype(np.int64))
    ours = hargreaves_mm(record["temp_min"].to_numpy(), record["temp_max"].to_numpy(), radiation)
    # It takes the heat of evaporation at the day's temperature, where FAO-56 has 2.45 MJ/kg for all.
    ours = ours / 0.408 / (2.501 - 0.002361 * mean.to_numpy())
    np.testing.assert_allclose(ours, other.to_numpy(), rtol=2e-3)
    by_year = pd.Series(ours, index=record.index).groupby(record.index.year).sum()
    assert by_year.tolist() == pytest.approx([792.7, 826.6, 860.8, 893.7], rel=2e-3)


def test_a_year_of_monthly_figures_adds_up() -> None:
    # Pan figures of the kind that almanacs print, invented: days between the months' middles keep the year's total.
    monthly = (220.0, 180.0, 150.0, 95.0, 60.0, 42.0, 45.0, 62.0, 90.0, 130.0, 165.0, 205.0)
    days = [date.fromordinal(date(2025, 1, 1).toordinal() + k) for k in range(365)]
    assert monthly_mm_day(monthly, days).sum() == pytest.approx(sum(monthly), rel=0.01)
    assert monthly_mm_day(monthly, [date(2025, 6, 15)])[0] == pytest.approx(42 / 30, abs=0.02)


def one_spell(at_days: list[float], volume_l: list[float], depth_m: list[float] | None = None) -> Mornings:
    n = len(at_days)
    return Mornings(
        np.zeros(n, dtype=np.int64),
        np.round(np.array(at_days) * DAY_MS).astype(np.int64),
        np.ones(n) if depth_m is None else np.array(depth_m),
        np.array(volume_l, dtype=np.float64),
        np.full(n, 1e-3),
    )


def test_sens_example() -> None:
    # Sen, J. Am. Stat. Assoc. 63 (1968), p. 1379, example (read in scipy's tests): slope 4.0; scipy side by side.
    x, y = [1.0, 2, 3, 4, 10, 12, 18], [9.0, 15, 19, 20, 45, 55, 78]
    assert spell_slope_l_day(one_spell(x, y), 0) == pytest.approx(-4.0)
    assert spell_slope_l_day(one_spell(x, y), 0) == pytest.approx(-stats.theilslopes(y, x).slope)
    # One value far off: the median of slopes does not mind (computed).
    odd = [0.0, -2, -4, -6, -8, 30, -12]
    assert spell_slope_l_day(one_spell([float(k) for k in range(7)], odd), 0) == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("reference", "limit", "shift", "printed"),
    [
        (0.5, 3.0, 0.0, 117.59),  # Brook and Evans, Biometrika 59 (1972); Vance, J. Qual. Tech. 18 (1986)
        (0.5, 3.0, 1.5, 3.75),
        (0.5, 4.0, 0.0, 335.4),
        (0.5, 5.0, 0.0, 930.9),
        (0.0, 10.0, 0.0, 124.66),
        (0.0, 10.0, 0.5, 20.37),
        (0.0, 10.0, 1.0, 10.75),
    ],
)
def test_run_lengths_of_the_one_sided_cusum(reference: float, limit: float, shift: float, printed: float) -> None:
    # All read in the manual of an R package that quotes them.
    assert cusum_arl(reference, limit, shift) == pytest.approx(printed, rel=3e-4, abs=0.006)


@pytest.mark.parametrize(
    ("limit", "printed"),
    [
        (
            4.0,
            "168 74.2 26.6 13.3 8.38 4.75 3.34 2.62 2.19 1.71",
        ),  # Lucas, Crosier, Technometrics 24 (1982), table 1
        (5.0, "465 139 38.0 17.0 10.4 5.75 4.01 3.11 2.57 2.01"),  # Montgomery, Introduction to SQC, ARL table
    ],
)
def test_run_lengths_of_the_two_sided_cusum(limit: float, printed: str) -> None:
    # 1/ARL of the two-sided scheme is the sum of those of its sides (Kemp, J. R. Stat. Soc. B 23 (1961), from memory).
    shifts = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
    for shift, text in zip(shifts, printed.split(), strict=True):
        both = 1 / (1 / cusum_arl(0.5, limit, shift) + 1 / cusum_arl(0.5, limit, -shift))
        assert both == pytest.approx(float(text), rel=6e-3)


@pytest.mark.parametrize("reference", [0.1, 0.25, 0.5, 1.0, 2.0, 3.0])
def test_the_limit_keeps_the_false_alarm_rate_it_is_set_to(reference: float) -> None:
    # Siegmund's approximation against the Markov chain of Brook and Evans; what is wrong must be on the safe side.
    limit = cusum_limit(reference, 730.0)
    assert cusum_arl(reference, limit) > 0.9 * 730


def torricelli_l(head0_m: float, at_days: F64, *, hole_mm: float) -> tuple[F64, F64]:
    """Depth and litres of an upright tank of 1.5 m with a hole in its floor: root h falls evenly.

    Torricelli, discharge coefficient 0.61.
    """
    area_m2, hole_m2 = math.pi * 0.75**2, math.pi * (hole_mm / 2000) ** 2
    slope = 0.61 * hole_m2 * math.sqrt(2 * 9.80665) / (2 * area_m2)
    root = np.maximum(math.sqrt(head0_m) - slope * at_days * 86_400, 0.0)
    return root**2, root**2 * area_m2 * 1000


def test_a_hole_in_the_floor_loses_more_the_fuller_the_tank() -> None:
    # EPANET 2.2 through wntr, 20 mm hole as an emitter, steps of 10 s (run once): within 1.3 mm of the closed form.
    depth_m, _ = torricelli_l(2.0, np.array([600, 1800, 3600, 5400]) / 86_400, hole_mm=20)
    assert depth_m == pytest.approx([1.61291, 0.96341, 0.30096, 0.01310], abs=0.0014)
    # A hole of 0.6 mm, standing spells of five mornings at three fillings.
    days = np.arange(5.0)
    parts = [torricelli_l(head, days, hole_mm=0.6) for head in (2.0, 1.3, 0.7)]
    rng = np.random.default_rng(4)
    mornings = Mornings(
        np.repeat(np.arange(3), 5),
        (np.concatenate([days + 10 * k for k in range(3)]) * DAY_MS).astype(np.int64),
        np.concatenate([part[0] for part in parts]),
        np.concatenate([part[1] for part in parts]) + rng.normal(0, 1.0, 15),
        np.full(15, 0.1),
    )
    found = loss_against_depth(mornings)
    assert isinstance(found, Estimate) and found.low > 0 and found.high is not None
    # Between the fillings the chord of root h: (Q(2.0) - Q(0.7)) / 1.3 m, from the same closed form.
    flow = [float(-np.diff(part[1])[0]) for part in parts]
    assert found.low < (flow[0] - flow[2]) / (2.0 - 0.7) < found.high


def test_the_fit_beside_ordinary_least_squares_with_a_level_for_each_spell() -> None:
    # statsmodels side by side, on errors that are new each morning, where both ask the same.
    rng = np.random.default_rng(8)
    spell = np.repeat(np.arange(8), 6)
    day = np.tile(np.arange(6.0), 8) + 9 * spell
    volume = 5000 + 300 * spell - 12.0 * day + rng.normal(0, 3, 48)
    mornings = Mornings(spell, (day * DAY_MS).astype(np.int64), np.ones(48), volume, np.full(48, 0.01))
    ours = fit_mornings(mornings)
    assert isinstance(ours, LossFit)
    levels = np.equal.outer(spell, np.arange(8)).astype(float)
    other = sm.OLS(volume, np.column_stack([day, levels])).fit()
    assert ours.loss_l_day == pytest.approx(-other.params[0], abs=0.5 * other.bse[0])
    assert 0.95 * other.bse[0] < ours.u_l_day < 1.5 * other.bse[0]
    assert ours.dof == other.df_resid


def test_the_uncertainty_of_seepage_beside_the_uncertainties_package() -> None:
    # Linear propagation (JCGM 100:2008, eq. 10) by `uncertainties`, side by side; k by Welch and Satterthwaite, G.4.
    fit = LossFit(64.0, 2.0, 10.0, 14, 12.0)
    scale, dried = uncertainties.ufloat(1.0, 0.02), uncertainties.ufloat(34.0, 8.5)
    loss = uncertainties.ufloat(64.0, 2.0)
    whole = loss * scale - dried
    ours = fit.estimate(0.02 * 64.0, 8.5, less_l_day=34.0)
    assert (ours.value, ours.u) == pytest.approx((whole.nominal_value, whole.std_dev))
    dof = 10 * (whole.std_dev / 2.0) ** 4
    assert ours.high == pytest.approx(30.0 + stats.t.ppf(0.975, dof) * whole.std_dev)


def test_welch_and_satterthwaite_as_the_gum_works_them() -> None:
    # JCGM 100:2008, G.4.1, example: 0.25, 0.57, 0.82 % with 9, 4, 14 degrees of freedom -> 1.03 %, 19.0 (from memory).
    parts, dofs = (0.25, 0.57, 0.82), (9, 4, 14)
    u = math.hypot(*parts)
    assert f"{u:.2f}" == "1.03"
    assert f"{u**4 / sum(p**4 / n for p, n in zip(parts, dofs, strict=True)):.1f}" == "19.0"
    # Ours has one part with finite degrees of freedom: the same formula with the others' at infinity.
    one = LossFit(0.0, 0.57, 4.0, 6, 6.0).estimate(0.25, 0.82)
    assert one.high == pytest.approx(stats.t.ppf(0.975, 4 * (u / 0.57) ** 4) * u)


def test_the_reference_of_the_watch_is_that_of_the_standing_level_test() -> None:
    # BS 5337, quoted by the trade: a closed tank may fall by 10 mm in 7 days; 15.0 L a day in a tank of 3.66 m.
    from rainstead.answers.leaks import SOUND_MM_DAY

    assert f"{SOUND_MM_DAY * math.pi * 1.83**2:.1f}" == "15.0"
