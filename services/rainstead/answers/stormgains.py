"""What each storm in the evidence left in the tanks: where settings, levels, tips and notes meet the calculation."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rainstead import calc
from rainstead.calc.desk import (
    Catching,
    GroupGain,
    Household,
    StormGains,
    StormWindow,
    TankGain,
    Unknown,
    WaterMove,
    catchings,
    caught_mm,
    dry_days,
    group_gain,
    storm_window,
    tank_gain,
)
from rainstead.evidence import Evidence
from rainstead.readings import F64, I64
from rainstead.settings import Settings

__all__ = ["MeasuredStorm", "StormRain", "gains_of", "measured_storms", "moves_of", "settled_storms", "shared_u_ratio"]

_NOTE_EARLY_MS = 600_000
_NOTE_LATE_MS = 6 * 3_600_000


@dataclass(frozen=True, slots=True)
class StormRain:
    """The tips of one storm, what the bucket missed put back. is_at_least: the gauge could not count for some of it.

    own_u_mm: of two part buckets, new in each storm; u_mm: with the calibration.
    """

    t_ms: I64
    rain_mm: F64
    total_mm: float
    missed_mm: float
    own_u_mm: float
    u_mm: float
    is_at_least: bool


@dataclass(frozen=True, slots=True)
class MeasuredStorm:
    """One storm with its water. gains: of the measured tanks; groups: by the names of `catchings`."""

    storm: calc.Storm
    dry_before_s: float | None
    rain: StormRain
    window: StormWindow
    gains: dict[str, TankGain | Unknown]
    groups: dict[str, GroupGain | Unknown]


def settled_storms(evidence: Evidence, gap_s: float) -> list[calc.Storm]:
    """The evidence's storms; whether the last is over is a matter of the time asked for."""
    found = list(evidence.storms)
    if found and not found[-1].complete:
        found[-1] = replace(found[-1], complete=evidence.upto_ms - found[-1].end_ms > gap_s * 1000)
    return found


def measured_storms(settings: Settings, evidence: Evidence, only: calc.Storm | None = None) -> list[MeasuredStorm]:
    """All storms that began in the evidence's time, or one of them."""
    if settings.rain is None or evidence.rain is None:
        return []
    storms = settled_storms(evidence, settings.rain.storm_gap_s)
    moves = moves_of(settings, evidence)
    groups = catchings(evidence.network)
    found = []
    for k, storm in enumerate(storms):
        if storm.start_ms <= evidence.from_ms or (only is not None and storm.start_ms != only.start_ms):
            continue
        next_ms = storms[k + 1].start_ms if k + 1 < len(storms) else evidence.upto_ms
        dry_s = None if k == 0 else (storm.start_ms - storms[k - 1].end_ms) / 1000
        found.append(_measured(settings, evidence, storm, dry_s, moves, groups, min(next_ms, evidence.upto_ms)))
    return found


def gains_of(storms: Sequence[MeasuredStorm], group: Catching) -> tuple[StormGains, list[int]]:
    """The storms of one group that a fit can use, as columns, and their places: over, rain and litres known."""
    rows, places = [], []
    for k, one in enumerate(storms):
        gain = one.groups[group.name]
        if isinstance(gain, Unknown) or one.rain.is_at_least or not one.storm.complete or not one.window.still:
            continue
        rows.append((one.rain.total_mm, one.rain.own_u_mm, gain.roof_l, gain.own_u_l, int(gain.bound)))
        places.append(k)
    columns = np.array(rows, dtype=np.float64).reshape(-1, 5).T
    return StormGains(columns[0], columns[1], columns[2], columns[3], columns[4].astype(np.int64)), places


def shared_u_ratio(storms: Sequence[MeasuredStorm], group: Catching, gauge_u_ratio: float) -> float:
    """Relative uncertainty that all storms of a group share: depth per tip, and each tank's litres per depth."""
    by_tank: dict[str, float] = {}
    total_l = 0.0
    for one in storms:
        for name in group.tanks:
            gain = one.gains.get(name)
            if isinstance(gain, TankGain) and gain.gain_l > 0:
                by_tank[name] = by_tank.get(name, 0.0) + gain.shared_u_l
                total_l += gain.gain_l
    tanks = math.sqrt(math.fsum(u_l**2 for u_l in by_tank.values())) / total_l if total_l > 0 else 0.0
    return math.hypot(gauge_u_ratio, tanks)


