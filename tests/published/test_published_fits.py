"""Calibration fits against figures and libraries from outside."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, special
from uncertainties import ufloat

from rainstead.calc import Cylinder
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
    tip_volume_ml,
    zero_depth_m,
)

DAY = 86_400_000


def half_a_digit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def known(value: object) -> Estimate:
    assert isinstance(value, Estimate)
    return value


@pytest.mark.parametrize(
    ("funnel_m", "depth_mm", "printed_ml"),
    [
        # Source: geometry, pi/4 D^2 d; the 8 in and 12 in rows are printed so by a gauge's manual (read in a copy).
        (0.2, 0.2, "6.283"),
        (0.2, 0.1, "3.142"),
        (0.2, 0.254, "7.980"),
        (0.2032, 0.254, "8.24"),
        (0.2032, 0.5, "16.215"),
        (0.3048, 0.254, "18.53"),
    ],
)
def test_millilitres_of_a_tip(funnel_m: float, depth_mm: float, printed_ml: str) -> None:
    ours = tip_volume_ml(depth_mm, funnel_m)
    assert ours == pytest.approx(float(printed_ml), abs=half_a_digit(printed_ml))
    # And back: that many litres are a thousand tips.
    pour = Pour(ours, 0.0, funnel_m, 0.0, (1000,), on_tips=True)
    assert known(depth_per_tip_mm(pour)).value == pytest.approx(depth_mm)


def test_depth_per_tip_with_its_uncertainty_is_that_of_the_library_uncertainties() -> None:
    """Source: uncertainties 3.2 (linear propagation, as JCGM 100:2008, 5.1); residues of the bucket by 1/sqrt 6 tip."""
    volume, funnel, tips = ufloat(0.5, 0.0025), ufloat(0.2, 0.0005), ufloat(80, 1 / math.sqrt(6))
    theirs = volume / (math.pi / 4 * funnel**2) / tips
    ours = known(depth_per_tip_mm(Pour(0.5, 0.0025, 0.2, 0.0005, (80,))))
    assert [ours.value, ours.u] == pytest.approx([theirs.nominal_value, theirs.std_dev])


def test_unknown_residues_at_both_ends_are_a_triangle() -> None:
    """Source: JCGM 100:2008, 4.3.9: a triangle of half-width a has a / sqrt 6. By Monte Carlo (JCGM 101:2008)."""
    rng = np.random.default_rng(3)
    poured = rng.uniform(75, 85, size=200_000)
    counted = np.floor(poured + rng.uniform(size=200_000))
    ours = known(depth_per_tip_mm(Pour(0.5, 0.0, 0.2, 0.0, (80,))))
    assert 80 * ours.u / ours.value == pytest.approx((counted - poured).std(), rel=0.01)
    assert 80 * ours.u / ours.value == pytest.approx(1 / math.sqrt(6))


@pytest.mark.parametrize(("dof", "printed"), [(1, "12.71"), (2, "4.30"), (3, "3.18"), (4, "2.78"), (10, "2.23")])
def test_few_pours_are_widened_by_the_guides_t(dof: int, printed: str) -> None:
    """Source: JCGM 100:2008, table G.2, 95 % (from memory; t of scipy agrees)."""
    tips = tuple(80 + (10 if k % 2 else -10) for k in range(dof + 1))
    wide = known(depth_per_tip_mm(Pour(0.5, 0.0, 0.2, 0.0, tips)))
    assert wide.high is not None
    assert (wide.high - wide.value) / wide.u == pytest.approx(float(printed), abs=half_a_digit(printed))


# Source: JCGM 100:2008, H.3, table H.6: calibration of a thermometer, corrections against readings (from memory; the
# printed slope and its uncertainty come out of these figures, which a wrong row would spoil).
THERMOMETER_C = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTION_C = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_a_correction_that_grows_with_the_reading_is_the_guides_straight_line() -> None:
    """Source: JCGM 100:2008, H.3.3: y2 = 0.002 18, s(y2) = 0.000 67, with s = 0.0035 (from memory)."""
    pairs = [
        DipPair(f"{k}", k * 30 * DAY, reading + gap, 0.0035, reading, 0.0, 0.0)
        for k, (reading, gap) in enumerate(zip(THERMOMETER_C, CORRECTION_C, strict=True))
    ]
    fit = fit_dips(pairs)
    assert not isinstance(fit, Unknown)
    slope = known(fit.slope)
    assert slope.value == pytest.approx(0.00218, abs=0.000005)
    assert slope.u == pytest.approx(0.00067, abs=0.000005)


def test_dips_under_one_sky_are_weighted_as_statsmodels_generalised_least_squares() -> None:
    """Source: statsmodels GLS with the same covariance: the air's error fades over six hours."""
    rng = np.random.default_rng(5)
    t_ms = np.sort(rng.integers(0, 2 * DAY, 9))
    gaps, sound = rng.normal(0.02, 0.008, 9), rng.uniform(0.004, 0.01, 9)
    pairs = [DipPair(f"{k}", int(t_ms[k]), 1 + gaps[k], 0.005, 1.0, 0.001, sound[k]) for k in range(9)]
    alike = np.exp(-np.abs(t_ms[:, None] - t_ms) / (DAY / 4))
    covariance = np.outer(sound, sound) * alike + np.eye(9) * (0.005**2 + 0.001**2)
    theirs = sm.GLS(gaps, np.ones(9), sigma=covariance).fit(cov_type="fixed scale", cov_kwds={"scale": 1.0})
    ours = fit_dips(pairs)
    assert not isinstance(ours, Unknown)
    assert ours.odd == ()
    assert [ours.offset_m.value, ours.offset_m.u] == pytest.approx([theirs.params[0], theirs.bse[0]], rel=1e-8)


