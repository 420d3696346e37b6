"""The site as a small network: roofs feed tanks, tanks overflow into tanks, what nobody takes is lost."""

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["Network", "Roof", "Settled", "WaterTank"]


@dataclass(frozen=True, slots=True)
class WaterTank:
    """One tank. dead_l: litres below its outlet. open_area_m2: its mouth, for rain and evaporation; 0 under a lid.

    evaporation_ratio: the part of open-water evaporation that its cover lets through.
    """

    name: str
    capacity_l: float
    dead_l: float
    open_area_m2: float
    evaporation_ratio: float


@dataclass(frozen=True, slots=True)
class Roof:
    """One catchment. shares: tank and its part of this roof's water, together at most 1."""

    name: str
    area_m2: float
    runoff_ratio: float
    initial_loss_mm: float
    first_flush_l: float
    shares: tuple[tuple[str, float], ...]

    def runoff_l(self, storm_mm: float) -> float:
        """What a storm sends down its pipes: the roof is wetted first, then the first flush is turned away."""
        wet_mm = max(storm_mm - self.initial_loss_mm, 0.0)
        return max(wet_mm * self.area_m2 * self.runoff_ratio - self.first_flush_l, 0.0)

    @property
    def yield_l_mm(self) -> float:
        """Litres per millimetre once it runs. 1 mm on 1 m2 is 1 L."""
        return self.area_m2 * self.runoff_ratio


@dataclass(frozen=True, slots=True)
class Settled:
    """Where water has come to rest. passed_l: over each overflow link; lost_l: over a brim to nowhere."""

    volume_l: dict[str, float]
    passed_l: dict[tuple[str, str], float]
    lost_l: dict[str, float]


@dataclass(frozen=True, slots=True)
class Network:
    """Tanks, roofs, and overflow links from a tank to the one that takes its overflow. Links do not loop."""

    tanks: tuple[WaterTank, ...]
    roofs: tuple[Roof, ...]
    overflows: tuple[tuple[str, str], ...]

    def tank(self, name: str) -> WaterTank:
        """By name."""
        return next(tank for tank in self.tanks if tank.name == name)

    def below(self, name: str) -> str | None:
        """The tank that takes its overflow."""
        return dict(self.overflows).get(name)

    def downhill(self) -> tuple[str, ...]:
        """Tanks in an order in which each comes before the one that it overflows into."""
        order: list[str] = []
        left = [tank.name for tank in self.tanks]
        while left:
            free = [name for name in left if not any(to == name for source, to in self.overflows if source in left)]
            order += free
            left = [name for name in left if name not in free]
        return tuple(order)

    def chain(self, name: str) -> tuple[str, ...]:
        """The tank, the one below it, and so on down."""
        found = [name]
        while (below := self.below(found[-1])) is not None:
            found.append(below)
        return tuple(found)

    def roof_l(self, storm_mm: float) -> dict[str, float]:
        """Litres that the roofs' nominal figures send into each tank for one storm."""
        into = dict.fromkeys((tank.name for tank in self.tanks), 0.0)
        for roof in self.roofs:
            for name, share in roof.shares:
                into[name] += share * roof.runoff_l(storm_mm)
        return into

    def roof_yield_l_mm(self, name: str) -> float:
        """Nominal litres per millimetre into one tank from all roofs."""
        return sum(share * roof.yield_l_mm for roof in self.roofs for to, share in roof.shares if to == name)

    def direct_l(self, rain_mm: float) -> dict[str, float]:
        """Rain that falls straight into open tanks: 1 mm on 1 m2 is 1 L."""
        return {tank.name: tank.open_area_m2 * rain_mm for tank in self.tanks}

    def settle(self, volume_l: Mapping[str, float]) -> Settled:
        """Let what stands above a brim run down the links until it has room or is lost."""
        held = {tank.name: float(volume_l[tank.name]) for tank in self.tanks}
        passed: dict[tuple[str, str], float] = {}
        lost: dict[str, float] = {}
        for name in self.downhill():
            over_l = max(held[name] - self.tank(name).capacity_l, 0.0)
            held[name] -= over_l
            below = self.below(name)
            if below is None:
                lost[name] = over_l
            else:
                passed[(name, below)] = over_l
                held[below] += over_l
        return Settled(held, passed, lost)