def moves_of(settings: Settings, evidence: Evidence) -> tuple[WaterMove, ...]:
    """Carted, poured and pumped water, as what went into each tank or out of it."""
    notes = evidence.notes
    found = [WaterMove(d.tank, d.from_ms, d.upto_ms, d.volume_l, d.volume_u_l, "carted") for d in notes.deliveries]
    found += [WaterMove(k.tank, k.from_ms, k.upto_ms, k.volume_l, k.volume_u_l, "poured") for k in notes.known_volumes]
    pump = settings.pump
    if pump is not None:
        for run in evidence.runs:
            found.append(WaterMove(pump.source, run.start_ms, run.end_ms, -run.volume_l, run.volume_u_l, "pumped"))
            to = pump.to
            for note in notes.run_notes:
                told = note.to is not None and run.start_ms - _NOTE_EARLY_MS <= note.t_ms <= run.end_ms + _NOTE_LATE_MS
                if told and _nearest(note.t_ms, evidence.runs) is run:
                    to = note.to
            if to is not None and to in settings.tanks:
                found.append(WaterMove(to, run.start_ms, run.end_ms, run.volume_l, run.volume_u_l, "pumped"))
    return tuple(found)


def _nearest(t_ms: int, runs: Sequence[calc.PumpRun]) -> calc.PumpRun:
    """The run that a note is about: the one at its time, else the nearest."""
    return min(runs, key=lambda run: max(run.start_ms - t_ms, t_ms - run.end_ms, 0))


def _measured(
    settings: Settings,
    evidence: Evidence,
    storm: calc.Storm,
    dry_before_s: float | None,
    moves: tuple[WaterMove, ...],
    groups: tuple[Catching, ...],
    upto_ms: int,
) -> MeasuredStorm:
    assert evidence.rain is not None
    rain = _rain(evidence, storm)
    window = storm_window(tuple(evidence.tanks.values()), moves, storm.start_ms, storm.end_ms, upto_ms)
    house = settings.household
    household = None if house is None else Household(house.tank, house.draw_l_day, house.draw_u_l_day)
    gains: dict[str, TankGain | Unknown] = {}
    for name, tank in evidence.tanks.items():
        own = [move for move in moves if move.tank == name]
        dry = dry_days(tank, window, evidence.rain.t_ms, own, evidence.from_ms, evidence.upto_ms)
        gains[name] = tank_gain(tank, window, own, dry, household, upto_ms)
    return MeasuredStorm(
        storm=storm,
        dry_before_s=dry_before_s,
        rain=rain,
        window=window,
        gains=gains,
        groups={group.name: group_gain(evidence.network, group, gains, rain.total_mm) for group in groups},
    )


def _rain(evidence: Evidence, storm: calc.Storm) -> StormRain:
    rain = evidence.rain
    assert rain is not None
    inside = slice(
        int(np.searchsorted(rain.t_ms, storm.start_ms, side="left")),
        int(np.searchsorted(rain.t_ms, storm.end_ms, side="right")),
    )
    t_ms, plain_mm = rain.t_ms[inside], rain.rain_mm[inside]
    caught = caught_mm(t_ms, rain.tips[inside], plain_mm, rain.dead_time_s)
    total_mm = float(caught.sum())
    own_u_mm = rain.depth_per_tip_mm / math.sqrt(6)
    deaf = np.searchsorted(rain.deaf_ms, [storm.start_ms - 1, storm.end_ms], side="right")
    return StormRain(
        t_ms=t_ms,
        rain_mm=caught,
        total_mm=total_mm,
        missed_mm=total_mm - float(plain_mm.sum()),
        own_u_mm=own_u_mm,
        u_mm=math.hypot(own_u_mm, total_mm * rain.u_ratio),
        is_at_least=bool(deaf[0] != deaf[1]),
    )