def test_a_weighted_k_factor_is_statsmodels_weighted_least_squares() -> None:
    """Source: statsmodels WLS; the scatter's ratio is its scale (Birge 1932)."""
    k = np.array([440.0, 444.0, 437.0, 446.0, 435.0, 442.0])
    volumes = np.array([200.0, 300.0, 150.0, 500.0, 250.0, 400.0])
    points = [KPoint(f"{n}", v, 1.0, round(one * v), None) for n, (one, v) in enumerate(zip(k, volumes, strict=True))]
    u = np.array([point.own_u_per_l for point in points])
    exact = np.array([point.k_per_l for point in points])
    theirs = sm.WLS(exact, np.ones(6), weights=1 / u**2).fit()
    ours = fit_k(points, 0.0)
    assert not isinstance(ours, Unknown)
    assert ours.scatter.ratio == pytest.approx(math.sqrt(theirs.scale))
    assert [ours.k_per_l.value, ours.k_per_l.u] == pytest.approx([theirs.params[0], theirs.bse[0]])


def test_a_bucket_and_pulses_give_the_k_factor_of_the_definition() -> None:
    """Source: K = N / V, definition: 1500 Hz and K 450 are 200 L/min, so 6 s fill 20 L with 9000 pulses."""
    fit = fit_k([KPoint("bucket", 20.0, 0.1, 9000, 200.0)], 0.0)
    assert not isinstance(fit, Unknown)
    theirs = ufloat(9000, 1 / math.sqrt(6)) / ufloat(20.0, 0.1)
    assert [fit.k_per_l.value, fit.k_per_l.u] == pytest.approx([450.0, theirs.std_dev])


def test_a_weighed_bucket_is_worth_its_buoyancy() -> None:
    """Source: after ISO 4185:1980: 20.000 kg indicated at 20 deg C are 20.0570 L, not 20: 0.28 % of the K-factor."""
    plain, weighed = (known_k(KPoint("bucket", litres, 0.02, 9000, None)) for litres in (20.0, 20.0570))
    assert 100 * (weighed / plain - 1) == pytest.approx(-0.28, abs=0.005)


def known_k(point: KPoint) -> float:
    fit = fit_k([point], 0.0)
    assert not isinstance(fit, Unknown)
    return fit.k_per_l.value


def step(name: str, low_m: float, high_m: float, volume_l: float, *, own_u_l: float = 1.0) -> FillStep:
    at = int(name) * DAY
    return FillStep(
        name, WaterLevel(at, low_m, 0.0005, 0.0), WaterLevel(at + 1, high_m, 0.0005, 0.0), volume_l, own_u_l, name, 0.0
    )


@pytest.mark.parametrize(("diameter_m", "printed"), [(3.66, "105.209"), (2.44, "46.759"), (7.32, "420.835")])
def test_fills_of_a_round_tank_give_its_litres_per_centimetre(diameter_m: float, printed: str) -> None:
    """Source: geometry, pi/4 D^2 a centimetre."""
    l_per_m = 100 * float(printed)
    fit = fit_straight([step("0", 0.3, 0.7, 0.4 * l_per_m), step("1", 0.9, 1.6, 0.7 * l_per_m)])
    assert not isinstance(fit, Unknown)
    assert fit.l_per_m.value / 100 == pytest.approx(math.pi / 4 * diameter_m**2 * 10, abs=half_a_digit(printed))


