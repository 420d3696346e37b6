"""What the pump's petrol tells: fills noted after runs, or else the settings' own rate."""

from collections.abc import Sequence
from dataclasses import dataclass

from rainstead.calc import desk
from rainstead.notebook import FuelFill, Notes
from rainstead.settings import Settings

from .pumpruns import ReviewedRun

__all__ = ["FuelUse", "fuel_use"]

_DAY_MS = 24 * 3_600_000
_SETTINGS_U_RATIO = 0.2
"""How far a rate from the settings is trusted; common practice: load and throttle change it by as much."""


@dataclass(frozen=True, slots=True)
class FuelUse:
    """rate_from: this_run; runs_at_setting; all_runs; settings; nothing.

    fills: behind the rate. first_was_full: the first fill of all stands alone, and the tank is taken to have been at
    the mark before the runs of that day.
    """

    rate_l_h: desk.Answered
    rate_from: str
    fills: int
    first_was_full: bool
    water_per_fuel_l_l: desk.Answered


@dataclass(frozen=True, slots=True)
class _Filled:
    burnt: desk.Burnt
    runs: tuple[int, ...]
    is_first: bool


def fuel_use(settings: Settings, notes: Notes, found: Sequence[ReviewedRun], k: int | None) -> FuelUse:
    """Petrol an hour for run k, as closely as fills allow: of it alone, of runs at its setting, of all; else settings.

    k=None asks for all runs.
    """
    filled = _filled(notes.fuel_fills, found)
    one = None if k is None else found[k]
    choices: list[tuple[str, list[_Filled]]] = [("all_runs", filled)]
    if one is not None:
        same = [fill for fill in filled if one.nozzle is not None and _all_at(found, fill.runs, one.nozzle)]
        choices = [("this_run", [fill for fill in filled if fill.runs == (k,)]), ("runs_at_setting", same), *choices]
    for rate_from, fills in choices:
        told = desk.fuel_rate([fill.burnt for fill in fills])
        if not isinstance(told, desk.Unknown):
            assumed = any(fill.is_first for fill in fills)
            return FuelUse(told, rate_from, len(fills), assumed, _water_per_fuel(one, told))
    fuel = None if settings.pump is None else settings.pump.fuel
    if fuel is None:
        missing = desk.Unknown("no fuel fill is noted after a run, and the settings have no pump.fuel")
        return FuelUse(missing, "nothing", 0, False, missing)
    by_settings = desk.estimate(fuel.rate_l_h, _SETTINGS_U_RATIO * fuel.rate_l_h, floor=0.0)
    return FuelUse(by_settings, "settings", 0, False, _water_per_fuel(one, by_settings))


def _filled(fills: Sequence[FuelFill], found: Sequence[ReviewedRun]) -> list[_Filled]:
    """Each fill with the runs since the one before; the first of all with those of the day before it."""
    told = []
    before_ms: int | None = None
    for fill in fills:
        from_ms = fill.t_ms - _DAY_MS if before_ms is None else before_ms
        runs = tuple(k for k, run in enumerate(found) if from_ms < run.end_ms <= fill.t_ms)
        if runs:
            hours = sum(found[k].hours for k in runs)
            told.append(_Filled(desk.Burnt(fill.fuel_l, fill.fuel_u_l, hours), runs, before_ms is None))
        before_ms = fill.t_ms
    return told


def _all_at(found: Sequence[ReviewedRun], runs: tuple[int, ...], nozzle: str) -> bool:
    return all(found[k].nozzle == nozzle for k in runs)


def _water_per_fuel(one: ReviewedRun | None, rate_l_h: desk.Answered) -> desk.Answered:
    if one is None:
        return desk.Unknown("no run is asked for")
    flow = one.review.flow_l_min
    if isinstance(flow, desk.Unknown):
        return flow
    if isinstance(rate_l_h, desk.Unknown):
        return rate_l_h
    assert flow.high is not None
    return desk.quotient(desk.Estimate(60 * flow.value, 60 * flow.u, 60 * flow.low, 60 * flow.high), rate_l_h)
