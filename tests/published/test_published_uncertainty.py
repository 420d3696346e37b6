"""Standard uncertainties: the GUM's rules, a library that knows them, and many throws of the dice."""

import math

import numpy as np
import pytest
from uncertainties import ufloat, umath

from rainstead import calc


def test_resolution_is_a_step_over_root_twelve() -> None:
    # JCGM 100:2008, F.2.2.1 (from memory): 0.2887 of a step.
    assert f"{calc.resolution_u(1.0):.3f}" == "0.289"
    assert f"{calc.resolution_u(10.0):.2f}" == "2.89"
    rounded = np.random.default_rng(3).uniform(0, 1_000, 200_000)
    assert np.std(np.round(rounded) - rounded) == pytest.approx(calc.resolution_u(1.0), rel=0.01)


def test_type_a_and_type_b_add_as_squares() -> None:
    # JCGM 100:2008, 4.3.7 and 5.1.5, voltmeter example (from memory): 12 and 8.7 microvolt make 15.
    assert f"{float(calc.combine(12.0, 15 / math.sqrt(3))):.0f}" == "15"
    # JCGM 100:2008, H.1, end gauge: 25, 9.7, 2.9 and 16.7 nm make 32.
    assert f"{float(calc.combine(25.0, 9.7, 2.9, 16.7)):.0f}" == "32"


def test_depth_to_litres_in_a_twelve_foot_tank() -> None:
    # Computed: 1 mm resolution, 3 mm offset, 2 K at 2 m of ullage: 7.46 mm, 78.5 L, 157 L for two of them.
    air_mm = 2_000 * calc.sound_u_ratio(np.array([20.0]), 2.0)
    assert f"{air_mm[0]:.2f}" == "6.82"
    depth_u_mm = calc.combine(calc.resolution_u(1.0), 3.0, air_mm)
    shape = calc.Cylinder(3.66)
    litres = shape.l_per_m(np.array([1.0])) * depth_u_mm / 1_000
    assert f"{depth_u_mm[0]:.2f}" == "7.46"
    assert f"{litres[0]:.1f}" == "78.5"
    assert f"{2 * litres[0]:.0f}" == "157"
    # With 10 mm of doubt in the diameter at 1 m of depth: 2 V u(D) / D = 57.5 L, together 97.3 L.
    diameter_l = 2 * shape.volume_l(np.array([1.0])) * 0.010 / 3.66
    assert f"{diameter_l[0]:.1f}" == "57.5"
    assert f"{calc.combine(litres, diameter_l)[0]:.1f}" == "97.3"


def test_what_two_depths_share_cancels_in_their_difference() -> None:
    # Computed: 3 mm of noise at each end is 44.6 L on any gain in a 3.66 m tank, whatever the offset.
    noise_l = calc.Cylinder(3.66).l_per_m(np.array([1.0]))[0] * 0.003
    assert f"{float(calc.combine(noise_l, noise_l)):.1f}" == "44.6"
    draw = np.random.default_rng(8)
    offset, before, after = draw.normal(0, 0.020, 200_000), *draw.normal(0, 0.003, (2, 200_000))
    shape = calc.Cylinder(3.66)
    gain = shape.volume_l(1.2 + offset + after) - shape.volume_l(1.0 + offset + before)
    assert np.std(gain) == pytest.approx(44.6, rel=0.01)


def test_the_chain_from_range_to_litres_agrees_with_a_library_that_propagates() -> None:
    range_m, kelvin, face_m = ufloat(1.4, 0.003), ufloat(273.15 + 27, 2.0), ufloat(2.5, 0.004)
    ratio = ufloat(1.0, 0.015)
    ullage = range_m * umath.sqrt(kelvin / 293.15)
    litres = ratio * 250 * math.pi * 3.66**2 * (face_m - ullage)

    air_c = np.array([27.0])
    ours_m = calc.ullage_m(np.array([1_400.0]), air_c, assumed_air_c=20.0, humidity_ratio=0.0)
    shape, depth_m = calc.Cylinder(3.66), calc.depth_m(2.5, ours_m)
    scale = float(ours_m[0]) / 1.4
    depth_u_m = calc.combine(0.003 * scale, 0.004, ours_m * calc.sound_u_ratio(air_c, 2.0))
    volume = shape.volume_l(depth_m)
    volume_u = calc.combine(shape.l_per_m(depth_m) * depth_u_m, volume * 0.015)
    assert volume[0] == pytest.approx(litres.nominal_value, rel=1e-12)
    assert volume_u[0] == pytest.approx(litres.std_dev, rel=1e-9)


@pytest.mark.parametrize(
    ("shape", "depth_m"),
    [
        (calc.Cylinder(3.66), 1.0),
        (calc.TruncatedCone(2.0, 2.4, 2.0), 1.2),
        (calc.LyingCylinder(1.5, 3.0), 0.9),
        (calc.StrappingTable((0.0, 0.5, 1.5), (0.0, 900.0, 3_100.0)), 1.1),
    ],
)
def test_litres_scatter_as_their_slope_says(shape: calc.Volume, depth_m: float) -> None:
    """Damp air, a doubtful thermometer, a doubtful zero: thrown 200 000 times through the whole chain."""
    draw = np.random.default_rng(11)
    air_c, zero_m = draw.normal(25, 2, 200_000), draw.normal(0, 0.003, 200_000)
    true_c = np.array([25.0])
    gap_m = 2.5 - depth_m
    range_mm = 1_000 * gap_m / calc.ullage_m(np.array([1.0]), true_c, assumed_air_c=20.0, humidity_ratio=1.0) / 1_000
    thrown_m = calc.ullage_m(np.full(200_000, range_mm[0]), air_c, assumed_air_c=20.0, humidity_ratio=1.0) + zero_m
    thrown_l = shape.volume_l(calc.depth_m(2.5, thrown_m))
    depth_u_m = calc.combine(0.003, gap_m * calc.sound_u_ratio(true_c, 2.0, 1.0))
    said_l = shape.l_per_m(np.array([depth_m])) * depth_u_m
    assert np.mean(thrown_l) == pytest.approx(shape.volume_l(np.array([depth_m]))[0], rel=0.002)
    assert np.std(thrown_l) == pytest.approx(said_l[0], rel=0.01)
