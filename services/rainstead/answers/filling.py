"""Known volumes of the log and the notebook with the levels before and after them: what a tank's fits work from."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead.calc import desk
from rainstead.calc.desk import FillStep, TankMinutes, WaterLevel
from rainstead.evidence import Evidence
from rainstead.settings import Settings

from .days import local
from .stormgains import moves_of

__all__ = ["LeftOut", "dip_level", "fill_steps", "ranger_level"]

_STILL_MS: Final = 15 * 60_000
"""Still water is read for this long."""
_SETTLES_MS: Final = 3 * 60_000
_DIP_NEAR_MS: Final = 12 * 3_600_000
"""A dip so long before or after stands for the level there, if nothing else moved water in between."""
_SLACK_MS: Final = 10 * 60_000
"""People note times by the clock on the wall, and round them."""
_WET_MM: Final = 0.2
_TOP_MS: Final = 60_000


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that was not used, and why."""

    label: str
    because: str


@dataclass(frozen=True, slots=True)
class _Move:
    """Litres into the tank between two times; own_u_l: what is new in it, besides its source's own ratio."""

    label: str
    from_ms: int
    upto_ms: int
    volume_l: float
    own_u_l: float
    source: str
    source_u_ratio: float


def ranger_level(minutes: TankMinutes, from_ms: int, upto_ms: int) -> WaterLevel | None:
    """The mean level of the minutes in that time; None where there is none, or the water stood at the brim."""
    some = minutes.between(from_ms, upto_ms)
    n = len(some.t_ms)
    if not n or bool(some.at_brim.any()):
        return None
    return WaterLevel(
        t_ms=int(np.mean(some.t_ms)),
        depth_m=float(np.mean(some.depth_m)),
        noise_u_m=float(np.sqrt(np.sum(some.depth_noise_u_m**2)) / n),
        sound_u_m=float(np.mean(some.depth_sound_u_m)),
    )


def dip_level(evidence: Evidence, tank: str, from_ms: int, upto_ms: int, *, last: bool) -> WaterLevel | None:
    """The last dip of that time, or its first."""
    dips = [dip for dip in evidence.notes.dips if dip.tank == tank and from_ms <= dip.t_ms <= upto_ms]
    if not dips:
        return None
    dip = dips[-1 if last else 0]
    return WaterLevel(dip.t_ms, dip.depth_m, dip.depth_u_m, 0.0)


def fill_steps(
    settings: Settings, evidence: Evidence, tank: str, *, by_dips: bool
) -> tuple[tuple[FillStep, ...], tuple[LeftOut, ...]]:
    """Steps in order of time, and what was left out. by_dips: levels by dips alone; else by the ranger where it spoke.

    Volumes between which nobody looked at the level make one step together.
    """
    moves = _moves(settings, evidence, tank)
    steps: list[FillStep] = []
    left: list[LeftOut] = []
    k = 0
    while k < len(moves):
        before = _before(evidence, tank, moves[k - 1].upto_ms if k else None, moves[k].from_ms, by_dips=by_dips)
        end = k
        after = None
        while before is not None:
            coming = moves[end + 1].from_ms if end + 1 < len(moves) else None
            after = _after(evidence, tank, moves[end].upto_ms, coming, by_dips=by_dips)
            if after is not None or coming is None or coming - moves[end].upto_ms > _DIP_NEAR_MS:
                break
            end += 1
        group = moves[k : end + 1]
        k = end + 1
        label = group[0].label if len(group) == 1 else f"{group[0].label} and {len(group) - 1} more"
        if before is None or after is None:
            side = "before" if before is None else "after"
            how = "dip" if by_dips or tank not in evidence.tanks else "good level below the brim"
            left.append(LeftOut(label, f"there is no {how} {side} it"))
            continue
        step = _step(settings, evidence, tank, label, group, before, after)
        if isinstance(step, LeftOut):
            left.append(step)
        elif not desk.told_apart(step):
            left.append(
                LeftOut(label, f"the level moved by {1000 * step.rise_m:+.0f} mm only, no more than can be told")
            )
        else:
            steps.append(step)
    return tuple(steps), tuple(left)


