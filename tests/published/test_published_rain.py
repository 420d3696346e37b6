"""Tips to millimetres, millilitres and intensity; storms and their limits."""

import math

import numpy as np
import pytest

from rainstead import calc
from rainstead.calc.arrays import I64


def ints(*values: int) -> I64:
    return np.array(values, dtype=np.int64)


DEPTHS_MM = (0.1, 0.2, 0.254, 0.5)
FUNNELS = {
    200.0: ("3.142", "6.283", "7.980", "15.708"),
    203.2: ("3.243", "6.486", "8.237", "16.215"),
    254.0: ("5.067", "10.134", "12.870", "25.335"),
    304.8: ("7.297", "14.593", "18.533", "36.483"),
    165.0: ("2.138", "4.276", "5.431", "10.691"),
}


@pytest.mark.parametrize(("diameter_mm", "printed"), FUNNELS.items())
def test_millilitres_of_a_tip_are_its_rain_on_the_funnel(diameter_mm: float, printed: tuple[str, ...]) -> None:
    # Geometry: pi/4 D^2 d. An instrument manual prints 8.24, 6.48, 16.215 (8 in) and 18.53, 14.60, 36.48 mL (12 in).
    _, rain_mm, _ = calc.tip_rows(calc.TIP_START, ints(0, 1, 2, 3), ints(1, 1, 1, 1), np.array(DEPTHS_MM))
    funnel = calc.Cylinder(diameter_mm / 1_000)
    assert tuple(f"{1_000 * ml:.3f}" for ml in funnel.volume_l(rain_mm / 1_000)) == printed


@pytest.mark.parametrize(
    ("depth_mm", "gap_ms", "printed"), [(0.2, 7_200, "100.00"), (0.254, 10_000, "91.44"), (0.5, 60_000, "30.00")]
)
def test_intensity_by_the_time_between_tips(depth_mm: float, gap_ms: int, printed: str) -> None:
    # 0.2 mm every 7.2 s is 100 mm/h: Dunkerley, Water 2024, 16(7), 998, abstract. The others by the same formula.
    _, _, intensity = calc.tip_rows(calc.TIP_START, ints(0, gap_ms), ints(1, 1), np.full(2, depth_mm))
    assert math.isnan(intensity[0])
    assert f"{intensity[1]:.2f}" == printed


def one_storm(tips: int, depth_mm: float, u_ratio: float) -> calc.Storm:
    t_ms = np.arange(tips, dtype=np.int64) * 30_000
    _, (storm,) = calc.storms(
        calc.STORM_START,
        t_ms,
        np.ones(tips, dtype=np.int64),
        np.zeros(tips, dtype=np.int64),
        10**12,
        depth_per_tip_mm=(depth_mm,),
        u_ratio=(u_ratio,),
        gap_ms=6 * 3_600_000,
    )
    return storm


def test_two_unknown_bucket_residues() -> None:
    # Computed: rain lies between (N - 1) d and (N + 1) d; u = d / sqrt 6, 0.0816 mm at 0.2.
    storm = one_storm(50, 0.2, 0.0)
    assert f"{storm.rain_mm:.1f}" == "10.0"
    assert f"{storm.rain_u_mm:.4f}" == "0.0816"


def test_the_residues_as_a_bucket_has_them() -> None:
    """Buckets that start anywhere and rain that stops anywhere: the spread of truth about what was counted."""
    draw = np.random.default_rng(20)
    before, fell = draw.uniform(0, 0.2, 200_000), draw.uniform(5, 15, 200_000)
    counted = np.floor((before + fell) / 0.2) * 0.2
    assert np.std(fell - counted) == pytest.approx(one_storm(50, 0.2, 0.0).rain_u_mm, rel=0.01)
    assert abs(np.mean(fell - counted)) < 0.001


HOUR_MS = 3_600_000
SIX_HOURS_MS = 6 * HOUR_MS


@pytest.mark.parametrize(("gap_ms", "storms"), [(SIX_HOURS_MS - 1, 1), (SIX_HOURS_MS, 1), (SIX_HOURS_MS + 1, 2)])
def test_the_dry_gap_must_be_longer_than_six_hours(gap_ms: int, storms: int) -> None:
    # Six hours is the default of published event tools (USGS Rainmaker). Whether a gap of exactly that splits differs
    # between them (the R package IETD splits at "longer than or equal"); here it does not.
    _, found = calc.storms(
        calc.STORM_START,
        ints(0, gap_ms),
        ints(1, 1),
        ints(0, 0),
        10**12,
        depth_per_tip_mm=(0.2,),
        u_ratio=(0.02,),
        gap_ms=SIX_HOURS_MS,
    )
    assert len(found) == storms


def test_a_longer_gap_never_makes_more_storms() -> None:
    # Plausibility: one five-year record has 550 events at 15 min and 118 at 24 h (published range of the setting).
    t_ms = np.cumsum(np.random.default_rng(4).exponential(2 * HOUR_MS, 5_000)).astype(np.int64)
    ones, zeros = np.ones(len(t_ms), dtype=np.int64), np.zeros(len(t_ms), dtype=np.int64)
    counts = []
    for gap_h in (0.25, 1, 2, 6, 12, 24):
        _, found = calc.storms(
            calc.STORM_START,
            t_ms,
            ones,
            zeros,
            10**15,
            depth_per_tip_mm=(0.2,),
            u_ratio=(0.02,),
            gap_ms=int(gap_h * HOUR_MS),
        )
        assert sum(storm.tips for storm in found) == len(t_ms)
        counts.append(len(found))
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > 5 * counts[-1]
