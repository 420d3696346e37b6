"""Each tank's kinds of water over the evidence, as the book needs them: measured, noted, or estimated and by what."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead.calc import desk
from rainstead.calc.desk import Course, EvaporationDays, Kind, TankFit, TippedRain, Unknown, WaterMove
from rainstead.evidence import Evidence
from rainstead.readings import I64
from rainstead.settings import Settings

from .evaporating import TankEvaporation
from .losses import TankLosses, losses_of
from .stormgains import moves_of

__all__ = ["TankWater", "tank_waters"]

_DAY_MS: Final = 86_400_000
DRAW_SCATTER_RATIO: Final = 0.4
"""One day's draw differs from the mean day by so much of it: washing days and guests (common practice)."""
DRYING_SCATTER_RATIO: Final = 0.3
"""One day's evaporation differs from what its air's range tells by so much of it: cloud and wind (common practice)."""


@dataclass(frozen=True, slots=True)
class TankWater:
    """kinds: by the names of desk.IN and desk.OUT. left_out: kinds that nothing is known of, and why."""

    tank: str
    kinds: dict[str, list[Kind]]
    left_out: dict[str, str]


def tank_waters(settings: Settings, evidence: Evidence, fitted: Mapping[str, TankFit]) -> dict[str, TankWater]:
    """Of each measured tank. fitted: yields that were measured, in place of the settings' nominal."""
    waters = {name: TankWater(name, {}, {}) for name in evidence.tanks}
    losses = {name: losses_of(settings, evidence, name) for name in evidence.tanks}
    moves = moves_of(settings, evidence)
    for name, water in waters.items():
        _rain(evidence, water, fitted)
        _moved(evidence, water, moves)
        _draw(settings, evidence, water)
        _evaporation(settings, evidence, water)
        _seepage(evidence, water, losses[name], settings)
    # Downhill, so that what a tank spills is there before the tank below it is looked at.
    for name in evidence.network.downhill():
        if name not in waters:
            continue
        spill = desk.spill_kind(evidence.tanks[name], evidence.network.tank(name).capacity_l, waters[name].kinds)
        waters[name].kinds["spill"] = [spill]
        below = evidence.network.below(name)
        if below in waters:
            waters[below].kinds.setdefault("overflow_in", []).append(spill)
    return waters


def _rain(evidence: Evidence, water: TankWater, fitted: Mapping[str, TankFit]) -> None:
    network, name = evidence.network, water.tank
    feeds = [feed for feed in desk.feeds_of(network, fitted) if feed.tank == name]
    open_area_m2 = network.tank(name).open_area_m2
    if evidence.rain is None:
        if feeds:
            water.left_out["rain"] = "the settings have no rain gauge"
        if open_area_m2 > 0:
            water.left_out["direct"] = "the settings have no rain gauge"
        return
    rain = _tipped(evidence)
    water.kinds["rain"] = [desk.roof_kind(feed, rain) for feed in feeds]
    if open_area_m2 > 0:
        water.kinds["direct"] = [desk.direct_kind(open_area_m2, rain)]


def _tipped(evidence: Evidence) -> TippedRain:
    assert evidence.rain is not None
    rows = evidence.rain
    caught = desk.caught_mm(rows.t_ms, rows.tips, rows.rain_mm, rows.dead_time_s)
    starts = np.array([storm.start_ms for storm in evidence.storms], dtype=np.int64)
    storm: I64 = np.searchsorted(starts, rows.t_ms, side="right").astype(np.int64) - 1
    fell = np.zeros(len(caught))
    for k in np.unique(storm).tolist():
        inside = storm == k
        # A storm that began before the evidence has wetted the roofs already.
        before = 0.0
        if k >= 0 and evidence.storms[k].start_ms <= evidence.from_ms:
            before = max(evidence.storms[k].rain_mm - float(rows.rain_mm[inside].sum()), 0.0)
        fell[inside] = before + np.cumsum(caught[inside])
    return TippedRain(rows.t_ms, caught, storm, fell, rows.u_ratio, rows.depth_per_tip_mm / 6**0.5)


