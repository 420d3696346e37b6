"""A tank's litres at a depth: in it, still to go, and to be had."""

from dataclasses import dataclass

import numpy as np

from .arrays import F64
from .strapping import Volume

__all__ = ["TankLitres", "tank_litres"]


@dataclass(frozen=True, slots=True)
class TankLitres:
    """Litres in the tank, to its brim, above its outlet; and litres per metre of depth there. NaN stays NaN."""

    volume_l: F64
    freeboard_l: F64
    usable_l: F64
    l_per_m: F64


def tank_litres(shape: Volume, depth_m: F64, *, brim_m: float, outlet_m: float) -> TankLitres:
    """Litres by a calibration. Above its brim a tank holds what it holds at its brim: the rest has spilt."""
    held_m = np.minimum(depth_m, brim_m)
    volume_l = shape.volume_l(held_m)
    full_l, dead_l = shape.volume_l(np.array([brim_m, outlet_m]))
    return TankLitres(volume_l, full_l - volume_l, np.maximum(volume_l - dead_l, 0.0), shape.l_per_m(held_m))
