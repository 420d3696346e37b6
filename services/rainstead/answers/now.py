"""How everything stands: one page."""

from collections.abc import Callable
from dataclasses import dataclass

from rainstead import calc
from rainstead.derive import Deriver, State
from rainstead.log import LogReader
from rainstead.replay import state_at
from rainstead.settings import Settings

from .alarms import AlarmStanding, standing
from .answer import Answer, head
from .days import rain_day_of, rain_day_start_ms
from .levels import TankLevel, Total, tank_level, total
from .sensors import SensorHealth, last_rows, sensor_health

__all__ = ["FlowNow", "NowAnswer", "RainNow", "ReserveNow", "now", "now_from_state"]

Progress = Callable[[int], None]
_HOUR_MS = 3_600_000
_FLOW_OLD_MS = 15_000
"""While water flows the meter reports every few seconds; after this the flow is taken to have stopped."""


@dataclass(frozen=True, slots=True)
class ReserveNow:
    """Usable litres of the reserve's tanks against the fire reserve. usable_l is None where one tank is unknown."""

    fire_l: float
    usable_l: float | None
    above_l: float | None
    tanks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RainNow:
    """Rain of the rain day so far, of the last hour, and the storm that has not ended."""

    rain_day_ends_on: str
    rain_day_mm: float
    last_hour_mm: float
    intensity_mm_h: float | None
    last_tip_ms: int | None
    storm: calc.Storm | None


@dataclass(frozen=True, slots=True)
class FlowNow:
    """Flow at the meter now, and the pump run that has not ended."""

    flow_l_min: float | None
    run: calc.PumpRun | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NowAnswer(Answer):
    """All of it. Parts are None where the settings have no such thing."""

    clock_is_trusted: bool
    tanks: tuple[TankLevel, ...]
    total: Total
    reserve: ReserveNow | None
    rain: RainNow | None
    flow: FlowNow | None
    alarms: tuple[AlarmStanding, ...]
    sensors: tuple[SensorHealth, ...]


def now(settings: Settings, reader: LogReader, as_of_ms: int, *, progress: Progress | None = None) -> NowAnswer:
    """How everything stood at a time, from what had been logged by then."""
    deriver = Deriver(settings)
    return now_from_state(
        settings, reader, deriver, state_at(reader, deriver, upto_ms=as_of_ms, progress=progress), as_of_ms
    )


def now_from_state(settings: Settings, reader: LogReader, deriver: Deriver, state: State, as_of_ms: int) -> NowAnswer:
    """The same from a state that is carried already."""
    carried = dict(zip(deriver.tank_names, state.tanks, strict=True))
    levels = tuple(
        tank_level(settings, deriver, name, carried[name].now if name in carried else None, as_of_ms)
        for name in settings.tanks
    )
    return NowAnswer(
        **head(settings, reader, as_of_ms),
        clock_is_trusted=reader.clock_is_trusted(),
        tanks=levels,
        total=total(levels),
        reserve=_reserve(settings, levels),
        rain=_rain(settings, reader, deriver, state, as_of_ms),
        flow=_flow(settings, deriver, state, as_of_ms),
        alarms=standing(settings, reader.events(upto_ms=as_of_ms)),
        sensors=sensor_health(settings, last_rows(settings, reader, deriver, state, as_of_ms), as_of_ms),
    )


def _reserve(settings: Settings, levels: tuple[TankLevel, ...]) -> ReserveNow | None:
    if settings.reserve is None:
        return None
    usable = {level.name: level.usable_l for level in levels}
    parts = [usable[name] for name in settings.reserve.tanks]
    known = [part for part in parts if part is not None]
    usable_l = sum(known) if len(known) == len(parts) else None
    above_l = None if usable_l is None else usable_l - settings.reserve.fire_l
    return ReserveNow(settings.reserve.fire_l, usable_l, above_l, settings.reserve.tanks)


def _rain(settings: Settings, reader: LogReader, deriver: Deriver, state: State, as_of_ms: int) -> RainNow | None:
    if settings.rain is None or state.gauge is None:
        return None
    day = rain_day_of(as_of_ms, settings)
    day_ms, hour_ms = rain_day_start_ms(day, settings), as_of_ms - _HOUR_MS
    day_mm = hour_mm = 0.0
    fresh = deriver.start()
    for batch in reader.batches(after_ms=min(day_ms, hour_ms), upto_ms=as_of_ms, sensors=[settings.rain.gauge]):
        fresh, derived = deriver.advance(fresh, batch)
        for rows in derived.rain:
            day_mm += float(rows.rain_mm[rows.t_ms > day_ms].sum())
            hour_mm += float(rows.rain_mm[rows.t_ms > hour_ms].sum())
    intensity = state.gauge.intensity_mm_h
    last_ms = state.gauge.last_tip_ms
    if intensity is not None and last_ms is not None and as_of_ms > last_ms:
        # Since the last tip no other has come: it cannot have rained harder than one tip in that time.
        tip_mm = settings.sensors[settings.rain.gauge].calibrations[-1].depth_per_tip_mm  # type: ignore[union-attr]
        intensity = min(intensity, tip_mm * _HOUR_MS / (as_of_ms - last_ms))
    storm = deriver.open_storm(state)
    if storm is not None and as_of_ms - storm.end_ms > settings.rain.storm_gap_s * 1000:
        storm = None
    return RainNow(str(day), day_mm, hour_mm, intensity, last_ms, storm)


def _flow(settings: Settings, deriver: Deriver, state: State, as_of_ms: int) -> FlowNow | None:
    if settings.pump is None or settings.pump.meter is None or state.meter is None:
        return None
    meter, run = state.meter, deriver.open_run(state)
    if run is not None and as_of_ms - run.end_ms > settings.pump.run_gap_s * 1000:
        run = None
    stopped = meter.last_ms is None or ((meter.flow_l_min or 0.0) > 0 and as_of_ms - meter.last_ms > _FLOW_OLD_MS)
    flow_l_min = None if meter.last_ms is None else 0.0 if stopped else meter.flow_l_min
    return FlowNow(flow_l_min, run)
