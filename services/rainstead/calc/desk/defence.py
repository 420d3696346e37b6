"""What it takes to wet some ground: litres, minutes, fuel; and what the water and fuel at hand can give."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .endurance import Endurance, endurance, quotient
from .estimate import Answered, Estimate, Unknown, estimate

__all__ = ["DefencePlan", "TankPart", "TankStock", "defence_plan"]


@dataclass(frozen=True, slots=True)
class TankStock:
    """One tank as it stands. usable_l: above its outlet. pumpable_l: above the suction; None for a tank that the pump
    does not draw from."""

    name: str
    usable_l: Answered
    pumpable_l: Answered | None
    in_reserve: bool


@dataclass(frozen=True, slots=True)
class TankPart:
    """A tank's part in the plan. takes_l: what the plan draws from it; left_l: usable litres that stay."""

    name: str
    is_source: bool
    in_reserve: bool
    usable_l: Answered
    pumpable_l: Answered | None
    takes_l: float
    left_l: Answered


@dataclass(frozen=True, slots=True)
class DefencePlan:
    """minutes, fuel_l, refills: for the wanted depth, were there water enough. refills: least, likely and most times
    that the pump's fuel tank must be filled again, begun full; None where unknown.

    water_enough, fuel_enough: yes; no; in_doubt (the interval holds both); unknown. depth_by_water_mm,
    depth_by_fuel_mm: what the pumpable water, and the fuel at hand, give on this area; gives_mm: the lesser of both.
    others_l: usable litres in other tanks, which must first be moved into the source. short_l: what the source lacks.
    reserve_after_l: usable litres of the reserve's tanks once it is done.
    """

    need_l: float
    minutes: Answered
    fuel_l: Answered
    refills: tuple[int, int, int] | None
    water_l: Answered
    water_enough: str
    fuel_enough: str
    depth_by_water_mm: Answered
    depth_by_fuel_mm: Answered
    gives_mm: Answered
    endurance: Endurance
    short_l: Answered
    others_l: Answered
    parts: tuple[TankPart, ...]
    reserve_before_l: Answered
    reserve_after_l: Answered


def defence_plan(
    area_m2: float,
    depth_mm: float,
    *,
    flow_l_min: Answered,
    rate_l_h: Answered,
    fuel_tank_l: float | None,
    fuel_l: float | None,
    tanks: Sequence[TankStock],
) -> DefencePlan:
    """The plan for one area and depth: 1 mm on 1 m2 is 1 L.

    fuel_l: petrol at hand, that in the pump's tank included.
    """
    need_l = area_m2 * depth_mm
    exactly = Estimate(need_l, 0.0, need_l, need_l)
    minutes = flow_l_min if isinstance(flow_l_min, Unknown) else quotient(exactly, flow_l_min)
    burns = _burns(minutes, rate_l_h)
    source = next((tank for tank in tanks if tank.pumpable_l is not None), None)
    water = Unknown("the pump's source has no level") if source is None else source.pumpable_l
    assert water is not None
    reach = endurance(fuel_l, rate_l_h, water, flow_l_min)
    by_water = _scaled(water, 1 / area_m2)
    by_fuel = _litres_by_fuel(reach.fuel_min, flow_l_min)
    by_fuel_mm = _scaled(by_fuel, 1 / area_m2)
    takes_l = 0.0 if isinstance(water, Unknown) else min(need_l, max(water.value, 0.0))
    parts = tuple(_part(tank, takes_l if tank is source else 0.0) for tank in tanks)
    return DefencePlan(
        need_l=need_l,
        minutes=minutes,
        fuel_l=burns,
        refills=_refills(burns, fuel_tank_l),
        water_l=water,
        water_enough=_enough(water, need_l),
        fuel_enough=_enough(by_fuel, need_l),
        depth_by_water_mm=by_water,
        depth_by_fuel_mm=by_fuel_mm,
        gives_mm=_less(by_water, by_fuel_mm),
        endurance=reach,
        short_l=_short(water, need_l),
        others_l=_sum([tank.usable_l for tank in tanks if tank is not source]),
        parts=parts,
        reserve_before_l=_sum([part.usable_l for part in parts if part.in_reserve]),
        reserve_after_l=_sum([part.left_l for part in parts if part.in_reserve]),
    )


