"""Tanks whose roofs can be told apart, and what one storm brought to each such group.

A full tank's overflow is the rise of the tank below it: a chain's sum is whole however full its upper tanks are.
What runs over the last brim, or into a tank without a sensor, is seen by nobody: the sum is then a lower bound. A tank
alone, under one that may have overflowed, rises by water that is not of its own roofs: an upper bound.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from .estimate import Unknown
from .network import Network
from .stormwater import TankGain
from .yieldlikelihood import Bound

__all__ = ["Catching", "GroupGain", "catchings", "group_gain"]


@dataclass(frozen=True, slots=True)
class Catching:
    """A group of tanks and its roofs' nominal figures.

    whole: nothing overflows into it from outside. loss_mm: wetting and first flush, in rain at the nominal yield.
    """

    name: str
    tanks: tuple[str, ...]
    whole: bool
    yield_l_mm: float
    loss_mm: float
    open_area_m2: float

    def due_l(self, network: Network, rain_mm: float) -> float:
        """What the roofs' nominal figures send to it."""
        into = network.roof_l(rain_mm)
        return math.fsum(into[name] for name in self.tanks)


@dataclass(frozen=True, slots=True)
class GroupGain:
    """Litres of one storm. gain_l = direct_l + roof_l; bound is of both gain and roof; because: why it is one."""

    gain_l: float
    direct_l: float
    roof_l: float
    own_u_l: float
    shared_u_l: float
    bound: Bound
    because: tuple[str, ...]


def catchings(network: Network) -> tuple[Catching, ...]:
    """The site; then each cascade of several; then each tank that has roofs of its own; no group of tanks twice."""
    names = [tank.name for tank in network.tanks]
    lasts = {name: network.chain(name)[-1] for name in names}
    found: dict[tuple[str, ...], Catching] = {}
    wanted = [("site", tuple(names))]
    for last in dict.fromkeys(lasts.values()):
        members = tuple(name for name in names if lasts[name] == last)
        if len(members) > 1:
            wanted.append((" + ".join(members), members))
    wanted += [(name, (name,)) for name in names]
    for name, members in wanted:
        group = _catching(network, name, members)
        if group.yield_l_mm > 0 and members not in found:
            found[members] = group
    return tuple(found.values())


def _catching(network: Network, name: str, members: tuple[str, ...]) -> Catching:
    per_mm = lost_l = 0.0
    for roof in network.roofs:
        share = math.fsum(part for to, part in roof.shares if to in members)
        per_mm += share * roof.yield_l_mm
        lost_l += share * (roof.yield_l_mm * roof.initial_loss_mm + roof.first_flush_l)
    return Catching(
        name=name,
        tanks=members,
        whole=not any(to in members and source not in members for source, to in network.overflows),
        yield_l_mm=per_mm,
        loss_mm=lost_l / per_mm if per_mm > 0 else 0.0,
        open_area_m2=math.fsum(network.tank(one).open_area_m2 for one in members),
    )


def group_gain(
    network: Network, group: Catching, gains: Mapping[str, TankGain | Unknown], rain_mm: float
) -> GroupGain | Unknown:
    """Sum up one storm. gains: of the measured tanks; a tank that is not in it has no sensor."""
    known = [gain for name in group.tanks if isinstance(gain := gains.get(name), TankGain)]
    if not known:
        reasons = [gain.because for name in group.tanks if isinstance(gain := gains.get(name), Unknown)]
        return Unknown(reasons[0] if reasons else "none of its tanks has a sensor")
    over: list[str] = []
    under: list[str] = []
    for name in group.tanks:
        gain = gains.get(name)
        if isinstance(gain, Unknown):
            over.append(gain.because)
        elif gain is None and _may_take(network, group, name, gains):
            over.append(f"{name} has no sensor and may have taken water")
        elif gain is not None and gain.at_brim and network.below(name) not in group.tanks:
            over.append(f"{name} was full to the brim")
    for source, to in network.overflows:
        if to in group.tanks and source not in group.tanks and _may_spill(source, gains):
            under.append(f"{source} may have overflowed into it")
    if over and under:
        return Unknown(f"{over[0]}, and {under[0].replace(' into it', f' into {group.tanks[-1]}')}")
    direct_l = math.fsum(network.tank(gain.tank).open_area_m2 * rain_mm for gain in known)
    gain_l = math.fsum(gain.gain_l for gain in known)
    return GroupGain(
        gain_l=gain_l,
        direct_l=direct_l,
        roof_l=gain_l - direct_l,
        own_u_l=math.sqrt(math.fsum(gain.own_u_l**2 for gain in known)),
        shared_u_l=math.sqrt(math.fsum(gain.shared_u_l**2 for gain in known)),
        bound=Bound.AT_LEAST if over else Bound.AT_MOST if under else Bound.EXACT,
        because=tuple(over + under),
    )


def _may_spill(name: str, gains: Mapping[str, TankGain | Unknown]) -> bool:
    gain = gains.get(name)
    return gain.at_brim if isinstance(gain, TankGain) else True


def _may_take(network: Network, group: Catching, name: str, gains: Mapping[str, TankGain | Unknown]) -> bool:
    """Whether a tank without a sensor could have had any water of the group's."""
    if network.roof_yield_l_mm(name) > 0 or network.tank(name).open_area_m2 > 0:
        return True
    return any(to == name and source in group.tanks and _may_spill(source, gains) for source, to in network.overflows)
