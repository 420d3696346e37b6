"""Rules of thumb that owners know. They have no source: all are common practice."""

import numpy as np
import pytest

from rainstead import calc

TWELVE_FEET_M = 12 * 0.3048
HALF_AN_ACRE_M2 = 0.5 * 4046.8564224


def test_a_millimetre_on_a_square_metre_is_a_litre() -> None:
    # Common practice, and an identity; also in the Western Australian agriculture department's advice on drip lines.
    assert calc.Cuboid(1.0, 1.0).volume_l(np.array([0.001]))[0] == pytest.approx(1.0, rel=1e-15)


def test_a_twelve_foot_round_tank_holds_about_105_litres_a_centimetre() -> None:
    # Common practice.
    assert calc.Cylinder(TWELVE_FEET_M).l_per_m(np.array([0.5]))[0] / 100 == pytest.approx(105, abs=0.5)


def test_owners_dips_of_a_soft_walled_tank_give_up_to_about_110() -> None:
    # Common practice: soft walls bulge, so the owner's own figure, not the diameter, is the calibration.
    bulged = calc.LitresPerCentimetre(110.0, 0.0).l_per_m(np.array([0.5]))[0]
    geometry = calc.Cylinder(TWELVE_FEET_M).l_per_m(np.array([0.5]))[0]
    assert bulged / geometry == pytest.approx(1.047, abs=0.001)
    # That much more area is a diameter 8 to 9 cm larger than the one on the label.
    wide = calc.Cylinder(TWELVE_FEET_M + 0.085).l_per_m(np.array([0.5]))[0]
    assert wide == pytest.approx(bulged, rel=0.001)


def test_a_thousand_litres_over_half_an_acre_is_about_half_a_millimetre() -> None:
    # Common practice.
    ground = calc.Cuboid(HALF_AN_ACRE_M2, 1.0)
    assert 1_000 / ground.l_per_m(np.array([0.0]))[0] * 1_000 == pytest.approx(0.5, abs=0.01)


def test_ten_minutes_that_lower_it_by_eight_centimetres_moved_880_litres() -> None:
    # Common practice, at the owner's 110 L/cm: 88 L/min.
    before, after = calc.LitresPerCentimetre(110.0, 0.0).volume_l(np.array([0.72, 0.64])).tolist()
    assert before - after == pytest.approx(880)
    assert (before - after) / 10 == pytest.approx(88)
    # By the label's diameter it would be 841 L: the calibration is 4.5 % of the answer.
    label = calc.Cylinder(TWELVE_FEET_M).volume_l(np.array([0.08]))[0]
    assert label == pytest.approx(841, abs=1)


@pytest.mark.parametrize(
    ("litres", "area_m2", "printed"),
    [(45_000, 14_000, "3.214"), (10_000, HALF_AN_ACRE_M2, "4.942"), (10_000, 10_000, "1.000")],
)
def test_applied_depth_is_litres_over_square_metres(litres: float, area_m2: float, printed: str) -> None:
    # 45 kL on 1.4 ha is 3.2 mm: Perth NRM, Irrinote 5. The others by the same identity.
    assert f"{1_000 * litres / calc.Cuboid(area_m2, 1.0).l_per_m(np.array([0.0]))[0]:.3f}" == printed