def _burns(minutes: Answered, rate_l_h: Answered) -> Answered:
    if isinstance(minutes, Unknown):
        return minutes
    if isinstance(rate_l_h, Unknown):
        return rate_l_h
    value = minutes.value * rate_l_h.value / 60
    if rate_l_h.value <= 0 or minutes.value <= 0:
        return estimate(0.0, 0.0)
    return _lopsided(value, minutes, rate_l_h)


def _lopsided(value: float, *factors: Estimate) -> Estimate:
    """A product of positive independent factors: relative half-widths of each side add in squares."""
    below = math.sqrt(math.fsum(((f.value - f.low) / f.value) ** 2 for f in factors))
    above = math.sqrt(math.fsum((((f.high or math.inf) - f.value) / f.value) ** 2 for f in factors))
    u = value * math.sqrt(math.fsum((f.u / f.value) ** 2 for f in factors))
    return Estimate(value, u, max(value * (1 - below), 0.0), value * (1 + above) if math.isfinite(above) else None)


def _litres_by_fuel(minutes: Answered, flow: Answered) -> Answered:
    if isinstance(minutes, Unknown):
        return minutes
    if isinstance(flow, Unknown):
        return flow
    if flow.value <= 0 or minutes.value <= 0:
        return estimate(0.0, 0.0)
    return _lopsided(minutes.value * flow.value, minutes, flow)


def _refills(burns: Answered, tank_l: float | None) -> tuple[int, int, int] | None:
    if isinstance(burns, Unknown) or tank_l is None or burns.high is None:
        return None

    def times(fuel_l: float) -> int:
        return max(math.ceil(fuel_l / tank_l - 1e-9) - 1, 0)

    return times(burns.low), times(burns.value), times(burns.high)


def _enough(have: Answered, need: float) -> str:
    if isinstance(have, Unknown):
        return "unknown"
    if have.low >= need:
        return "yes"
    return "no" if have.high is not None and have.high < need else "in_doubt"


def _scaled(one: Answered, factor: float) -> Answered:
    if isinstance(one, Unknown):
        return one
    high = None if one.high is None else max(one.high, 0.0) * factor
    return Estimate(max(one.value, 0.0) * factor, one.u * factor, max(one.low, 0.0) * factor, high)


def _less(first: Answered, second: Answered) -> Answered:
    """The lesser of two."""
    if isinstance(first, Unknown):
        return first
    if isinstance(second, Unknown):
        return second
    smaller = first if first.value <= second.value else second
    highs = [one.high for one in (first, second) if one.high is not None]
    return Estimate(smaller.value, smaller.u, min(first.low, second.low), min(highs) if highs else None)


def _short(water: Answered, need_l: float) -> Answered:
    if isinstance(water, Unknown):
        return water
    low = 0.0 if water.high is None else max(need_l - water.high, 0.0)
    return Estimate(max(need_l - water.value, 0.0), water.u, low, max(need_l - water.low, 0.0))


def _part(tank: TankStock, takes_l: float) -> TankPart:
    left: Answered = tank.usable_l
    if not isinstance(left, Unknown) and takes_l:
        high = None if left.high is None else max(left.high - takes_l, 0.0)
        left = Estimate(max(left.value - takes_l, 0.0), left.u, max(left.low - takes_l, 0.0), high)
    return TankPart(
        tank.name, tank.pumpable_l is not None, tank.in_reserve, tank.usable_l, tank.pumpable_l, takes_l, left
    )


def _sum(several: Sequence[Answered]) -> Answered:
    """Of independent estimates; unknown if one is."""
    total, squares, bounded = 0.0, 0.0, True
    for one in several:
        if isinstance(one, Unknown):
            return one
        total, squares, bounded = total + one.value, squares + one.u**2, bounded and one.high is not None
    summed = estimate(total, math.sqrt(squares), floor=0.0)
    return summed if bounded else Estimate(summed.value, summed.u, summed.low, None)