def _moves(settings: Settings, evidence: Evidence, tank: str) -> list[_Move]:
    zone = settings.site.time_zone
    u_ratio = 0.0 if evidence.flow is None else evidence.flow.u_ratio
    found = []
    for move in moves_of(settings, evidence):
        if move.tank != tank:
            continue
        label = f"{move.what} {local(move.from_ms, zone):%Y-%m-%d %H:%M}"
        if move.what == "pumped":
            own_u_l = max(move.volume_u_l**2 - (move.volume_l * u_ratio) ** 2, 0.0) ** 0.5
            found.append(_Move(label, move.from_ms, move.upto_ms, move.volume_l, own_u_l, "meter", u_ratio))
        else:
            found.append(_Move(label, move.from_ms, move.upto_ms, move.volume_l, move.volume_u_l, label, 0.0))
    return sorted(found, key=lambda move: move.from_ms)


def _before(evidence: Evidence, tank: str, last_ms: int | None, from_ms: int, *, by_dips: bool) -> WaterLevel | None:
    if not by_dips and tank in evidence.tanks:
        free_ms = from_ms - _STILL_MS if last_ms is None else max(from_ms - _STILL_MS, last_ms + _SETTLES_MS)
        level = ranger_level(evidence.tanks[tank], free_ms, from_ms)
        if level is not None:
            return level
    free_ms = from_ms - _DIP_NEAR_MS if last_ms is None else max(from_ms - _DIP_NEAR_MS, last_ms - _SLACK_MS)
    return dip_level(evidence, tank, free_ms, from_ms + _SLACK_MS, last=True)


def _after(evidence: Evidence, tank: str, upto_ms: int, next_ms: int | None, *, by_dips: bool) -> WaterLevel | None:
    if not by_dips and tank in evidence.tanks:
        # A minute's row holds the readings of the minute that it ends.
        first_ms = upto_ms + _SETTLES_MS + _TOP_MS
        free_ms = first_ms + _STILL_MS if next_ms is None else min(first_ms + _STILL_MS, next_ms)
        level = ranger_level(evidence.tanks[tank], first_ms, free_ms) if free_ms > first_ms else None
        if level is not None:
            return level
    free_ms = upto_ms + _DIP_NEAR_MS if next_ms is None else min(upto_ms + _DIP_NEAR_MS, next_ms + _SLACK_MS)
    return dip_level(evidence, tank, upto_ms - _SLACK_MS, free_ms, last=False)


def _step(
    settings: Settings,
    evidence: Evidence,
    tank: str,
    label: str,
    group: Sequence[_Move],
    before: WaterLevel,
    after: WaterLevel,
) -> FillStep | LeftOut:
    rain = evidence.rain
    catches = evidence.network.tank(tank).open_area_m2 > 0 or evidence.network.roof_yield_l_mm(tank) > 0
    if rain is not None and catches:
        inside = (rain.t_ms > before.t_ms) & (rain.t_ms <= after.t_ms)
        if float(rain.rain_mm[inside].sum()) > _WET_MM:
            return LeftOut(label, "rain fell meanwhile")
    if any(first.upto_ms > second.from_ms for first, second in itertools.pairwise(group)):
        return LeftOut(label, "two volumes were noted for the same time")
    sources = {move.source for move in group}
    if len(sources) > 1 and any(move.source_u_ratio > 0 for move in group):
        return LeftOut(label, "metered and other water came without a level in between")
    volume_l = sum(move.volume_l for move in group)
    own2 = sum(move.own_u_l**2 for move in group)
    house = settings.household
    if house is not None and house.tank == tank:
        # Taps run when they run: the part of a day's draw that fell into it may be none or twice as much.
        drawn_l = house.draw_l_day * max(after.t_ms - before.t_ms, 0) / 86_400_000
        volume_l -= drawn_l
        own2 += drawn_l**2
    return FillStep(label, before, after, volume_l, own2**0.5, group[0].source, group[0].source_u_ratio)
