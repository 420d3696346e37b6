"""From what a ranger said to how far the water really is below its face, and how deep that makes it."""

import numpy as np

from .arrays import F64
from .sound import dry_sound_speed_m_s, sound_speed_m_s

__all__ = ["depth_m", "ullage_compensated_m", "ullage_m"]


def ullage_m(range_mm: F64, air_c: F64, *, assumed_air_c: float, humidity_ratio: float) -> F64:
    """Distance from face to water, from the range of a sensor that uses one fixed speed of sound.

    range_mm: as the sensor said, at the dry-air speed of assumed_air_c. air_c: mean of the gap, deg C, -20 to 60.
    Metres. NaN stays NaN. Raises OutOfDomain for temperatures outside the range.
    """
    assumed = float(dry_sound_speed_m_s(np.array([assumed_air_c]))[0])
    return range_mm * 0.001 * (sound_speed_m_s(air_c, humidity_ratio) / assumed)


def ullage_compensated_m(range_mm: F64, air_c: F64, *, humidity_ratio: float) -> F64:
    """Distance from face to water, from the range of a sensor that corrects for dry-air temperature itself.

    Only the vapour, which its thermometer does not see, is put right: temperature is never corrected twice.
    """
    return range_mm * 0.001 * (sound_speed_m_s(air_c, humidity_ratio) / dry_sound_speed_m_s(air_c))


def depth_m(face_height_m: float, ullage: F64) -> F64:
    """Depth of water above the floor datum; negative where the sensor sees below it."""
    return face_height_m - ullage
