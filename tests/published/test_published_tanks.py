"""Partial volumes, against geometry and against the `fluids` library's tank."""

import math

import numpy as np
import pytest
from fluids.geometry import TANK

from rainstead import calc
from rainstead.calc.arrays import F64


def at(*depth_m: float) -> F64:
    return np.array(depth_m, dtype=float)


ROUND = {
    3.66: "105.209",
    3.6576: "105.071",
    2.44: "46.759",
    3.05: "73.062",
    4.57: "164.030",
    5.49: "236.720",
    7.32: "420.835",
}


@pytest.mark.parametrize(("diameter_m", "printed"), ROUND.items())
def test_litres_per_centimetre_of_a_round_tank(diameter_m: float, printed: str) -> None:
    # Geometry: pi/4 D^2 * 10.
    shape = calc.Cylinder(diameter_m)
    assert f"{shape.volume_l(at(0.01))[0]:.3f}" == printed
    assert f"{shape.l_per_m(at(1.0))[0] / 100:.3f}" == printed


def test_litres_of_a_rectangular_tank() -> None:
    # Geometry: L W h.
    assert f"{calc.Cuboid(2.4, 1.2).volume_l(at(0.85))[0]:.1f}" == "2448.0"


LYING = {
    0.15: "275.91",
    0.375: "1036.44",
    0.5: "1546.91",
    0.75: "2650.72",
    1.0: "3754.52",
    1.35: "5025.53",
    1.5: "5301.44",
}


@pytest.mark.parametrize(("depth_m", "printed"), LYING.items())
def test_litres_of_a_lying_cylinder(depth_m: float, printed: str) -> None:
    # The form of the JRC's RAPID-N property estimator 655; values computed from it. D 1.5 m, L 3.0 m.
    assert f"{calc.LyingCylinder(1.5, 3.0).volume_l(at(depth_m))[0]:.2f}" == printed


@pytest.mark.parametrize(("part", "printed"), [(0.1, "0.05204"), (0.25, "0.19550"), (0.3, "0.25232"), (0.5, "0.50000")])
def test_fractions_of_a_lying_cylinder(part: float, printed: str) -> None:
    volume = calc.LyingCylinder(1.0, 1.0).volume_l(at(part, 1.0))
    assert f"{volume[0] / volume[1]:.5f}" == printed


@pytest.mark.parametrize(("diameter_m", "length_m"), [(1.5, 3.0), (2.0, 3.0), (0.9, 1.37)])
def test_a_lying_cylinder_side_by_side_with_the_library(diameter_m: float, length_m: float) -> None:
    library = TANK(D=diameter_m, L=length_m, horizontal=True)
    depth_m = np.linspace(0, diameter_m, 41)
    ours = calc.LyingCylinder(diameter_m, length_m).volume_l(depth_m)
    theirs = [1_000 * library.V_from_h(float(h)) for h in depth_m]
    np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-6)


@pytest.mark.parametrize("diameter_m", [2.44, 3.66])
def test_an_upright_cylinder_side_by_side_with_the_library(diameter_m: float) -> None:
    library = TANK(D=diameter_m, L=2.0, horizontal=False)
    depth_m = np.linspace(0, 2.0, 21)
    ours = calc.Cylinder(diameter_m).volume_l(depth_m)
    np.testing.assert_allclose(ours, [1_000 * library.V_from_h(float(h)) for h in depth_m], rtol=1e-12)


@pytest.mark.parametrize("depth_m", [0.3, 0.6, 0.9])
def test_a_cone_side_by_side_with_the_conical_floor_of_the_library(depth_m: float) -> None:
    # The library has no leaning walls; a floor that is a cone of 2 m across and 1 m deep is one from a point.
    library = TANK(D=2.0, L=2.0, horizontal=False, sideA="conical", sideA_a=1.0)
    ours = calc.TruncatedCone(0.0, 2.0, 1.0).volume_l(at(depth_m))[0]
    assert ours == pytest.approx(1_000 * library.V_from_h(depth_m), rel=1e-9)


CONE = {0.5: "1650.65", 0.75: "2537.33", 1.0: "3466.22", 1.5: "5454.59", 2.0: "7623.60"}


@pytest.mark.parametrize(("depth_m", "printed"), CONE.items())
def test_litres_of_leaning_walls(depth_m: float, printed: str) -> None:
    # Geometry: pi h/12 (Db^2 + Db Dh + Dh^2); 2.0 m at the floor, 2.4 m across at 2 m.
    assert f"{calc.TruncatedCone(2.0, 2.4, 2.0).volume_l(at(depth_m))[0]:.2f}" == printed


def test_a_strapping_table_cuts_the_corner_by_what_the_curve_says() -> None:
    # Linear tables: the idea of ISO 7507-1:2003; figures computed. Chord error = dA/dh * dh^2 / 8.
    cone = calc.TruncatedCone(2.0, 2.4, 2.0)
    low, high = cone.volume_l(at(0.5, 1.0)).tolist()
    table = calc.StrappingTable((0.5, 1.0), (low, high))
    read = table.volume_l(at(0.75))[0]
    assert f"{read:.2f}" == "2558.43"
    assert f"{read - cone.volume_l(at(0.75))[0]:.3f}" == "21.108"


@pytest.mark.parametrize(("step_m", "printed"), [(0.1, "21.97"), (0.5, "198.6")])
def test_a_coarse_table_of_a_lying_cylinder_is_worst_at_its_floor(step_m: float, printed: str) -> None:
    shape = calc.LyingCylinder(1.5, 3.0)
    points = np.arange(0, 1.5 + step_m / 2, step_m)
    table = calc.StrappingTable(tuple(points.tolist()), tuple(shape.volume_l(points).tolist()))
    depth_m = np.linspace(0, 0.75, 75_001)  # the upper half is the lower one turned over
    error = np.abs(table.volume_l(depth_m) - shape.volume_l(depth_m))
    assert f"{error.max():.{len(printed.split('.')[1])}f}" == printed
    assert depth_m[error.argmax()] < step_m


def test_a_brim_full_tank_stays_brim_full() -> None:
    for shape in (calc.Cylinder(3.66), calc.LyingCylinder(1.5, 3.0), calc.TruncatedCone(2.0, 2.4, 2.0)):
        tank = calc.tank_litres(shape, at(-0.2, 1.2, 1.3, math.inf), brim_m=1.2, outlet_m=0.1)
        assert tank.volume_l[0] == 0
        assert len(set(tank.volume_l[1:].tolist())) == 1
