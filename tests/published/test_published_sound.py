"""Speed of sound and ullage, against published formulas and a real-gas library."""

import math

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI

from rainstead import calc
from rainstead.calc.arrays import F64


def at(*air_c: float) -> F64:
    return np.array(air_c, dtype=float)


# ISO 9613-1:1993, sound-speed expression (annex A), computed from it by hand.
ISO_DRY = {0: "331.286", 10: "337.296", 20: "343.200", 30: "349.005", 40: "354.714", 50: "360.333"}


@pytest.mark.parametrize(("air_c", "printed"), ISO_DRY.items())
def test_dry_speed_is_that_of_iso_9613_1(air_c: float, printed: str) -> None:
    assert f"{calc.dry_sound_speed_m_s(at(air_c))[0]:.3f}" == printed


def cramer_m_s(air_c: float, humidity: float, pressure_pa: float = 101_325, co2: float = 400e-6) -> float:
    """O. Cramer, J. Acoust. Soc. Am. 93(5), 1993, p. 2514; good for 0 to 30 deg C and vapour under 0.06."""
    kelvin = air_c + 273.15
    vapour_pa = math.exp(1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6353.6311 / kelvin)
    enhanced = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * air_c**2
    x = humidity * enhanced * vapour_pa / pressure_pa
    return (
        331.5024
        + 0.603055 * air_c
        - 0.000528 * air_c**2
        + (51.471935 + 0.1495874 * air_c - 0.000782 * air_c**2) * x
        + (-1.82e-7 + 3.73e-8 * air_c - 2.93e-10 * air_c**2) * pressure_pa
        + (-85.20931 - 0.228525 * air_c + 5.91e-5 * air_c**2) * co2
        - 2.835149 * x**2
        - 2.15e-13 * pressure_pa**2
        + 29.179762 * co2**2
        + 0.000486 * x * pressure_pa * co2
    )


# Rows computed from the formula at 101 325 Pa and 400 ppm of CO2; no published output value is known.
CRAMER = {
    (0, 0.0): "331.448",
    (0, 0.5): "331.604",
    (0, 1.0): "331.759",
    (10, 0.0): "337.459",
    (10, 0.5): "337.781",
    (10, 1.0): "338.103",
    (20, 0.0): "343.359",
    (20, 0.5): "343.987",
    (20, 1.0): "344.613",
    (30, 0.0): "349.148",
    (30, 0.5): "350.310",
    (30, 1.0): "351.469",
}


@pytest.mark.parametrize(("where", "expected"), CRAMER.items())
def test_humid_speed_is_within_a_twentieth_of_a_percent_of_cramer(where: tuple[float, float], expected: str) -> None:
    air_c, humidity = where
    assert f"{cramer_m_s(air_c, humidity):.3f}" == expected
    # Measured: at most -0.0488 % (dry, 0 deg C).
    assert calc.sound_speed_m_s(at(air_c), humidity)[0] == pytest.approx(float(expected), rel=0.0005)


@pytest.mark.parametrize("air_c", range(-10, 46, 5))
@pytest.mark.parametrize("humidity", [0.0, 0.5, 1.0])
def test_humid_speed_is_within_a_twentieth_of_a_percent_of_a_real_gas(air_c: float, humidity: float) -> None:
    # CoolProp, humid air. Measured: -0.0455 % (dry, 0 deg C) to +0.0349 % (saturated, 45 deg C).
    real = HAPropsSI("speed_of_sound", "T", air_c + 273.15, "P", 101_325, "R", humidity)
    assert calc.sound_speed_m_s(at(air_c), humidity)[0] == pytest.approx(real, rel=0.00046)


@pytest.mark.parametrize("air_c", range(-20, 61, 10))
def test_dry_speed_is_within_a_twentieth_of_a_percent_of_a_real_gas(air_c: float) -> None:
    real = PropsSI("A", "T", air_c + 273.15, "P", 101_325, "Air")
    assert calc.dry_sound_speed_m_s(at(air_c))[0] == pytest.approx(real, rel=0.0005)


@pytest.mark.parametrize("air_c", range(0, 46, 5))
def test_an_ullage_over_water_is_right_to_a_millimetre_and_a_half_in_two_metres(air_c: float) -> None:
    """What a tank feels is a ratio of speeds, in which the constant of the dry speed cancels."""

    def real(celsius: float, humidity: float) -> float:
        return float(HAPropsSI("speed_of_sound", "T", celsius + 273.15, "P", 101_325, "R", humidity))

    range_mm = 2_000 / real(air_c, 1.0) * real(20, 0.0)
    ullage = calc.ullage_m(at(range_mm), at(air_c), assumed_air_c=20.0, humidity_ratio=1.0)
    assert ullage[0] == pytest.approx(2.0, abs=0.0016)


@pytest.mark.parametrize(
    ("air_c", "printed"), [(0, "0.014"), (20, "0.220"), (30, "0.475"), (40, "0.826"), (50, "1.267")]
)
def test_the_textbook_straight_line_runs_away_from_it_as_expected(air_c: float, printed: str) -> None:
    # 331.3 + 0.606 t: 331.3 and the Taylor series from a textbook page; 0.606 from memory.
    line = 331.3 + 0.606 * air_c
    assert f"{line - calc.dry_sound_speed_m_s(at(air_c))[0]:.3f}" == printed


