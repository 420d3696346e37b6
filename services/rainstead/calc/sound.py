"""Speed of sound in the air between a ranger and the water."""

import math

import numpy as np

from rainstead.errors import OutOfDomain

from .arrays import F64

__all__ = ["dry_sound_speed_m_s", "sound_speed_m_s", "sound_u_ratio"]

_DRY_AIR_G_MOL, _WATER_G_MOL = 28.9647, 18.01528
_DRY_AIR_CP_R, _WATER_CP_R = 3.5, 4.0
"""Molar heat capacity at constant pressure, in units of the gas constant: rigid two- and three-atom molecules."""


def dry_sound_speed_m_s(air_c: F64) -> F64:
    """Speed of sound in dry air.

    air_c: deg C, -20 to 60, any shape; NaN stays NaN. Raises OutOfDomain outside that range.
    Source: ISO 9613-1:1993, sound-speed expression: 343.2 m/s times the root of T / 293.15 K.
    """
    _check(air_c)
    return 343.2 * np.sqrt((air_c + 273.15) / 293.15)


def sound_speed_m_s(air_c: F64, humidity_ratio: float) -> F64:
    """Speed of sound in humid air at sea-level pressure.

    air_c: deg C, -20 to 60, any shape; NaN stays NaN. humidity_ratio: 0 (dry) to 1 (saturated).
    Raises OutOfDomain outside those.
    Source: the dry speed of ISO 9613-1:1993, with the vapour's mole fraction by its annex B, times the ratio that
    an ideal mixture of air and vapour has by c^2 = (cp / cv) R T / M. The gap of a closed tank is near saturation,
    where this is 0.4 % at 20 deg C and 1.6 % at 45.
    Within 0.046 % of a real-gas model from -10 to 45 deg C, and within 0.049 % of Cramer's polynomial (J. Acoust. Soc.
    Am. 93(5), 1993, 2510) from 0 to 30, at any humidity. Nearly all of that is the dry constant, which leaves an ullage
    when it is divided by the speed that the sensor assumed. Saturated above 45 deg C it grows: 0.06 % at 50, 0.14 %
    at 60.
    """
    if not 0 <= humidity_ratio <= 1:
        raise OutOfDomain(f"humidity_ratio = {humidity_ratio}: between 0 and 1")
    dry = dry_sound_speed_m_s(air_c)
    heat, mass = _mixture(_vapour(air_c + 273.15, humidity_ratio))
    gamma_ratio = (heat / (heat - 1)) / (_DRY_AIR_CP_R / (_DRY_AIR_CP_R - 1))
    return dry * np.sqrt(gamma_ratio * (_DRY_AIR_G_MOL / mass))


def sound_u_ratio(air_c: F64, air_u_c: F64 | float, humidity_ratio: float = 0.0) -> F64:
    """Relative standard uncertainty of the speed of sound from that of the air's temperature, in kelvin.

    Dry: u(T) / 2T. Over water warmer air also holds more vapour, which adds a fifth at 25 deg C and half at 45: the
    derivative of `sound_speed_m_s` at a constant humidity_ratio.
    """
    kelvin = air_c + 273.15
    x = _vapour(kelvin, humidity_ratio)
    heat, mass = _mixture(x)
    per_vapour = (_WATER_CP_R - _DRY_AIR_CP_R) * (1 / heat - 1 / (heat - 1)) - (_WATER_G_MOL - _DRY_AIR_G_MOL) / mass
    vapour_per_k = x * math.log(10) * 6.8346 * 1.261 * (273.16 / kelvin) ** 1.261 / kelvin
    return air_u_c * (1 / kelvin + per_vapour * vapour_per_k) / 2


def _vapour(kelvin: F64, humidity_ratio: float) -> F64:
    """Mole fraction of vapour at 101.325 kPa, which is also the reference pressure of the formula."""
    return humidity_ratio * 10.0 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)


def _mixture(vapour: F64) -> tuple[F64, F64]:
    """Molar heat capacity, in units of the gas constant, and molar mass, g/mol."""
    heat = _DRY_AIR_CP_R + (_WATER_CP_R - _DRY_AIR_CP_R) * vapour
    return heat, _DRY_AIR_G_MOL + (_WATER_G_MOL - _DRY_AIR_G_MOL) * vapour


def _check(air_c: F64) -> None:
    if np.any((air_c < -20) | (air_c > 60)):
        raise OutOfDomain("air_c: between -20 and 60 deg C")
