"""A history of the site: weather, pump runs and hands, minute by minute, and all that came of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead.readings import F64, I64
from rainstead_board.twin.truth import TwinSite
from rainstead_board.twin.waterworks import CUMULATIVE, SiteState, Waterworks, first_state
from rainstead_board.twin.weather import STEP_S, Weather

__all__ = ["ByHand", "Leak", "PumpRun", "SiteState", "StormTruth", "Truth", "simulate"]

_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class PumpRun:
    """The pump from `start_ms` to `stop_ms` (UTC) at one nozzle setting."""

    start_ms: int
    stop_ms: int
    flow_l_min: float


@dataclass(frozen=True, slots=True)
class ByHand:
    """Water carted into a tank, or taken from it where `flow_l_min` is negative."""

    tank: str
    start_ms: int
    stop_ms: int
    flow_l_min: float


@dataclass(frozen=True, slots=True)
class Leak:
    """Water that is lost from a tank from `start_ms` on, beside what always seeps."""

    tank: str
    start_ms: int
    l_day: float


@dataclass(frozen=True, slots=True)
class StormTruth:
    """What one storm really brought."""

    start_ms: int
    stop_ms: int
    rain_mm: float
    roof_l: tuple[float, ...]
    """Into the tanks off each roof."""
    catch_l: float
    """Straight into open tanks."""


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """All that happened. Arrays have one row for each edge of the weather's steps; what flows is cumulative.

    `*_l` of tanks are (edges, tanks): roof_l into it off roofs, catch_l direct, link_l over another's brim,
    spill_l over its own (to the next tank, or to the ground), draw, evaporation, seepage, hand_l carted in less
    taken out. Rows of roofs: what `roof_in_l` (rain on the roof) came to.
    """

    site: TwinSite
    weather: Weather
    t_ms: I64
    volumes_l: F64
    depths_m: F64
    roof_l: F64
    catch_l: F64
    link_l: F64
    spill_l: F64
    draw_l: F64
    evaporation_l: F64
    seepage_l: F64
    hand_l: F64
    pump_l: F64
    rain_mm: F64
    pump_runs: tuple[PumpRun, ...]
    """As they were: a run ends where its source falls to the suction."""
    storms: tuple[StormTruth, ...]
    roof_in_l: F64
    roof_wetting_l: F64
    roof_shed_l: F64
    """Splashed and soaked away: what the runoff ratio leaves out."""
    roof_flush_l: F64
    roof_gutter_l: F64
    """Shot over the gutter."""
    roof_out_l: F64
    end: SiteState

    @property
    def ground_l(self) -> F64:
        """Spilt to the ground, all tanks together, cumulative."""
        lost = [k for k, to in enumerate(self.site.downstream) if to < 0]
        return np.asarray(self.spill_l[:, lost].sum(axis=1))


def simulate(
    site: TwinSite,
    weather: Weather,
    *,
    full_ratio: float | Sequence[float] = 0.6,
    pump_runs: Sequence[PumpRun] = (),
    by_hand: Sequence[ByHand] = (),
    leaks: Sequence[Leak] = (),
) -> Truth:
    """Let the weather happen to the site.

    full_ratio: how full the tanks are at the start, of the brim's litres: one for all, or one for each.
    Surfaces for evaporation are taken anew at each day of the run; a day changes them by less than a percent.
    """
    edges_ms = weather.edges_ms
    steps, tanks = len(weather.rain_mm), len(site.tanks)
    per_day = int(_DAY_S // STEP_S)
    begin = first_state(site, weather.start_ms, full_ratio)
    works = Waterworks.start(site, begin)

    roof_in = np.zeros((steps, tanks))
    roof_out = np.zeros((steps, len(site.roofs)))
    _roofs(works, weather, roof_in, roof_out)
    catch = weather.rain_mm[:, None] * np.array([tank.open_m2 for tank in site.tanks])
    middle_ms = edges_ms[:-1] + STEP_S * 500
    evaporation_mm = site.evaporation_mm_d(middle_ms) * (STEP_S / _DAY_S)
    drawn = site.draw_ratio(middle_ms)[:, None] * np.array(site.draw_l_day) * (STEP_S / _DAY_S)
    names = [tank.name for tank in site.tanks]
    seeping = np.tile(np.array(site.seepage_l_day) * (STEP_S / _DAY_S), (steps, 1))
    for leak in leaks:
        seeping[:, names.index(leak.tank)] += _minutes(edges_ms, leak.start_ms, int(edges_ms[-1])) * leak.l_day / 1440
    hand = np.zeros((steps, tanks))
    for move in by_hand:
        part = _minutes(edges_ms, move.start_ms, move.stop_ms)
        hand[:, names.index(move.tank)] += part * move.flow_l_min
    pump = np.zeros(steps)
    for run in pump_runs:
        pump += _minutes(edges_ms, run.start_ms, run.stop_ms) * run.flow_l_min

    rows = {key: np.zeros((steps + 1, tanks)) for key in CUMULATIVE}
    volumes = np.zeros((steps + 1, tanks))
    volumes[0] = begin.volumes_l
    pumped = np.zeros(steps + 1)
    inflow = roof_in + catch
    for first in range(0, steps, per_day):
        day = slice(first, min(first + per_day, steps))
        surface = np.array([tank.surface_m2(now) for tank, now in zip(site.tanks, works.volumes_l, strict=True)])
        kept: list[list[float]] = []
        for in_l, evaporation_l, seepage_l, draw_l, hand_l, pump_l in zip(
            inflow[day].tolist(),
            (evaporation_mm[day, None] * surface).tolist(),
            seeping[day].tolist(),
            drawn[day].tolist(),
            hand[day].tolist(),
            pump[day].tolist(),
            strict=True,
        ):
            works.step(
                in_l,
                evaporation_l=evaporation_l,
                seepage_l=seepage_l,
                draw_l=draw_l,
                hand_l=hand_l,
                pump_l=pump_l,
            )
            kept.append(
                works.volumes_l
                + works.link_l
                + works.spill_l
                + works.draw_l
                + works.evaporation_l
                + works.seepage_l
                + works.hand_l
                + [works.pump_l]
            )
        table = np.array(kept)
        after = slice(day.start + 1, day.stop + 1)
        volumes[after] = table[:, :tanks]
        for place, key in enumerate(CUMULATIVE, start=1):
            rows[key][after] = table[:, place * tanks : (place + 1) * tanks]
        pumped[after] = table[:, -1]

    rain_mm = np.concatenate([[0.0], np.cumsum(weather.rain_mm)])
    depths = np.column_stack([tank.depth_at(volumes[:, k]) for k, tank in enumerate(site.tanks)])
    ledger = [[roof.in_l, roof.wetted_l, roof.shed_l, roof.flushed_l, roof.over_l, roof.out_l] for roof in works.roofs]
    by_roof = np.array(ledger).reshape(len(works.roofs), 6).T
    return Truth(
        site=site,
        weather=weather,
        t_ms=edges_ms,
        volumes_l=volumes,
        depths_m=depths,
        roof_l=_running(roof_in),
        catch_l=_running(catch),
        pump_l=pumped,
        rain_mm=rain_mm,
        pump_runs=_real_runs(pump_runs, edges_ms, pumped),
        storms=_storms(site, weather, roof_out, catch),
        roof_in_l=by_roof[0],
        roof_wetting_l=by_roof[1],
        roof_shed_l=by_roof[2],
        roof_flush_l=by_roof[3],
        roof_gutter_l=by_roof[4],
        roof_out_l=by_roof[5],
        end=SiteState(
            int(edges_ms[-1]),
            tuple(works.volumes_l),
            tuple(roof.wetting_mm for roof in works.roofs),
            tuple(roof.flush_l for roof in works.roofs),
            works.dry_s,
            float((site.bucket_start_mm + rain_mm[-1]) % site.tip_mm),
            float((pumped[-1] * site.pulses_per_l) % 1.0),
        ),
        **rows,
    )


def _running(per_step: F64) -> F64:
    return np.concatenate([np.zeros((1, per_step.shape[1])), np.cumsum(per_step, axis=0)])


def _minutes(edges_ms: I64, start_ms: int, stop_ms: int) -> F64:
    """Minutes of each step that lie between the two moments."""
    inside = np.minimum(edges_ms[1:], stop_ms) - np.maximum(edges_ms[:-1], start_ms)
    return np.asarray(np.maximum(inside, 0) / 60_000)


def _roofs(works: Waterworks, weather: Weather, into: F64, out: F64) -> None:
    """Fill in what the roofs give in each step; dry steps are only counted."""
    done = 0
    for i in np.flatnonzero(weather.rain_mm).tolist():
        works.dry_s += (i - done) * STEP_S
        before = [roof.out_l for roof in works.roofs]
        into[i] = works.rain(float(weather.rain_mm[i]), STEP_S)
        out[i] = [roof.out_l - was for roof, was in zip(works.roofs, before, strict=True)]
        done = i + 1
    works.dry_s += (len(weather.rain_mm) - done) * STEP_S


def _real_runs(runs: Sequence[PumpRun], edges_ms: I64, pumped_l: F64) -> tuple[PumpRun, ...]:
    """The runs as they were: each cut off where the suction drew air."""
    real = []
    for run in runs:
        start_ms, stop_ms = max(run.start_ms, int(edges_ms[0])), min(run.stop_ms, int(edges_ms[-1]))
        if stop_ms <= start_ms:
            continue
        first = int(np.searchsorted(edges_ms, start_ms, side="right")) - 1
        last = int(np.searchsorted(edges_ms, stop_ms, side="left"))
        given_l = float(pumped_l[last] - pumped_l[first])
        lasted_ms = min(round(given_l / run.flow_l_min * 60_000), stop_ms - start_ms)
        if lasted_ms > 0:
            real.append(PumpRun(start_ms, start_ms + lasted_ms, run.flow_l_min))
    return tuple(real)


def _storms(site: TwinSite, weather: Weather, roof_out: F64, catch: F64) -> tuple[StormTruth, ...]:
    wet: npt.NDArray[np.intp] = np.flatnonzero(weather.rain_mm)
    if not len(wet):
        return ()
    edges_ms = weather.edges_ms
    new = np.flatnonzero((np.diff(wet) - 1) * STEP_S > site.roof_dry_s) + 1
    storms = []
    for steps in np.split(wet, new):
        first, stop = int(steps[0]), int(steps[-1]) + 1
        storms.append(
            StormTruth(
                int(edges_ms[first]),
                int(edges_ms[stop]),
                float(weather.rain_mm[first:stop].sum()),
                tuple(roof_out[first:stop].sum(axis=0).tolist()),
                float(catch[first:stop].sum()),
            )
        )
    return tuple(storms)
