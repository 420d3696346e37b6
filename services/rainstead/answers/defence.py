"""The defence plan: what a depth of water on some ground takes, and what the site has for it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rainstead.calc import desk
from rainstead.evidence import Evidence
from rainstead.log import ReadingSource
from rainstead.settings import Settings
from rainstead.units import AREA_M2, DEPTH_MM, DURATION_S, FLOW_L_MIN, VOLUME_L

from .answer import Answer, head
from .fuel import fuel_use
from .nozzles import nozzle_lines
from .pumpruns import ReviewedRun, pump_of, pumpable_l, reviewed_runs, runs_before, usable_l
from .typed import Refused, read_quantity

__all__ = ["DefenceAnswer", "DefenceAsked", "DefenceTank", "defence"]

_LEVEL_MS = 12 * 60_000
_FLOW_U_RATIO = 0.1
_BUCKET_U_RATIO, _WATCH_U_S = 0.01, 0.2
"""A marked bucket, and a hand on a watch; common practice."""


@dataclass(frozen=True, slots=True)
class DefenceAsked:
    """What was typed, with units; None where it was left out."""

    area: str
    depth: str
    nozzle: str | None = None
    flow: str | None = None
    flow_u: str | None = None
    bucket: str | None = None
    filled_in: str | None = None
    fuel: str | None = None


@dataclass(frozen=True, slots=True)
class DefenceTank:
    """A tank's part. level_age_s: how old its level is; old levels are used and told as old."""

    name: str
    is_source: bool
    in_reserve: bool
    usable_l: desk.Answered
    pumpable_l: desk.Answered | None
    takes_l: float
    left_l: desk.Answered
    level_age_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DefenceAnswer(Answer):
    """The plan; see calc.desk.DefencePlan.

    flow_from: runs; flow; bucket; nothing. nozzle: whose runs gave the flow. flow_runs: how many.
    reserve_fire_l: what the settings keep for defence; None without a reserve. fuel_at_hand_l: None if not known.
    """

    area_m2: float
    depth_mm: float
    need_l: float
    source: str
    flow_l_min: desk.Answered
    flow_from: str
    nozzle: str | None
    flow_runs: int
    minutes: desk.Answered
    rate_l_h: desk.Answered
    rate_from: str
    fuel_l: desk.Answered
    fuel_tank_l: float | None
    fuel_at_hand_l: float | None
    refills_least: int | None
    refills: int | None
    refills_most: int | None
    water_l: desk.Answered
    water_enough: str
    fuel_enough: str
    short_l: desk.Answered
    others_l: desk.Answered
    depth_by_water_mm: desk.Answered
    depth_by_fuel_mm: desk.Answered
    gives_mm: desk.Answered
    fuel_lasts_min: desk.Answered
    water_lasts_min: desk.Answered
    endurance_min: desk.Answered
    runs_out_first: str | None
    tanks: tuple[DefenceTank, ...]
    reserve_fire_l: float | None
    reserve_before_l: desk.Answered
    reserve_after_l: desk.Answered


@dataclass(frozen=True, slots=True)
class _Flow:
    value: desk.Answered
    came_from: str
    nozzle: str | None
    runs: int


def defence(
    settings: Settings,
    reader: ReadingSource,
    folder: Path,
    as_of_ms: int,
    asked: DefenceAsked,
    *,
    progress: Callable[[int], None] | None = None,
) -> DefenceAnswer:
    """The plan for what is asked. Raises NoMeter without a pump, Refused for what cannot be taken as typed."""
    pump = pump_of(settings)
    area_m2 = _positive(asked.area, AREA_M2, "--area")
    depth_mm = _positive(asked.depth, DEPTH_MM, "--depth")
    typed = _typed_flow(asked)
    fuel_tank_l = None if pump.fuel is None else pump.fuel.tank_l
    fuel_l = fuel_tank_l if asked.fuel is None else _positive(asked.fuel, VOLUME_L, "--fuel")
    evidence = runs_before(settings, reader, folder, as_of_ms, progress)
    found = reviewed_runs(settings, evidence)
    flow = _flow_of_runs(found, asked.nozzle) if typed is None else typed
    fuel = fuel_use(settings, evidence.notes, found, _newest_at(found, flow.nozzle))
    stocks, ages_s = _stocks(settings, evidence)
    plan = desk.defence_plan(
        area_m2,
        depth_mm,
        flow_l_min=flow.value,
        rate_l_h=fuel.rate_l_h,
        fuel_tank_l=fuel_tank_l,
        fuel_l=fuel_l,
        tanks=stocks,
    )
    least, likely, most = plan.refills or (None, None, None)
    nothing = desk.Unknown("the settings have no [reserve] table")
    return DefenceAnswer(
        **head(settings, reader, as_of_ms),
        area_m2=area_m2,
        depth_mm=depth_mm,
        need_l=plan.need_l,
        source=pump.source,
        flow_l_min=flow.value,
        flow_from=flow.came_from,
        nozzle=flow.nozzle,
        flow_runs=flow.runs,
        minutes=plan.minutes,
        rate_l_h=fuel.rate_l_h,
        rate_from=fuel.rate_from,
        fuel_l=plan.fuel_l,
        fuel_tank_l=fuel_tank_l,
        fuel_at_hand_l=fuel_l,
        refills_least=least,
        refills=likely,
        refills_most=most,
        water_l=plan.water_l,
        water_enough=plan.water_enough,
        fuel_enough=plan.fuel_enough,
        short_l=plan.short_l,
        others_l=plan.others_l,
        depth_by_water_mm=plan.depth_by_water_mm,
        depth_by_fuel_mm=plan.depth_by_fuel_mm,
        gives_mm=plan.gives_mm,
        fuel_lasts_min=plan.endurance.fuel_min,
        water_lasts_min=plan.endurance.water_min,
        endurance_min=plan.endurance.first_min,
        runs_out_first=plan.endurance.first,
        tanks=tuple(
            DefenceTank(
                part.name,
                part.is_source,
                part.in_reserve,
                part.usable_l,
                part.pumpable_l,
                part.takes_l,
                part.left_l,
                ages_s[part.name],
            )
            for part in plan.parts
        ),
        reserve_fire_l=None if settings.reserve is None else settings.reserve.fire_l,
        reserve_before_l=nothing if settings.reserve is None else plan.reserve_before_l,
        reserve_after_l=nothing if settings.reserve is None else plan.reserve_after_l,
    )


