"""A tank's level by the minute, and the change between two times.

The uncertainty of litres has four parts which differ in what they share. `noise` is new in each minute. `zero` (face
height, the ranger's own zero) and `scale` (litres per depth) are one unknown error each for the whole series: in a
difference of two levels the zero cancels as far as the tank is straight, and the scale counts for the difference alone.
`sound` (the air's temperature) drifts over hours. Follows JCGM 100:2008, 5.2 (correlated inputs).
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead.calc.arrays import F64, I64

from .estimate import Answered, Unknown, estimate

__all__ = ["AIR_DRIFT_MS", "LevelMean", "TankMinutes", "level_mean", "volume_change"]

AIR_DRIFT_MS = 6 * 3_600_000
"""The error of the air's temperature loses its memory over this time: a quarter of its daily round."""


@dataclass(frozen=True, slots=True)
class TankMinutes:
    """One row for each minute with good readings, in order of time; all arrays of one length.

    t_ms: end of the minute. depth_m, volume_l: the median of its readings. depth_noise_u_m and noise_u_l: of that
    median; the others are shared between rows as the module says. at_brim: the water stood at the brim, so that more
    may have spilt (or the ranger was blanked by it).
    """

    tank: str
    t_ms: I64
    readings: I64
    depth_m: F64
    depth_noise_u_m: F64
    depth_zero_u_m: F64
    depth_sound_u_m: F64
    volume_l: F64
    noise_u_l: F64
    zero_u_l: F64
    sound_u_l: F64
    scale_u_l: F64
    at_brim: npt.NDArray[np.bool_]

    def between(self, from_ms: int, upto_ms: int) -> "TankMinutes":
        """Rows with from_ms < t_ms <= upto_ms."""
        k = slice(*np.searchsorted(self.t_ms, [from_ms, upto_ms], side="right"))
        return TankMinutes(
            self.tank,
            self.t_ms[k],
            self.readings[k],
            self.depth_m[k],
            self.depth_noise_u_m[k],
            self.depth_zero_u_m[k],
            self.depth_sound_u_m[k],
            self.volume_l[k],
            self.noise_u_l[k],
            self.zero_u_l[k],
            self.sound_u_l[k],
            self.scale_u_l[k],
            self.at_brim[k],
        )


@dataclass(frozen=True, slots=True)
class LevelMean:
    """The mean of a few minutes of still water: when, how deep, how much, and the parts of its uncertainty."""

    t_ms: int
    depth_m: float
    volume_l: float
    noise_u_l: float
    zero_u_l: float
    sound_u_l: float
    scale_u_l: float
    at_brim: bool

    @property
    def u_l(self) -> float:
        """All parts together."""
        return math.hypot(self.noise_u_l, self.zero_u_l, self.sound_u_l, self.scale_u_l)


def level_mean(minutes: TankMinutes, from_ms: int, upto_ms: int) -> LevelMean | Unknown:
    """The mean level of the minutes with from_ms < t_ms <= upto_ms."""
    some = minutes.between(from_ms, upto_ms)
    n = len(some.t_ms)
    if not n:
        return Unknown(f"there is no good level of {minutes.tank} in that time")
    return LevelMean(
        t_ms=int(np.mean(some.t_ms)),
        depth_m=float(np.mean(some.depth_m)),
        volume_l=float(np.mean(some.volume_l)),
        noise_u_l=float(np.sqrt(np.sum(some.noise_u_l**2)) / n),
        zero_u_l=float(np.mean(some.zero_u_l)),
        sound_u_l=float(np.mean(some.sound_u_l)),
        scale_u_l=float(np.mean(some.scale_u_l)),
        at_brim=bool(some.at_brim.any()),
    )


def volume_change(first: LevelMean | Unknown, last: LevelMean | Unknown) -> Answered:
    """Litres from one level to a later one of the same tank: what both share counts once.

    Source: JCGM 100:2008, eq. 13 with r = 1 for zero and scale, exp(-dt/6 h) for the air.
    """
    if isinstance(first, Unknown):
        return first
    if isinstance(last, Unknown):
        return last
    alike = math.exp(-abs(last.t_ms - first.t_ms) / AIR_DRIFT_MS)
    sound2 = first.sound_u_l**2 + last.sound_u_l**2 - 2 * alike * first.sound_u_l * last.sound_u_l
    u_l = math.sqrt(
        first.noise_u_l**2
        + last.noise_u_l**2
        + (last.zero_u_l - first.zero_u_l) ** 2
        + (last.scale_u_l - first.scale_u_l) ** 2
        + max(sound2, 0.0)
    )
    return estimate(last.volume_l - first.volume_l, u_l)