def test_fills_of_a_leaning_tank_give_the_frustums_volumes() -> None:
    """Source: pi h/12 (Db^2 + Db Dh + Dh^2) with 2.0 m below and 2.4 m at 2.0 m: the printed litres at four depths."""
    depths, printed = [0.0, 0.5, 1.0, 1.5, 2.0], [0.0, 1650.65, 3466.22, 5454.59, 7623.60]
    steps = [step(f"{k}", depths[k], depths[k + 1], printed[k + 1] - printed[k]) for k in range(4)]
    fit = fit_strapping(steps, Cylinder(2.0), 0.02, 2.0)
    assert not isinstance(fit, Unknown)
    assert [point.volume_l.value for point in fit.points] == pytest.approx(printed, abs=0.005)


def test_overlapping_fills_are_scipys_bounded_least_squares() -> None:
    """Source: scipy.optimize.lsq_linear with bounds at nought, another algorithm than ours."""
    steps = [
        step("0", 0.1, 0.5, 4300.0, own_u_l=30.0),
        step("1", 0.3, 0.9, 6400.0, own_u_l=40.0),
        step("2", 0.1, 0.9, 8500.0, own_u_l=50.0),
        step("3", 0.5, 1.3, 8900.0, own_u_l=60.0),
        step("4", 0.3, 1.3, 10_900.0, own_u_l=60.0),
    ]
    fit = fit_strapping(steps, Cylinder(3.66), 0.02, 1.3)
    assert not isinstance(fit, Unknown)
    bounds = np.array([0.1, 0.3, 0.5, 0.9, 1.3])
    lengths = np.array(
        [
            np.clip(np.minimum(bounds[1:], s.after.depth_m) - np.maximum(bounds[:-1], s.before.depth_m), 0, None)
            for s in steps
        ]
    )
    area_m = 250 * math.pi * 3.66**2
    weight = np.array([1 / math.sqrt(s.own_u_l**2 + 2 * (0.0005 * area_m) ** 2) for s in steps])
    theirs = optimize.lsq_linear(lengths * weight[:, None], np.array([s.volume_l for s in steps]) * weight, (0, np.inf))
    ours = [point.l_per_cm.value * 100 for point in fit.points if point.is_measured and point.l_per_cm is not None]
    assert ours == pytest.approx(theirs.x.tolist(), rel=1e-6)


def test_the_zero_of_a_dished_floor_is_as_the_library_uncertainties_has_it() -> None:
    """Source: uncertainties 3.2."""
    fill = step("0", 0.0, 0.53, 5000.0, own_u_l=25.0)
    theirs = ufloat(0.53, 0.0005) - ufloat(5000.0, 25.0) / ufloat(10_000.0, 120.0)
    ours = zero_depth_m(fill, estimate(10_000.0, 120.0))
    assert [ours.value, ours.u] == pytest.approx([theirs.nominal_value, theirs.std_dev])


def test_en_is_the_difference_over_both_expanded_uncertainties() -> None:
    """Source: ISO 13528:2015, 9.7 (from memory): En = (x - X) / sqrt(U_x^2 + U_X^2); |En| <= 1 is agreement."""
    told = against(estimate(10.2, 0.1), 10.0, 0.05)
    assert told.en == pytest.approx(0.2 / (1.959964 * math.hypot(0.1, 0.05)), rel=1e-6)
    assert not told.differs
    assert against(estimate(10.5, 0.1), 10.0, 0.05).differs


def test_contradiction_is_chi_square_beyond_one_in_a_hundred() -> None:
    """Source: chi-square, 99 %: 6.635 for 1 degree of freedom, 9.210 for 2 (tables; scipy.special.chdtri)."""
    assert [special.chdtri(dof, 0.01) for dof in (1, 2)] == pytest.approx([6.635, 9.210], abs=0.0005)
    apart = math.sqrt(2 * 6.635)
    for times, contradict in ((0.99, False), (1.01, True)):
        gap = times * apart * 0.005
        pairs = [DipPair(f"{k}", k * DAY, 1 + k * gap, 0.005, 1.0, 0.0, 0.0) for k in range(2)]
        assert isinstance(fit_dips(pairs), Unknown) is contradict
