"""The work that a pump does on water, and a flow by bucket and watch."""

import math

from .estimate import Estimate, Unknown, estimate

__all__ = ["bucket_flow", "plant_rating_ratio", "water_kwh_per_l", "water_power_w"]

_STANDARD_KWH_L = 1.694
"""8.6 water horsepower-hours a US gallon of petrol."""


def water_power_w(flow_l_min: float, pressure_kpa: float) -> float:
    """Power given to the water: P = p Q. 1 kPa times 1 L/min is 1/60 W."""
    return flow_l_min * pressure_kpa / 60


def water_kwh_per_l(power_w: float, fuel_l_h: float) -> float:
    """Work on the water per litre of fuel."""
    return power_w / 1000 / fuel_l_h


def plant_rating_ratio(kwh_per_l: float) -> float:
    """Work per litre of petrol against what a well-kept plant does: 8.6 water horsepower-hours a US gallon.

    A small petrol pump seldom comes near; a fall between two tests tells more than the figure.
    Source: Nebraska Pumping Plant Performance Criteria (Dorn, University of Nebraska, 2008).
    """
    return kwh_per_l / _STANDARD_KWH_L


def bucket_flow(volume_l: float, volume_u_l: float, time_s: float, time_u_s: float) -> Estimate | Unknown:
    """Flow in litres a minute by a vessel and a watch. Source: Q = V / t; JCGM 100:2008, eq. 12."""
    if volume_l <= 0 or time_s <= 0:
        return Unknown("a bucket test needs a volume and a time above nought")
    flow = 60 * volume_l / time_s
    return estimate(flow, flow * math.hypot(volume_u_l / volume_l, time_u_s / time_s), floor=0.0)
