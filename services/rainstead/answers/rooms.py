"""Each tank's level with the room above it, for questions of what will fit."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rainstead import calc
from rainstead.calc.desk import Answered, Estimate, Unknown, freeboard, usable
from rainstead.derive import Deriver
from rainstead.log import ReadingSource
from rainstead.replay import state_at
from rainstead.settings import Settings

from .levels import TankLevel, tank_level

__all__ = ["Room", "rooms"]

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Room:
    """A tank's level; room above the water; water above the outlet; the relative uncertainty that its litres share."""

    level: TankLevel
    freeboard_l: Answered
    usable_l: Answered
    scale_u_ratio: float


def rooms(
    settings: Settings, reader: ReadingSource, deriver: Deriver, as_of_ms: int, *, progress: Progress | None = None
) -> dict[str, Room]:
    """All tanks of the settings by name, in their order."""
    state = state_at(reader, deriver, upto_ms=as_of_ms, progress=progress)
    carried = dict(zip(deriver.tank_names, state.tanks, strict=True))
    measured = dict(zip(deriver.tank_names, deriver.tanks, strict=True))
    found = {}
    for name in settings.tanks:
        level = tank_level(settings, deriver, name, carried[name].now if name in carried else None, as_of_ms)
        u_ratio = 0.0
        if name in measured:
            tank = measured[name]
            u_ratio = tank.u_ratios[int(calc.in_force(tank.since_ms, np.array([as_of_ms], dtype=np.int64))[0])]
        found[name] = Room(level, _freeboard(level, u_ratio), _usable(level, u_ratio), u_ratio)
    return found


def _freeboard(level: TankLevel, u_ratio: float) -> Answered:
    if level.volume_l is None or level.capacity_l is None:
        return Unknown(level.because or "its level is not known")
    if level.is_at_least:
        return Estimate(0.0, 0.0, 0.0, 0.0)
    if level.volume_u_l is None:
        return Unknown("how far its level can be trusted is not known")
    return freeboard(level.volume_l, level.volume_u_l, u_ratio, level.capacity_l)


def _usable(level: TankLevel, u_ratio: float) -> Answered:
    if level.volume_l is None or level.usable_l is None:
        return Unknown(level.because or "its level is not known")
    if level.is_at_least:
        return Estimate(level.usable_l, u_ratio * level.usable_l, level.usable_l, None)
    if level.volume_u_l is None:
        return Unknown("how far its level can be trusted is not known")
    return usable(level.volume_l, level.volume_u_l, u_ratio, level.volume_l - level.usable_l)