def _positive(text: str, table: dict[str, float], option: str) -> float:
    value = read_quantity(text, table, option)
    if not 0 < value < 1e9:
        raise Refused(f"{option} {text!r}: must be more than nothing")
    return value


def _typed_flow(asked: DefenceAsked) -> _Flow | None:
    """A flow that was typed, as it is or by a bucket and a watch."""
    if asked.bucket is not None or asked.filled_in is not None:
        if asked.bucket is None or asked.filled_in is None:
            raise Refused("--bucket and --filled-in go together: what was filled, and how long it took")
        if asked.flow is not None:
            raise Refused("give --flow, or --bucket with --filled-in, not both")
        volume_l = _positive(asked.bucket, VOLUME_L, "--bucket")
        time_s = _positive(asked.filled_in, DURATION_S, "--filled-in")
        told = desk.bucket_flow(volume_l, _BUCKET_U_RATIO * volume_l, time_s, _WATCH_U_S)
        return _Flow(told, "bucket", None, 0)
    if asked.flow is None:
        if asked.flow_u is not None:
            raise Refused("--flow-u goes with --flow")
        return None
    if asked.nozzle is not None:
        raise Refused("give --flow, or --nozzle for the flow of its runs, not both")
    flow = _positive(asked.flow, FLOW_L_MIN, "--flow")
    u = _FLOW_U_RATIO * flow if asked.flow_u is None else read_quantity(asked.flow_u, FLOW_L_MIN, "--flow-u")
    if not 0 <= u < flow / 2:
        raise Refused(f"--flow-u {asked.flow_u!r}: must lie between nothing and half the flow")
    return _Flow(desk.estimate(flow, u, floor=0.0), "flow", None, 0)


def _flow_of_runs(found: Sequence[ReviewedRun], nozzle: str | None) -> _Flow:
    """By the runs at the setting that was asked for; else of the newest run that has a noted one, or of all alike."""
    lines = nozzle_lines(found)
    if nozzle is not None:
        named = [line for line in lines if line.nozzle is not None and line.nozzle.lower() == nozzle.lower()]
        if not named:
            known = ", ".join(line.nozzle for line in lines if line.nozzle is not None)
            tell = f"runs are noted at: {known}" if known else "no run has a nozzle noted; see `rainstead note run`"
            raise Refused(f"--nozzle {nozzle!r}: no run at that setting; {tell}")
        return _Flow(named[0].next_flow_l_min, "runs", named[0].nozzle, named[0].runs)
    if not lines:
        why = desk.Unknown("the log has no pump run to tell the flow; type one with --flow or --bucket")
        return _Flow(why, "nothing", None, 0)
    newest = max(lines, key=lambda line: line.last_ms)
    told = newest.next_flow_l_min
    if isinstance(told, desk.Unknown):
        told = desk.Unknown(f"{told.because}; or type a flow with --flow or --bucket")
        return _Flow(told, "nothing", newest.nozzle, newest.runs)
    return _Flow(told, "runs", newest.nozzle, newest.runs)


def _newest_at(found: Sequence[ReviewedRun], nozzle: str | None) -> int | None:
    at = [k for k, run in enumerate(found) if nozzle is not None and run.nozzle == nozzle]
    return at[-1] if at else None


def _stocks(settings: Settings, evidence: Evidence) -> tuple[list[desk.TankStock], dict[str, float | None]]:
    """Every tank as it stands by its newest level, and how old that is."""
    pump = pump_of(settings)
    reserve = () if settings.reserve is None else settings.reserve.tanks
    stocks: list[desk.TankStock] = []
    ages_s: dict[str, float | None] = {}
    for name in settings.tanks:
        minutes = evidence.tanks.get(name)
        ages_s[name] = None
        level: desk.LevelMean | desk.Unknown = desk.Unknown(f"{name} has no level sensor")
        if minutes is not None:
            level = desk.Unknown(f"there is no good level of {name}")
            if len(minutes.t_ms):
                last_ms = int(minutes.t_ms[-1])
                level = desk.level_mean(minutes, last_ms - _LEVEL_MS, last_ms)
                ages_s[name] = max(0.0, (evidence.upto_ms - last_ms) / 1000)
        usable = level if isinstance(level, desk.Unknown) else usable_l(settings, evidence, name, level)
        pumpable: desk.Answered | None = None
        if name == pump.source:
            pumpable = level if isinstance(level, desk.Unknown) else pumpable_l(settings, evidence, level)
        stocks.append(desk.TankStock(name, usable, pumpable, name in reserve))
    return stocks, ages_s
