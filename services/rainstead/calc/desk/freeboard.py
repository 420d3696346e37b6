"""Litres still to go before the brim, and litres above the outlet."""

import math

from .estimate import Answered, Estimate, Unknown, estimate

__all__ = ["freeboard", "usable"]


def freeboard(volume_l: float, volume_u_l: float, scale_u_ratio: float, capacity_l: float) -> Answered:
    """Room above the water, whose uncertainty is not that of the water.

    An error of the depth moves both alike. An error of the litres per depth (scale_u_ratio, relative, a part of
    volume_u_l) counts for the room that is left, not for the water below: a full tank's freeboard is known well even
    where its litres are not. Never below 0.
    Source: JCGM 100:2008, 5.2 (both volumes share the scale, so that it counts for their difference).
    """
    if not (math.isfinite(volume_l) and math.isfinite(volume_u_l) and math.isfinite(capacity_l)):
        return Unknown("its level is not known")
    room_l = capacity_l - volume_l
    u_l = _difference_u_l(volume_l, volume_u_l, scale_u_ratio, room_l)
    if room_l <= 0:
        return Estimate(0.0, u_l, 0.0, max(estimate(room_l, u_l).high or 0.0, 0.0))
    return estimate(room_l, u_l, floor=0.0)


def usable(volume_l: float, volume_u_l: float, scale_u_ratio: float, dead_l: float) -> Answered:
    """Litres above the outlet, with the uncertainty that they have by the same argument. Never below 0."""
    if not (math.isfinite(volume_l) and math.isfinite(volume_u_l) and math.isfinite(dead_l)):
        return Unknown("its level is not known")
    above_l = max(volume_l - dead_l, 0.0)
    return estimate(above_l, _difference_u_l(volume_l, volume_u_l, scale_u_ratio, above_l), floor=0.0)


def _difference_u_l(volume_l: float, volume_u_l: float, scale_u_ratio: float, difference_l: float) -> float:
    depth_u_l = math.sqrt(max(volume_u_l**2 - (scale_u_ratio * volume_l) ** 2, 0.0))
    return math.hypot(depth_u_l, scale_u_ratio * difference_l)
