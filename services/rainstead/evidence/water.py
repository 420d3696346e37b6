"""A site's settings as the network that the desk's science walks."""

import numpy as np

from rainstead.calc.desk import Network, Roof, WaterTank
from rainstead.derive import shape_in_force
from rainstead.settings import Settings, Tank

__all__ = ["network_of"]


def network_of(settings: Settings, at_ms: int) -> Network:
    """Tanks by the calibrations in force at a time, roofs by their nominal figures, and the overflow links."""
    return Network(
        tanks=tuple(_tank(name, tank, settings.site.time_zone, at_ms) for name, tank in settings.tanks.items()),
        roofs=tuple(
            Roof(
                name=name,
                area_m2=roof.area_m2,
                runoff_ratio=roof.runoff_ratio,
                initial_loss_mm=roof.initial_loss_mm,
                first_flush_l=roof.first_flush_l,
                shares=tuple(roof.shares.items()),
            )
            for name, roof in settings.catchments.items()
        ),
        overflows=tuple((link.source, link.to) for link in settings.overflows),
    )


def _tank(name: str, tank: Tank, zone: str, at_ms: int) -> WaterTank:
    shape = shape_in_force(tank, zone, at_ms)
    capacity_l, dead_l = shape.volume_l(np.array([tank.brim_m, tank.outlet_m]))
    if tank.covered:
        open_area_m2 = 0.0
    elif tank.open_area_m2 is not None:
        open_area_m2 = tank.open_area_m2
    else:
        open_area_m2 = float(shape.l_per_m(np.array([tank.brim_m]))[0]) / 1000
    lets_through = tank.evaporation_ratio
    if lets_through is None:
        lets_through = 0.0 if tank.covered else 1.0
    return WaterTank(name, float(capacity_l), float(dead_l), open_area_m2, lets_through)
