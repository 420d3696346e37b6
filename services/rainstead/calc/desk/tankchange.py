"""Litres that left or entered a tank between two times of still water, as a measure with its parts."""

import math

from .agreement import Measure, Part
from .estimate import Unknown
from .levels import AIR_DRIFT_MS, LevelMean, TankMinutes, level_mean

__all__ = ["STILL_AFTER_MS", "STILL_FOR_MS", "still_after", "still_before", "tank_change"]

STILL_FOR_MS = 12 * 60_000
"""Still water is read for this long on either side of a run."""
STILL_AFTER_MS = 2 * 60_000
"""The surface is given this long to come to rest."""


def still_before(minutes: TankMinutes, start_ms: int, not_before_ms: int) -> LevelMean | Unknown:
    """The level of the minutes that were over when the run began, none of them from before `not_before_ms`."""
    return level_mean(minutes, max(start_ms - STILL_FOR_MS, not_before_ms), start_ms)


def still_after(minutes: TankMinutes, end_ms: int, not_after_ms: int) -> LevelMean | Unknown:
    """The level once the surface has come to rest, before whatever came next."""
    # A minute's row holds the readings of the minute that it ends.
    first_ms = end_ms + STILL_AFTER_MS + 60_000
    return level_mean(minutes, first_ms, min(first_ms + STILL_FOR_MS, not_after_ms))


def tank_change(name: str, tank: str, first: LevelMean, last: LevelMean, *, falls: bool) -> Measure:
    """Litres by the tank's fall (falls=True) or rise: what both levels share counts once.

    The same algebra as levels.volume_change, with its parts kept by name.
    """
    sign = -1.0 if falls else 1.0
    alike = math.exp(-abs(last.t_ms - first.t_ms) / AIR_DRIFT_MS)
    sound2 = first.sound_u_l**2 + last.sound_u_l**2 - 2 * alike * first.sound_u_l * last.sound_u_l
    return Measure(
        name,
        sign * (last.volume_l - first.volume_l),
        (
            Part(f"{tank} noise", math.hypot(first.noise_u_l, last.noise_u_l)),
            Part(f"{tank} zero", sign * (last.zero_u_l - first.zero_u_l)),
            Part(f"{tank} air", math.sqrt(max(sound2, 0.0))),
            Part(f"{tank} calibration", sign * (last.scale_u_l - first.scale_u_l)),
        ),
    )
