"""What expected rain will do to the tanks, and the smallest transfer that keeps it from being lost."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .cascade import Cascade
from .estimate import Estimate
from .feeds import Feed, roof_water_l
from .latescipy import scipy
from .rainexpected import RainExpected

__all__ = ["CASES", "Move", "MovePlan", "PumpReach", "SpillOutlook", "coming_l", "plan_moves", "spill_outlook"]

CASES = 20_000
"""Cases drawn: a probability's Monte Carlo standard error is then at most 0.0036."""
_SEED = 20_250_701
_LITRE = 1.0
"""Less than this is not called a spill, nor worth a pump's start."""


@dataclass(frozen=True, slots=True)
class Move:
    """Litres pumped from one tank to another."""

    source: str
    to: str
    volume_l: float


@dataclass(frozen=True, slots=True)
class PumpReach:
    """What the pump may do. floor_l: litres in the source below which it must not draw.

    to: tanks that it can fill, the likeliest first. reserve: tanks whose water is the fire reserve, and spare_l: what
    may leave them altogether.
    """

    source: str
    floor_l: float
    to: tuple[str, ...]
    reserve: tuple[str, ...] = ()
    spare_l: float = math.inf


@dataclass(frozen=True, slots=True)
class MovePlan:
    """Moves in order, for one depth of rain; what is lost without them, and with them."""

    rain_mm: float
    moves: tuple[Move, ...]
    lost_before_l: float
    lost_after_l: float


@dataclass(frozen=True, slots=True)
class SpillOutlook:
    """What the rain does, with all that is not known about rain, roofs and levels.

    coming_l: into each tank from roofs and sky. over_ratio: the probability that it runs over. lost_l: what goes to
    nobody; lost_ratio the probability that more than a litre does, and lost_u_ratio that figure's Monte Carlo error.
    """

    coming_l: dict[str, Estimate]
    over_ratio: dict[str, float]
    lost_l: Estimate
    lost_ratio: float
    lost_u_ratio: float


def coming_l(cascade: Cascade, feeds: Sequence[Feed], open_area_m2: F64, rain_mm: float) -> F64:
    """Litres into each tank from roofs and sky for a depth of rain, by the feeds' own values; shape (tanks,)."""
    roofs_l = roof_water_l(cascade, feeds, np.array([rain_mm]), {})[:, 0]
    return np.asarray(roofs_l + open_area_m2 * rain_mm)


def spill_outlook(
    cascade: Cascade,
    feeds: Sequence[Feed],
    open_area_m2: F64,
    volume_l: F64,
    room_u_l: F64,
    rain: RainExpected,
    moves: Sequence[Move] = (),
    *,
    cases: int = CASES,
    seed: int = _SEED,
) -> SpillOutlook:
    """By Monte Carlo (JCGM 101:2008, Latin hypercube) over rain, each source's yield and loss, each tank's room.

    volume_l, room_u_l: (tanks,); of a tank that nobody knows, 0. moves: done before the rain. A seed gives the same
    answer each time.
    """
    sources = list(dict.fromkeys(feed.source for feed in feeds))
    u = _hypercube(1 + len(cascade.names) + 2 * len(sources), cases, seed)
    rain_mm = rain.quantile_mm(u[0])
    z = scipy.special.ndtri(u[1:])
    start_l = np.clip(volume_l[:, np.newaxis] + room_u_l[:, np.newaxis] * z[: len(volume_l)], 0.0, cascade.capacity_l)
    for move in moves:
        start_l[cascade.row(move.source)] -= move.volume_l
        start_l[cascade.row(move.to)] += move.volume_l
    of_source = z[len(volume_l) :]
    scores = {source: (of_source[2 * k], of_source[2 * k + 1]) for k, source in enumerate(sources)}
    into_l = roof_water_l(cascade, feeds, rain_mm, scores) + open_area_m2[:, np.newaxis] * rain_mm
    _, over_l, lost_l = cascade.settle(start_l + into_l)
    ratio = float(np.mean(lost_l > _LITRE))
    return SpillOutlook(
        coming_l={name: _spread(into_l[row]) for row, name in enumerate(cascade.names)},
        over_ratio={name: float(np.mean(over_l[row] > _LITRE)) for row, name in enumerate(cascade.names)},
        lost_l=_spread(lost_l),
        lost_ratio=ratio,
        lost_u_ratio=math.sqrt(ratio * (1 - ratio) / cases),
    )


def plan_moves(cascade: Cascade, volume_l: F64, into_l: F64, rain_mm: float, reach: PumpReach | None) -> MovePlan:
    """The fewest litres, pumped before the rain, that leave as little as possible to be lost.

    volume_l, into_l: (tanks,). Tank by tank, each time to the one where it saves most, the earlier in `reach.to` among
    equals. No move fills a tank beyond its brim, draws the source below its floor, or takes more than `spare_l` out of
    the reserve. reach=None: there is no pump.
    """
    now_l = volume_l.copy()
    before_l = _lost_l(cascade, now_l + into_l)
    lost_l, spare_l = before_l, math.inf if reach is None else reach.spare_l
    moves: list[Move] = []
    while reach is not None and lost_l > _LITRE:
        source = cascade.row(reach.source)
        best: Move | None = None
        for to in reach.to:
            row = cascade.row(to)
            leaves = reach.source in reach.reserve and to not in reach.reserve
            most_l = min(now_l[source] - reach.floor_l, float(cascade.capacity_l[row, 0]) - now_l[row])
            most_l = min(most_l, spare_l) if leaves else most_l
            if most_l < _LITRE:
                continue
            move_l = _least_move_l(cascade, now_l + into_l, source, row, most_l)
            if move_l > (_LITRE if best is None else best.volume_l + 1e-6):
                best = Move(reach.source, to, move_l)
        if best is None:
            break
        now_l[source] -= best.volume_l
        now_l[cascade.row(best.to)] += best.volume_l
        if reach.source in reach.reserve and best.to not in reach.reserve:
            spare_l -= best.volume_l
        lost_l = _lost_l(cascade, now_l + into_l)
        moves.append(best)
    return MovePlan(rain_mm, tuple(moves), before_l, lost_l)


def _lost_l(cascade: Cascade, volume_l: F64) -> float:
    return float(cascade.settle(volume_l[:, np.newaxis])[2][0])


def _least_move_l(cascade: Cascade, volume_l: F64, source: int, to: int, most_l: float) -> float:
    """The fewest litres, up to most_l, with which the loss is least.

    A litre moved saves a litre, changes nothing or loses one, in this order as more is moved: the loss over the litres
    is convex with slopes -1, 0 and 1. So where the line falling from its beginning meets the line rising to its end,
    the loss is at its least, and what is saved there is also what must be moved.
    """

    def lost_l(move_l: float) -> float:
        moved_l = volume_l.copy()
        moved_l[source] -= move_l
        moved_l[to] += move_l
        return _lost_l(cascade, moved_l)

    first_l, last_l = lost_l(0.0), lost_l(most_l)
    return first_l - lost_l(min(max((first_l - last_l + most_l) / 2, 0.0), most_l))


def _hypercube(dimensions: int, cases: int, seed: int) -> F64:
    """Points of a Latin hypercube in (0, 1): each row has one point in each of `cases` equal steps."""
    rng = np.random.default_rng(seed)
    return np.stack([(rng.permutation(cases) + rng.uniform(1e-9, 1, cases)) / cases for _ in range(dimensions)])


def _spread(values: F64) -> Estimate:
    low, middle, high = (float(value) for value in np.quantile(values, (0.025, 0.5, 0.975)))
    return Estimate(middle, float(np.std(values)), low, high)
