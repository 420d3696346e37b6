"""How everything stands: one page."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rainstead import calc
from rainstead.derive import Deriver, State
from rainstead.evidence import Unheard
from rainstead.log import ReadingSource
from rainstead.readings import Quality
from rainstead.replay import state_at
from rainstead.settings import Settings
from rainstead.sickness import Sickness, find_sickness

from .alarms import AlarmStanding, standing
from .answer import Answer, head
from .days import rain_day_of, rain_day_start_ms
from .levels import TankLevel, Total, doubted, tank_level, total
from .sensors import SensorHealth, last_rows, quality_words, sensor_health

__all__ = ["FlowNow", "NowAnswer", "RainNow", "ReserveNow", "now", "now_from_state"]

Progress = Callable[[int], None]
_HOUR_MS = 3_600_000
_FLOW_OLD_MS = 15_000
"""While water flows the meter reports every few seconds; after this the flow is taken to have stopped."""


@dataclass(frozen=True, slots=True)
class ReserveNow:
    """Usable litres of the reserve's tanks against the fire reserve. usable_l is None where one tank is unknown.

    is_old: one of the tanks is told by its last known level. because: which tank is unknown or old, and why.
    """

    fire_l: float
    usable_l: float | None
    usable_u_l: float | None
    above_l: float | None
    is_at_least: bool
    is_old: bool
    because: str | None
    tanks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RainNow:
    """Rain of the rain day so far, of the last hour, and the storm that has not ended.

    is_at_least: some of that time the gauge did not count, or nothing was logged; because: why.
    """

    rain_day_ends_on: str
    rain_day_mm: float
    last_hour_mm: float
    is_at_least: bool
    because: str | None
    intensity_mm_h: float | None
    last_tip_ms: int | None
    storm: calc.Storm | None


@dataclass(frozen=True, slots=True)
class FlowNow:
    """Flow at the meter now, and the pump run that has not ended. because: why the flow is unknown or in doubt."""

    flow_l_min: float | None
    because: str | None
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


def now(settings: Settings, reader: ReadingSource, as_of_ms: int, *, progress: Progress | None = None) -> NowAnswer:
    """How everything stood at a time, from what had been logged by then."""
    deriver = Deriver(settings)
    return now_from_state(
        settings, reader, deriver, state_at(reader, deriver, upto_ms=as_of_ms, progress=progress), as_of_ms
    )


def now_from_state(
    settings: Settings, reader: ReadingSource, deriver: Deriver, state: State, as_of_ms: int
) -> NowAnswer:
    """The same from a state that is carried already."""
    carried = dict(zip(deriver.tank_names, state.tanks, strict=True))
    levels = tuple(
        tank_level(settings, deriver, name, carried[name].now if name in carried else None, as_of_ms)
        for name in settings.tanks
    )
    top = head(settings, reader, as_of_ms)
    sick = find_sickness(settings, reader, as_of_ms)
    sensors = sensor_health(settings, last_rows(settings, reader, deriver, state, as_of_ms), as_of_ms, sick)
    levels = tuple(doubted(level, settings.tanks[level.name].sensor, sick) for level in levels)
    why_blind = {sensor.name: sensor.because for sensor in sensors if sensor.is_in_trouble}
    if top["last_reading_ms"] is None or top["last_reading_is_old"]:
        why_blind = dict.fromkeys(settings.sensors, "nothing newer is in the log")
    return NowAnswer(
        **top,
        clock_is_trusted=reader.clock_is_trusted(),
        tanks=levels,
        total=total(levels),
        reserve=_reserve(settings, levels),
        rain=_rain(settings, reader, deriver, state, as_of_ms, why_blind),
        flow=_flow(settings, deriver, state, as_of_ms, why_blind, sick),
        alarms=standing(settings, reader.events(upto_ms=as_of_ms)),
        sensors=sensors,
    )


def _reserve(settings: Settings, levels: tuple[TankLevel, ...]) -> ReserveNow | None:
    if settings.reserve is None:
        return None
    fire_l, names = settings.reserve.fire_l, settings.reserve.tanks
    parts = [level for level in levels if level.name in names]
    known = all(level.usable_l is not None for level in parts)
    usable_l = math.fsum(level.usable_l or 0.0 for level in parts) if known else None
    reasons = [
        f"{level.name}: {level.because}" for level in parts if level.state in ("unknown", "last_known", "doubtful")
    ]
    return ReserveNow(
        fire_l=fire_l,
        usable_l=usable_l,
        usable_u_l=math.sqrt(math.fsum((level.volume_u_l or 0.0) ** 2 for level in parts)) if known else None,
        above_l=None if usable_l is None else usable_l - fire_l,
        is_at_least=known and any(level.is_at_least for level in parts),
        is_old=any(level.state == "last_known" for level in parts),
        because="; ".join(reasons) or None,
        tanks=names,
    )


def _rain(
    settings: Settings,
    reader: ReadingSource,
    deriver: Deriver,
    state: State,
    as_of_ms: int,
    why_blind: Mapping[str, str | None],
) -> RainNow | None:
    if settings.rain is None or state.gauge is None:
        return None
    day = rain_day_of(as_of_ms, settings)
    day_ms, hour_ms = rain_day_start_ms(day, settings), as_of_ms - _HOUR_MS
    because = why_blind.get(settings.rain.gauge)
    day_mm = hour_mm = 0.0
    begin_ms = min(day_ms, hour_ms)
    fresh, unheard, is_heard = deriver.start(), Unheard(settings.rain.gauge, reader, begin_ms), False
    for batch in reader.batches(after_ms=begin_ms, upto_ms=as_of_ms, sensors=[settings.rain.gauge]):
        fresh, derived = deriver.advance(fresh, batch)
        unheard.take(batch)
        flags = batch.of(settings.rain.gauge).quality
        is_heard |= bool(len(flags))
        if because is None and (flags != Quality.OK).any():
            because = f"for some of the time {quality_words(int(flags[flags != Quality.OK][-1]))}"
        for rows in derived.rain:
            day_mm += float(rows.rain_mm[rows.t_ms > day_ms].sum())
            hour_mm += float(rows.rain_mm[rows.t_ms > hour_ms].sum())
    if because is None and not is_heard:
        because = "nothing of the gauge was logged"
    elif because is None and len(unheard.stamps_ms(as_of_ms)):
        because = "for some of the time nothing was logged"
    intensity = state.gauge.intensity_mm_h
    last_ms = state.gauge.last_tip_ms
    if intensity is not None and last_ms is not None and as_of_ms > last_ms:
        # Since the last tip no other has come: it cannot have rained harder than one tip in that time.
        intensity = min(intensity, deriver.rain_per_tip_mm(as_of_ms) * _HOUR_MS / (as_of_ms - last_ms))
    storm = deriver.open_storm(state)
    if storm is not None and as_of_ms - storm.end_ms > settings.rain.storm_gap_s * 1000:
        storm = None
    return RainNow(str(day), day_mm, hour_mm, because is not None, because, intensity, last_ms, storm)


def _flow(
    settings: Settings,
    deriver: Deriver,
    state: State,
    as_of_ms: int,
    why_blind: Mapping[str, str | None],
    sick: Mapping[str, Sickness],
) -> FlowNow | None:
    if settings.pump is None or settings.pump.meter is None or state.meter is None:
        return None
    meter, run = state.meter, deriver.open_run(state)
    if run is not None and as_of_ms - run.end_ms > settings.pump.run_gap_s * 1000:
        run = None
    # A meter that counts too much is in doubt, not blind: in a fire a doubtful flow is better than none.
    doubt = sick[settings.pump.meter].because if settings.pump.meter in sick else None
    if settings.pump.meter in why_blind and doubt is None:
        return FlowNow(None, why_blind[settings.pump.meter], run)
    if meter.last_ms is None:
        return FlowNow(None, "the log has no reading of it", run)
    stopped = as_of_ms - meter.last_ms > _FLOW_OLD_MS
    return FlowNow(0.0 if stopped else meter.flow_l_min, doubt, run)