def _moved(evidence: Evidence, water: TankWater, moves: tuple[WaterMove, ...]) -> None:
    u_ratio = 0.0 if evidence.flow is None else evidence.flow.u_ratio
    for move in moves:
        if move.tank != water.tank:
            continue
        litres = desk.straight_course(move.from_ms, move.upto_ms, abs(move.volume_l))
        if move.what == "pumped":
            own_u_l = max(move.volume_u_l**2 - (u_ratio * move.volume_l) ** 2, 0.0) ** 0.5
            part = own_u_l / abs(move.volume_l) if move.volume_l else 0.0
            errors = {"meter": litres.times(u_ratio), f"run {move.from_ms}": litres.times(part)}
            water.kinds.setdefault("pumped_in" if move.volume_l > 0 else "pumped_out", []).append(Kind(litres, errors))
        else:
            sign = 1.0 if move.volume_l >= 0 else -1.0
            part = move.volume_u_l / abs(move.volume_l) if move.volume_l else 0.0
            errors = {f"{move.what} {move.from_ms}": litres.times(part)}
            water.kinds.setdefault("carted", []).append(Kind(litres.times(sign), errors))


def _draw(settings: Settings, evidence: Evidence, water: TankWater) -> None:
    house = settings.household
    if house is None:
        water.left_out["draw"] = "the settings have no [household] table"
        return
    if house.tank != water.tank:
        return
    days = _days(evidence)
    water.kinds["draw"] = [
        Kind(
            days.times(house.draw_l_day),
            {"draw": days.times(house.draw_u_l_day)},
            days.times((DRAW_SCATTER_RATIO * house.draw_l_day) ** 2),
        )
    ]


def _evaporation(settings: Settings, evidence: Evidence, water: TankWater) -> None:
    found = TankEvaporation.of(settings, evidence, water.tank)
    if found.area_m2 == 0:
        return
    if isinstance(found.days, Unknown):
        water.left_out["evaporation"] = found.days.because
        return
    days: EvaporationDays = found.days
    litres = found.area_m2 * np.where(np.isnan(days.mm), 0.0, days.mm)
    if np.isnan(days.mm).any():
        water.left_out["evaporation"] = "the air's range is not known of some days"
    course = Course(days.edges_ms, np.concatenate([[0.0], np.cumsum(litres)]))
    scatter = Course(days.edges_ms, np.concatenate([[0.0], np.cumsum((DRYING_SCATTER_RATIO * litres) ** 2)]))
    water.kinds["evaporation"] = [Kind(course, {"evaporation": course.times(days.u_ratio)}, scatter)]


def _seepage(evidence: Evidence, water: TankWater, losses: TankLosses, settings: Settings) -> None:
    seepage = losses.seepage_l_day
    if isinstance(seepage, Unknown):
        water.left_out["seepage"] = seepage.because
        return
    days = _days(evidence)
    errors = {}
    shared2 = 0.0
    # It was found as what is left of the loss: what is wrong with the draw or with evaporation is in it, the other way.
    if losses.way == "mornings_less_draw" and settings.household is not None:
        errors["draw"] = days.times(-settings.household.draw_u_l_day)
        shared2 += settings.household.draw_u_l_day**2
    if not isinstance(losses.evaporation_l_day, Unknown) and losses.evaporation_l_day.u > 0:
        errors["evaporation"] = days.times(-losses.evaporation_l_day.u)
        shared2 += losses.evaporation_l_day.u**2
    own_u = max(seepage.u**2 - shared2, 0.0) ** 0.5
    errors[f"{water.tank} seepage"] = days.times(own_u)
    water.kinds["seepage"] = [Kind(days.times(max(seepage.value, 0.0)), errors)]


def _days(evidence: Evidence) -> Course:
    """One a day, all through."""
    return desk.straight_course(evidence.from_ms, evidence.upto_ms, (evidence.upto_ms - evidence.from_ms) / _DAY_MS)
