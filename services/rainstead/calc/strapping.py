"""Litres at a depth: the shapes that a tank's calibration can have.

All take depths in metres above the floor datum, of any shape of array, NaN staying NaN, and give litres, or litres per
metre. Below the floor there is nothing; above its own top a shape is not extrapolated.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .arrays import F64

__all__ = [
    "Cuboid",
    "Cylinder",
    "LitresPerCentimetre",
    "LyingCylinder",
    "StrappingTable",
    "TruncatedCone",
    "Volume",
]


@dataclass(frozen=True, slots=True)
class Cylinder:
    """Upright round tank."""

    diameter_m: float

    def volume_l(self, depth_m: F64) -> F64:
        """pi/4 D^2 h."""
        return self._area_l_m() * np.maximum(depth_m, 0.0)

    def l_per_m(self, depth_m: F64) -> F64:
        """The same at every depth."""
        return np.where(np.isnan(depth_m), np.nan, self._area_l_m())

    def _area_l_m(self) -> float:
        return 250 * math.pi * self.diameter_m**2


@dataclass(frozen=True, slots=True)
class Cuboid:
    """Rectangular tank."""

    length_m: float
    width_m: float

    def volume_l(self, depth_m: F64) -> F64:
        """L W h."""
        return 1000 * self.length_m * self.width_m * np.maximum(depth_m, 0.0)

    def l_per_m(self, depth_m: F64) -> F64:
        """The same at every depth."""
        return np.where(np.isnan(depth_m), np.nan, 1000 * self.length_m * self.width_m)


@dataclass(frozen=True, slots=True)
class TruncatedCone:
    """Walls that lean evenly; `height_m` is where `top_diameter_m` was measured, and the shape's own top."""

    bottom_diameter_m: float
    top_diameter_m: float
    height_m: float

    def volume_l(self, depth_m: F64) -> F64:
        """pi h/12 (Db^2 + Db Dh + Dh^2)."""
        h = np.clip(depth_m, 0.0, self.height_m)
        base, wide = self.bottom_diameter_m, self._diameter_m(h)
        return 1000 * math.pi / 12 * h * (base * base + base * wide + wide * wide)

    def l_per_m(self, depth_m: F64) -> F64:
        """Area at that depth."""
        wide = self._diameter_m(np.clip(depth_m, 0.0, self.height_m))
        return 250 * math.pi * wide * wide

    def _diameter_m(self, h: F64) -> F64:
        return self.bottom_diameter_m + (self.top_diameter_m - self.bottom_diameter_m) / self.height_m * h


@dataclass(frozen=True, slots=True)
class LyingCylinder:
    """Horizontal cylinder with flat ends."""

    diameter_m: float
    length_m: float

    def volume_l(self, depth_m: F64) -> F64:
        """L [R^2 acos((R-h)/R) - (R-h) sqrt(2Rh - h^2)]."""
        r = self.diameter_m / 2
        h = np.clip(depth_m, 0.0, self.diameter_m)
        # Rounding carries the argument past one at the floor and at the top.
        angle = np.arccos(np.clip((r - h) / r, -1.0, 1.0))
        return 1000 * self.length_m * (r * r * angle - (r - h) * np.sqrt(np.maximum(2 * r * h - h * h, 0.0)))

    def l_per_m(self, depth_m: F64) -> F64:
        """Length times the chord at that depth."""
        h = np.clip(depth_m, 0.0, self.diameter_m)
        return 2000 * self.length_m * np.sqrt(np.maximum(h * (self.diameter_m - h), 0.0))


@dataclass(frozen=True, slots=True)
class LitresPerCentimetre:
    """The owner's own figure, counted from `zero_depth_m`."""

    l_per_cm: float
    zero_depth_m: float

    def volume_l(self, depth_m: F64) -> F64:
        """100 l/cm (h - zero)."""
        return 100 * self.l_per_cm * np.maximum(depth_m - self.zero_depth_m, 0.0)

    def l_per_m(self, depth_m: F64) -> F64:
        """The same at every depth."""
        return np.where(np.isnan(depth_m), np.nan, 100 * self.l_per_cm)


@dataclass(frozen=True, slots=True)
class StrappingTable:
    """Measured pairs, strictly rising in depth and never falling in volume; straight lines between them.

    Where the first pair lies above the floor, a line leads down from it to nothing at the floor.
    """

    depth_m: tuple[float, ...]
    volume_at_l: tuple[float, ...]

    def volume_l(self, depth_m: F64) -> F64:
        """Nothing below the floor, the last pair's volume above the last pair."""
        depths, volumes = self._points()
        h = np.clip(depth_m, depths[0], depths[-1])
        k = _segment(depths, h)
        inside = volumes[k] + (np.diff(volumes) / np.diff(depths))[k] * (h - depths[k])
        return np.where(np.isnan(depth_m), np.nan, np.where(depth_m < 0, 0.0, inside))

    def l_per_m(self, depth_m: F64) -> F64:
        """Slope of the segment; at a pair, of the one above it."""
        depths, volumes = self._points()
        k = _segment(depths, np.clip(depth_m, depths[0], depths[-1]))
        return np.where(np.isnan(depth_m), np.nan, (np.diff(volumes) / np.diff(depths))[k])

    def _points(self) -> tuple[F64, F64]:
        # The floor holds nothing, so below the first pair this is no guess; its own volume there would flatter.
        floor = (0.0,) if self.depth_m[0] > 0 else ()
        return np.array(floor + self.depth_m), np.array(floor + self.volume_at_l)


def _segment(depths: F64, h: F64) -> npt.NDArray[np.intp]:
    return np.clip(np.searchsorted(depths, h, side="right") - 1, 0, len(depths) - 2)


Volume = Cylinder | Cuboid | TruncatedCone | LyingCylinder | LitresPerCentimetre | StrappingTable