@pytest.mark.parametrize(("true_c", "error_mm"), [(30, "-33.3"), (10, "35.0")])
def test_ten_kelvin_of_unseen_air_is_three_centimetres_in_two_metres(true_c: float, error_mm: str) -> None:
    # From the ISO expression: reading = true * c(assumed) / c(true).
    dry = calc.dry_sound_speed_m_s(at(20, true_c))
    range_mm = 2_000 * dry[0] / dry[1]
    assert f"{range_mm - 2_000:.1f}" == error_mm
    ullage = calc.ullage_m(at(range_mm), at(true_c), assumed_air_c=20.0, humidity_ratio=0.0)
    assert ullage[0] == pytest.approx(2.0, rel=1e-14)


def test_a_kelvin_is_a_sixth_of_a_percent() -> None:
    # d ln c / dT = 1 / 2T from the ISO expression: 0.1706 % per kelvin at 20 deg C, 3.41 mm per kelvin at 2 m.
    ratio = calc.sound_u_ratio(at(20), 1.0)[0]
    assert f"{100 * ratio:.4f}" == "0.1706"
    assert f"{2_000 * ratio:.2f}" == "3.41"
    around = calc.dry_sound_speed_m_s(at(19.999, 20, 20.001))
    assert ratio == pytest.approx((around[2] - around[0]) / 0.002 / around[1], rel=1e-7)


@pytest.mark.parametrize("humidity", [0.0, 0.6, 1.0])
def test_the_sensitivity_is_the_slope_of_the_speed(humidity: float) -> None:
    air_c = np.linspace(-19, 59, 79)
    rise = calc.sound_speed_m_s(air_c + 0.001, humidity) - calc.sound_speed_m_s(air_c - 0.001, humidity)
    slope = rise / 0.002 / calc.sound_speed_m_s(air_c, humidity)
    np.testing.assert_allclose(calc.sound_u_ratio(air_c, 2.0, humidity), 2 * slope, rtol=1e-6)


def test_over_water_a_kelvin_is_worth_more_than_in_dry_air() -> None:
    def real(celsius: float) -> float:
        return float(HAPropsSI("speed_of_sound", "T", celsius + 273.15, "P", 101_325, "R", 1.0))

    for air_c in (10.0, 25.0, 40.0):
        # CoolProp, saturated air.
        slope = (real(air_c + 0.5) - real(air_c - 0.5)) / real(air_c)
        assert calc.sound_u_ratio(at(air_c), 1.0, 1.0)[0] == pytest.approx(slope, rel=0.03)


@pytest.mark.parametrize(("air_c", "printed_percent"), [(20, 0.365), (30, 0.665)])
def test_vapour_makes_sound_faster_by_what_cramer_says(air_c: float, printed_percent: float) -> None:
    # Differences of Cramer's formula. Ours at 30 deg C is 0.681: 0.3 mm more in 2 m.
    assert 100 * (cramer_m_s(air_c, 1) / cramer_m_s(air_c, 0) - 1) == pytest.approx(printed_percent, abs=0.0005)
    ours = 100 * (calc.sound_speed_m_s(at(air_c), 1.0) / calc.dry_sound_speed_m_s(at(air_c)) - 1)
    assert ours[0] == pytest.approx(printed_percent, abs=0.017)


def test_dry_air_for_damp_air_would_overstate_the_water() -> None:
    # At 30 deg C the dry rule hears the water 13 mm too near in 2 m, by Cramer's difference.
    ullage = calc.ullage_compensated_m(at(2_000), at(30), humidity_ratio=1.0)
    assert 1_000 * (ullage[0] - 2.0) == pytest.approx(13.3, abs=0.35)


@pytest.mark.parametrize(("sensor_c", "printed_m"), [(50, "2.0487"), (35, "2.0006"), (20, "1.9513")])
def test_under_a_hot_lid_the_mean_of_the_air_is_the_temperature_to_use(sensor_c: float, printed_m: str) -> None:
    # Lid 50, water 20 deg C, straight between them, dry: the way takes 5.68559 ms, integrated from the ISO expression.
    z = (np.arange(20_000) + 0.5) / 20_000
    slowness = 1 / calc.dry_sound_speed_m_s(50 - 30 * z)
    way_s = 2.0 * float(np.mean(slowness))
    assert f"{1_000 * way_s:.5f}" == "5.68559"
    heard_mm = 1_000 * way_s * calc.dry_sound_speed_m_s(at(20))
    ullage = calc.ullage_m(heard_mm, at(sensor_c), assumed_air_c=20.0, humidity_ratio=0.0)
    assert f"{ullage[0]:.4f}" == printed_m


def test_a_microsecond_of_echo_is_a_sixth_of_a_millimetre() -> None:
    # d = c dt / 2 with the ISO speed at 20 deg C.
    assert f"{calc.dry_sound_speed_m_s(at(20))[0] * 1e-6 / 2 * 1_000:.3f}" == "0.172"
