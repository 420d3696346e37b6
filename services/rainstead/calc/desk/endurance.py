"""Fuel put back, and how long fuel and water last."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .estimate import Answered, Estimate, Unknown, estimate

__all__ = ["Burnt", "Endurance", "endurance", "fuel_rate", "quotient"]


@dataclass(frozen=True, slots=True)
class Burnt:
    """Petrol that filled the tank up to the mark again after `run_h` hours of pumping."""

    fuel_l: float
    fuel_u_l: float
    run_h: float


@dataclass(frozen=True, slots=True)
class Endurance:
    """Minutes until fuel or water runs out. first: fuel; water; either (their intervals overlap); None if unknown."""

    fuel_min: Answered
    water_min: Answered
    first_min: Answered
    first: str | None


def quotient(top: Estimate, bottom: Estimate) -> Estimate | Unknown:
    """top / bottom of independent errors; a lower bound stays one.

    Its interval is Fieller's: the values of the quotient r for which top - r bottom is no further from nought than 1.96
    standard uncertainties, so that a doubtful divisor makes it lopsided, as it should be.
    Source: Fieller 1954 (from memory); u by JCGM 100:2008, eq. 10.
    """
    if top.high is None:
        if bottom.value <= 0 or bottom.high is None:
            return Unknown("what it is divided by is not known to be above nought")
        return Estimate(top.value / bottom.value, top.u / bottom.value, max(top.low, 0.0) / bottom.high, None)
    k_top, k_bottom = (top.high - top.low) / 2, ((bottom.high or math.inf) - bottom.low) / 2
    if bottom.value <= 0 or bottom.value <= k_bottom:
        return Unknown("what it is divided by is not known to be above nought")
    r = top.value / bottom.value
    u = math.hypot(top.u, r * bottom.u) / bottom.value
    a = bottom.value**2 - k_bottom**2
    b = top.value * bottom.value
    c = top.value**2 - k_top**2
    root = math.sqrt(max(b * b - a * c, 0.0))
    return Estimate(r, u, (b - root) / a, (b + root) / a)


def fuel_rate(fills: Sequence[Burnt]) -> Answered:
    """Litres of petrol an hour of pumping, over all fills together.

    One fill has its own uncertainty; of several, their scatter is used where it is larger.
    """
    told = [fill for fill in fills if fill.run_h > 0]
    if not told:
        return Unknown("no fuel fill follows a pump run")
    hours = math.fsum(fill.run_h for fill in told)
    rate = math.fsum(fill.fuel_l for fill in told) / hours
    own = math.sqrt(math.fsum(fill.fuel_u_l**2 for fill in told)) / hours
    n = len(told)
    if n < 3:
        return estimate(rate, own, floor=0.0)
    off2 = math.fsum((fill.fuel_l - rate * fill.run_h) ** 2 for fill in told) * n / (n - 1)
    scatter = math.sqrt(off2) / hours
    return estimate(rate, scatter, dof=n - 1, floor=0.0) if scatter > own else estimate(rate, own, floor=0.0)


def endurance(fuel_l: float | None, rate_l_h: Answered, water_l: Answered, flow_l_min: Answered) -> Endurance:
    """min(fuel / rate, water above the suction / flow). fuel_l: None where the pump's tank is not known."""
    by_fuel = _minutes_of_fuel(fuel_l, rate_l_h)
    by_water: Answered
    if isinstance(water_l, Unknown) or isinstance(flow_l_min, Unknown):
        by_water = water_l if isinstance(water_l, Unknown) else flow_l_min
    elif water_l.value <= 0:
        by_water = Estimate(0.0, water_l.u / flow_l_min.value if flow_l_min.value > 0 else 0.0, 0.0, 0.0)
    else:
        by_water = quotient(water_l, flow_l_min)
    if isinstance(by_fuel, Unknown) or isinstance(by_water, Unknown):
        missing = by_fuel if isinstance(by_fuel, Unknown) else by_water
        return Endurance(by_fuel, by_water, missing, None)
    shorter, name = (by_fuel, "fuel") if by_fuel.value <= by_water.value else (by_water, "water")
    longer = by_water if name == "fuel" else by_fuel
    overlap = shorter.high is None or shorter.high > longer.low
    # The end of the shorter of two is before the earlier of both ends.
    highs = [one.high for one in (by_fuel, by_water) if one.high is not None]
    first = Estimate(shorter.value, shorter.u, min(by_fuel.low, by_water.low), min(highs) if highs else None)
    return Endurance(by_fuel, by_water, first, "either" if overlap else name)


def _minutes_of_fuel(fuel_l: float | None, rate_l_h: Answered) -> Answered:
    if fuel_l is None:
        return Unknown("the settings do not say how much petrol the pump's tank holds")
    if isinstance(rate_l_h, Unknown):
        return rate_l_h
    return quotient(Estimate(fuel_l * 60, 0.0, fuel_l * 60, fuel_l * 60), rate_l_h)
