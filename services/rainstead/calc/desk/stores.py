"""Daily simulation of the tanks: rain in, household out, what does not fit over the brim. Many cases at once.

The order inside a day is the model. `after` (yield after spillage): the house draws from what stood there in the
morning; the rain of the day spills before that draw has made room. `before` (yield before spillage): the rain comes in,
the house draws, the rest spills. The truth lies between them. Evaporation comes last.
Source: Jenkins et al. 1978; Fewkes and Butler, Building Serv. Eng. Res. Technol. 21(2), 2000.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rainstead.calc.arrays import F64

from .cascade import Cascade

__all__ = ["DayRows", "Draw", "RoofPipe", "Rule", "StoreState", "Stores", "advance_days", "start_of"]

Rule = Literal["after", "before"]


@dataclass(frozen=True, slots=True)
class RoofPipe:
    """Water of one roof into one tank, each of shape (cases,); the loss is taken from each day's rain."""

    tank: int
    yield_l_mm: F64
    loss_mm: F64


@dataclass(frozen=True, slots=True)
class Draw:
    """Litres a day, (cases,), taken from these tanks, one after the other, above their outlets."""

    tanks: tuple[int, ...]
    litres: F64


@dataclass(frozen=True, slots=True)
class Stores:
    """All that does not change from day to day; arrays are (tanks, cases).

    mouth_m2: for rain; evaporating_m2: the mouth times what its cover lets through. keep: rows of the tanks that hold
    the reserve, of which draws leave keep_l litres, (cases,), above the outlets; no rows: nothing is kept.
    """

    cascade: Cascade
    dead_l: F64
    mouth_m2: F64
    evaporating_m2: F64
    pipes: tuple[RoofPipe, ...]
    draws: tuple[Draw, ...]
    keep: tuple[int, ...]
    keep_l: F64
    rule: Rule = "after"


@dataclass(frozen=True, slots=True)
class StoreState:
    """Litres in each tank, case by case."""

    volume_l: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class DayRows:
    """One row a day, one column a case. came_l: from roofs and sky; lost_l: over a brim to nobody.

    Of shape (days, tanks, cases): over_l, what ran over each brim; volume_l, what is there in the evening.
    """

    came_l: F64
    wanted_l: F64
    supplied_l: F64
    lost_l: F64
    evaporated_l: F64
    over_l: F64
    volume_l: F64


def start_of(volume_l: F64) -> StoreState:
    """A state from litres, (tanks, cases)."""
    return StoreState(tuple(tuple(float(litres) for litres in tank) for tank in volume_l))


def advance_days(state: StoreState, stores: Stores, rain_mm: F64, evaporation_mm: F64) -> tuple[StoreState, DayRows]:
    """So many days on. rain_mm, evaporation_mm: (days, cases) or (days, 1), no NaN.

    Any cut into batches gives the same bits; no days return the state untouched.
    """
    days = len(rain_mm)
    held_l = np.array(state.volume_l, dtype=np.float64)
    tanks, cases = held_l.shape
    # All days at once where no day asks for the one before it: elementwise, so that no cut shows.
    into_l = stores.mouth_m2 * rain_mm[:, np.newaxis] + np.zeros((days, tanks, cases))
    for pipe in stores.pipes:
        into_l[:, pipe.tank] += pipe.yield_l_mm * np.maximum(rain_mm - pipe.loss_mm, 0.0)
    thirst_l = stores.evaporating_m2 * evaporation_mm[:, np.newaxis] + np.zeros((days, tanks, cases))
    supplied_l, lost_l = np.zeros((days, cases)), np.zeros((days, cases))
    dried_l, over_l, volume_l = (np.zeros((days, tanks, cases)) for _ in range(3))
    for day in range(days):
        if stores.rule == "after":
            taken_l = _taken(stores, held_l, supplied_l[day])
            held_l, over_l[day], lost_l[day] = stores.cascade.settle(held_l + into_l[day])
            held_l -= taken_l
        else:
            held_l = held_l + into_l[day]
            held_l -= _taken(stores, held_l, supplied_l[day])
            held_l, over_l[day], lost_l[day] = stores.cascade.settle(held_l)
        dried_l[day] = np.minimum(thirst_l[day], held_l)
        held_l = held_l - dried_l[day]
        volume_l[day] = held_l
    wanted_l = np.zeros((days, cases))
    for draw in stores.draws:
        wanted_l += draw.litres
    after = state if days == 0 else start_of(held_l)
    return after, DayRows(_over_tanks(into_l), wanted_l, supplied_l, lost_l, _over_tanks(dried_l), over_l, volume_l)


def _over_tanks(litres: F64) -> F64:
    """Sum over axis 1, tank by tank."""
    total_l = np.zeros((litres.shape[0], litres.shape[2]))
    for row in range(litres.shape[1]):
        total_l += litres[:, row]
    return total_l


def _taken(stores: Stores, held_l: F64, supplied_l: F64) -> F64:
    """What the draws take out of each tank; what they got together is written into supplied_l."""
    taken_l = np.zeros_like(held_l)
    usable_l = np.maximum(held_l - stores.dead_l, 0.0)
    spare_l = np.full(held_l.shape[1], np.inf) if not stores.keep else _spare(usable_l, stores.keep, stores.keep_l)
    for draw in stores.draws:
        left_l = draw.litres
        for row in draw.tanks:
            got_l = np.minimum(left_l, usable_l[row] - taken_l[row])
            if row in stores.keep:
                got_l = np.minimum(got_l, spare_l)
                spare_l = spare_l - got_l
            taken_l[row] += got_l
            supplied_l += got_l
            left_l = left_l - got_l
    return taken_l


def _spare(usable_l: F64, keep: Sequence[int], keep_l: F64) -> F64:
    total_l = -keep_l + np.zeros(usable_l.shape[1])
    for row in keep:
        total_l = total_l + usable_l[row]
    return np.maximum(total_l, 0.0)
