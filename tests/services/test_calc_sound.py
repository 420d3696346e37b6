"""What the speed of sound is good for, and how it gets from a range to a depth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead import calc
from rainstead.errors import OutOfDomain


@pytest.mark.parametrize("air_c", [-20.001, 60.001, 293.15])
def test_air_that_no_tank_has_is_refused(air_c: float) -> None:
    for speed in (calc.dry_sound_speed_m_s, lambda air: calc.sound_speed_m_s(air, 1.0)):
        with pytest.raises(OutOfDomain, match="-20 and 60"):
            speed(np.array([20.0, air_c]))


@pytest.mark.parametrize("humidity", [-0.01, 1.01, 97.0, math.nan])
def test_a_humidity_that_is_no_ratio_is_refused(humidity: float) -> None:
    with pytest.raises(OutOfDomain, match="humidity_ratio"):
        calc.sound_speed_m_s(np.array([20.0]), humidity)


def test_nan_stays_nan_and_the_ends_of_the_domain_belong_to_it() -> None:
    speed = calc.sound_speed_m_s(np.array([-20.0, math.nan, 60.0]), 1.0)
    assert np.isnan(speed).tolist() == [False, True, False]


def test_without_vapour_humid_air_is_dry_air() -> None:
    air_c = np.linspace(-20, 60, 81)
    assert calc.sound_speed_m_s(air_c, 0.0).tolist() == calc.dry_sound_speed_m_s(air_c).tolist()


@given(st.floats(-20, 60), st.floats(0, 1))
def test_warmer_and_damper_air_is_faster(air_c: float, humidity: float) -> None:
    here = calc.sound_speed_m_s(np.array([air_c]), humidity)[0]
    assert calc.sound_speed_m_s(np.array([air_c]), 1.0)[0] >= here >= calc.dry_sound_speed_m_s(np.array([air_c]))[0]
    if air_c < 59:
        assert calc.sound_speed_m_s(np.array([air_c + 1]), humidity)[0] > here


@given(st.floats(250, 4_500), st.floats(-20, 50))
def test_in_the_air_that_the_sensor_assumed_its_range_stands(range_mm: float, air_c: float) -> None:
    ullage = calc.ullage_m(np.array([range_mm]), np.array([air_c]), assumed_air_c=air_c, humidity_ratio=0.0)
    assert ullage[0] == pytest.approx(range_mm / 1000, rel=1e-15)


@given(st.floats(250, 4_500), st.floats(-20, 50), st.floats(0, 1))
def test_both_kinds_of_sensor_see_the_same_water(true_mm: float, air_c: float, humidity: float) -> None:
    """One multiplies the time by the speed at 20 deg C, the other by that of dry air at the air's temperature."""
    air = np.array([air_c])
    time = true_mm / calc.sound_speed_m_s(air, humidity)
    plain = time * calc.dry_sound_speed_m_s(np.array([20.0]))
    compensating = time * calc.dry_sound_speed_m_s(air)
    for ullage in (
        calc.ullage_m(plain, air, assumed_air_c=20.0, humidity_ratio=humidity),
        calc.ullage_compensated_m(compensating, air, humidity_ratio=humidity),
    ):
        assert ullage[0] == pytest.approx(true_mm / 1000, rel=1e-14)


def test_depth_is_what_is_left_under_the_face() -> None:
    assert calc.depth_m(2.5, np.array([0.5, 2.5, 2.6])) == pytest.approx([2.0, 0.0, -0.1])
