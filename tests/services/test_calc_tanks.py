"""Depth to litres: what every shape must keep to, and what a tank's brim and outlet make of it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead import calc
from rainstead.calc.arrays import F64

TABLE = calc.StrappingTable((0.2, 0.5, 1.0, 2.0), (300.0, 900.0, 900.0, 2_900.0))
SHAPES: list[tuple[calc.Volume, float]] = [
    (calc.Cylinder(3.66), 3.0),
    (calc.Cuboid(2.4, 1.2), 3.0),
    (calc.TruncatedCone(2.0, 2.4, 2.0), 2.0),
    (calc.TruncatedCone(2.4, 2.0, 2.0), 2.0),
    (calc.LyingCylinder(1.5, 3.0), 1.5),
    (calc.LitresPerCentimetre(110.0, 0.05), 3.0),
    (TABLE, 2.0),
]
each_shape = pytest.mark.parametrize(("shape", "top_m"), SHAPES)


def at(*depth_m: float) -> F64:
    return np.array(depth_m, dtype=float)


@each_shape
def test_below_the_floor_there_is_nothing_and_nan_stays_nan(shape: calc.Volume, top_m: float) -> None:
    volume = shape.volume_l(at(-1.0, -1e-9, 0.0, math.nan))
    assert volume[:3].tolist() == [0.0, 0.0, 0.0]
    assert math.isnan(volume[3])
    assert math.isnan(shape.l_per_m(at(math.nan))[0])
    assert shape.volume_l(at()).shape == (0,)
    assert shape.volume_l(at(top_m))[0] > 0


@each_shape
def test_more_depth_is_never_less_water(shape: calc.Volume, top_m: float) -> None:
    volume = shape.volume_l(np.linspace(-0.1, top_m + 0.1, 2_001))
    assert (np.diff(volume) >= 0).all()


@each_shape
def test_litres_per_metre_is_the_slope_of_the_litres(shape: calc.Volume, top_m: float) -> None:
    corners = np.array([*TABLE.depth_m, 0.05])
    depth_m = np.linspace(0.01, top_m - 0.01, 397)
    depth_m = depth_m[np.abs(depth_m[:, None] - corners).min(axis=1) > 1e-4]
    step_m = 1e-5
    slope = (shape.volume_l(depth_m + step_m) - shape.volume_l(depth_m - step_m)) / (2 * step_m)
    found = np.where(shape.volume_l(depth_m) > 0, shape.l_per_m(depth_m), 0.0)
    np.testing.assert_allclose(found, slope, rtol=2e-5, atol=0.01)


@pytest.mark.parametrize(("shape", "top_m"), [(s, top) for s, top in SHAPES if top < 3.0])
def test_no_shape_is_extrapolated_past_its_own_top(shape: calc.Volume, top_m: float) -> None:
    assert len(set(shape.volume_l(at(top_m, top_m + 1e-9, top_m + 5)).tolist())) == 1


def test_a_table_goes_through_its_pairs_and_straight_between_them() -> None:
    assert TABLE.volume_l(at(0.2, 0.5, 1.0, 2.0)).tolist() == [300.0, 900.0, 900.0, 2_900.0]
    assert TABLE.volume_l(at(0.35, 0.75, 1.5)) == pytest.approx([600.0, 900.0, 1_900.0])
    assert TABLE.l_per_m(at(0.35, 0.75, 1.5)) == pytest.approx([2_000.0, 0.0, 2_000.0])


def test_under_its_first_pair_a_table_goes_down_to_nothing_at_the_floor() -> None:
    assert TABLE.volume_l(at(0.1, 0.0)) == pytest.approx([150.0, 0.0])
    assert TABLE.l_per_m(at(0.1)) == pytest.approx([1_500.0])
    # A table that begins at the floor keeps what it says there: a sump under the datum, for one.
    sump = calc.StrappingTable((0.0, 1.0), (40.0, 1_040.0))
    assert sump.volume_l(at(-0.01, 0.0, 0.5)).tolist() == [0.0, 40.0, 540.0]


@given(st.floats(0, 1), st.floats(0.5, 8), st.floats(0.1, 10))
def test_a_lying_cylinder_is_the_same_from_below_and_from_above(part: float, diameter: float, length: float) -> None:
    shape, depth = calc.LyingCylinder(diameter, length), part * diameter
    full = 250 * math.pi * diameter**2 * length
    both = shape.volume_l(at(depth))[0] + shape.volume_l(at(diameter - depth))[0]
    assert both == pytest.approx(full, rel=1e-7)  # at the very floor an arc cosine has half its digits


@given(st.floats(0.5, 6))
def test_a_cone_that_does_not_lean_is_a_cylinder(diameter: float) -> None:
    depth_m = np.linspace(0, 2, 21)
    cone = calc.TruncatedCone(diameter, diameter, 2.0)
    np.testing.assert_allclose(cone.volume_l(depth_m), calc.Cylinder(diameter).volume_l(depth_m), rtol=1e-12)


@each_shape
@given(st.lists(st.floats(-1, 4), max_size=5))
def test_litres_and_freeboard_always_make_up_the_brim(shape: calc.Volume, top_m: float, depths: list[float]) -> None:
    depth_m = at(*depths)
    tank = calc.tank_litres(shape, depth_m, brim_m=top_m * 0.9, outlet_m=0.15)
    full_l = shape.volume_l(at(top_m * 0.9))[0]
    dead_l = shape.volume_l(at(0.15))[0]
    np.testing.assert_allclose(tank.volume_l + tank.freeboard_l, full_l, rtol=1e-12)
    assert (tank.freeboard_l >= 0).all()
    assert (tank.usable_l >= 0).all()
    np.testing.assert_allclose(tank.usable_l, np.maximum(tank.volume_l - dead_l, 0), rtol=1e-12)


def test_over_the_brim_a_tank_holds_what_it_holds_at_its_brim() -> None:
    """b12: V(h > brim) = V(brim)."""
    tank = calc.tank_litres(calc.Cuboid(2.0, 1.0), at(0.05, 1.0, 1.5, 1.7, math.nan), brim_m=1.5, outlet_m=0.1)
    assert tank.volume_l[:4] == pytest.approx([100.0, 2_000.0, 3_000.0, 3_000.0])
    assert tank.freeboard_l[:4] == pytest.approx([2_900.0, 1_000.0, 0.0, 0.0])
    assert tank.usable_l[:4] == pytest.approx([0.0, 1_800.0, 2_800.0, 2_800.0])
    for column in (tank.volume_l, tank.freeboard_l, tank.usable_l, tank.l_per_m):
        assert math.isnan(column[4])
