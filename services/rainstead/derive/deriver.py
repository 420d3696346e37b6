"""The calculation for one site: readings in the log's order, all that follows from them out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead import alarms, calc
from rainstead.events import AlarmEvent
from rainstead.readings import F64, I64, U8, Batch, Quality
from rainstead.settings import OneWireProbe, Ranger, Settings, settings_digest

from .echoes import judged_echoes
from .plan import MeasuredTank, air_or_assumed, gauge_of, latest_max_age_ms, litres_of, measured, meter_of, rules
from .rows import Derived, FlowRows, LevelRows, RainRows, TemperatureRows
from .state import GaugeState, MeterState, State, TankNow, TankState

__all__ = ["AIR_MAX_AGE_MS", "CALCULATION", "Deriver"]

CALCULATION = 5
"""Raised when a change of code changes an answer: kept states of another number are not used."""

AIR_MAX_AGE_MS = 2 * 3_600_000
"""A probe's value stands for the air for this long."""
_ULTRASONIC_STEP_M = 0.001


@dataclass(frozen=True, slots=True)
class _Smoothed:
    """What alarms look at: the median of a few readings, and the brim where the sensor is blanked."""

    position: npt.NDArray[np.intp]
    t_ms: I64
    usable_l: F64


class Deriver:
    """The calculation for one site's settings. Has no memory of its own: that is in the State."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.digest = f"{CALCULATION}:{settings_digest(settings)}"
        self._probes = {
            name: sensor for name, sensor in sorted(settings.sensors.items()) if isinstance(sensor, OneWireProbe)
        }
        self.tanks = tuple(
            measured(name, tank, settings) for name, tank in sorted(settings.tanks.items()) if tank.sensor is not None
        )
        self.tank_names = tuple(tank.name for tank in self.tanks)
        self._gauge, self._meter = gauge_of(settings), meter_of(settings)
        reserve_tanks = () if settings.reserve is None else settings.reserve.tanks
        self._reserve_of = {name: position for position, name in enumerate(reserve_tanks)}
        self._overflow_rule, self._reserve_rule = rules(settings)
        self._latest_max_age_ms = latest_max_age_ms(self.tanks)

    def start(self) -> State:
        """The state before any reading."""
        n = len(self._reserve_of)
        return State(
            upto_ms=None,
            tanks=tuple(
                TankState(calc.HOLD_START, calc.BLIND_START, calc.MEDIAN_START, alarms.LIMIT_START, TankNow())
                for _ in self.tanks
            ),
            gauge=None if self._gauge is None else GaugeState(calc.TIP_START, calc.STORM_START),
            meter=None if self._meter is None else MeterState(calc.FLOW_START, calc.RUN_START),
            latest=calc.LatestState((None,) * n, (float("nan"),) * n),
            reserve=alarms.LIMIT_START,
            reserve_usable_l=None,
            temperatures=(),
        )

    def sensor_names(self) -> tuple[str, ...]:
        """Sensors whose readings this calculation uses."""
        names = [tank.sensor_name for tank in self.tanks] + list(self._probes)
        names += [counter.name for counter in (self._gauge, self._meter) if counter is not None]
        return tuple(names)

    def advance(self, state: State, batch: Batch) -> tuple[State, Derived]:
        """Take in readings, all later than those before, in the log's order; an empty batch changes nothing."""
        if not len(batch):
            return state, Derived()
        upto_ms = int(batch.t_ms[-1])
        temperatures = tuple(self._temperature_rows(name, batch) for name in self._probes)
        by_probe = {rows.sensor: rows for rows in temperatures}

        levels: list[LevelRows] = []
        events: list[AlarmEvent] = []
        tank_states: list[TankState] = []
        smoothed: dict[str, _Smoothed] = {}
        for tank, carried in zip(self.tanks, state.tanks, strict=True):
            fresh, rows, smooth, changes = self._tank(tank, carried, batch, by_probe)
            tank_states.append(fresh)
            levels.append(rows)
            smoothed[tank.name] = smooth
            events += changes

        latest, reserve, reserve_usable_l, changes = self._reserve(state, smoothed)
        events += changes
        gauge, rain, storms = self._rain(state.gauge, batch, upto_ms)
        meter, flow, runs = self._flow(state.meter, batch, upto_ms)
        fresh_state = State(
            upto_ms=upto_ms,
            tanks=tuple(tank_states),
            gauge=gauge,
            meter=meter,
            latest=latest,
            reserve=reserve,
            reserve_usable_l=reserve_usable_l,
            temperatures=_newest_temperatures(state.temperatures, temperatures),
        )
        derived = Derived(
            levels=tuple(levels),
            rain=() if rain is None else (rain,),
            flow=() if flow is None else (flow,),
            temperatures=temperatures,
            storms=tuple(storms),
            runs=tuple(runs),
            events=tuple(sorted(events, key=lambda e: (e.t_ms, e.alarm, e.subject))),
        )
        return fresh_state, derived

    def open_storm(self, state: State) -> calc.Storm | None:
        """The storm that has not ended yet by the newest reading."""
        if state.gauge is None or self._gauge is None:
            return None
        return calc.open_storm(state.gauge.storm, depth_per_tip_mm=self._gauge.factor, u_ratio=self._gauge.u_ratios)

    def open_run(self, state: State) -> calc.PumpRun | None:
        """The pump run that has not ended yet by the newest reading."""
        if state.meter is None or self._meter is None:
            return None
        return calc.open_run(state.meter.run, k_per_l=self._meter.factor, u_ratio=self._meter.u_ratios)

    def litres_at(self, tank: str, depth_m: float, t_ms: int) -> calc.TankLitres:
        """Litres at a depth of a measured tank, by the calibration in force at a time; arrays of one."""
        measured = self.tanks[self.tank_names.index(tank)]
        return litres_of(measured, np.array([t_ms], dtype=np.int64), np.array([depth_m]))[0]

    def rain_per_tip_mm(self, t_ms: int) -> float:
        """The gauge's depth per tip in force at a time; NaN without a gauge."""
        if self._gauge is None:
            return float("nan")
        return self._gauge.factor[int(calc.in_force(self._gauge.since_ms, np.array([t_ms], dtype=np.int64))[0])]

    # --- tanks -------------------------------------------------------------------------------------------------

    def _temperature_rows(self, name: str, batch: Batch) -> TemperatureRows:
        rows = batch.of(name)
        celsius = np.where(rows.quality == Quality.OK, rows.value, np.nan) + self._probes[name].offset_c
        return TemperatureRows(name, rows.t_ms, celsius)

    def _tank(
        self, tank: MeasuredTank, carried: TankState, batch: Batch, probes: dict[str, TemperatureRows]
    ) -> tuple[TankState, LevelRows, _Smoothed, list[AlarmEvent]]:
        mask = batch.sensor == batch.names.index(tank.sensor_name) if tank.sensor_name in batch.names else None
        position = np.flatnonzero(mask) if mask is not None else np.zeros(0, dtype=np.intp)
        t_ms, quality, raw_mm = batch.t_ms[position], batch.quality[position], batch.value[position]
        spread_mm = batch.spread[position]

        probe = probes.get(tank.ranger.air) if tank.ranger.air is not None else None
        nothing = np.zeros(0)
        air_state, held_c = calc.hold(
            carried.air,
            probe.t_ms if probe is not None else nothing.astype(np.int64),
            probe.temperature_c if probe is not None else nothing,
            t_ms,
            AIR_MAX_AGE_MS,
        )
        known_c = np.where((held_c < -20) | (held_c > 60), np.nan, held_c)
        air_c, air_u_c = air_or_assumed(tank.ranger, known_c)

        seen = (quality == Quality.OK) | (quality == Quality.NOISY)
        ullage_m = _ullage_m(tank.ranger, np.where(seen, raw_mm, np.nan), air_c)
        blind_state, quality = judged_echoes(tank.ranger, carried.blind, t_ms, raw_mm, ullage_m, quality)
        seen = (quality == Quality.OK) | (quality == Quality.NOISY)
        ullage_m = np.where(seen, ullage_m, np.nan)
        depth_m = calc.depth_m(tank.face_height_m, ullage_m)
        noise_u_m = calc.combine(
            calc.resolution_u(_ULTRASONIC_STEP_M), np.where(np.isnan(spread_mm), 0.0, spread_mm) * 0.001
        )
        # The sound-speed part scales with the gap; taken as shared, because the air drifts slowly.
        sound_u_m = ullage_m * calc.sound_u_ratio(air_c, air_u_c, tank.ranger.humidity_ratio)
        shared_u_m = calc.combine(tank.tank.face_height_u_m, tank.ranger.range_u_m, sound_u_m)
        depth_u_m = calc.combine(noise_u_m, shared_u_m)
        noise_u_m = np.where(seen, noise_u_m, np.nan)

        held, u_ratio = litres_of(tank, t_ms, depth_m)
        volume_u_l = calc.combine(held.l_per_m * depth_u_m, held.volume_l * u_ratio)
        rows = LevelRows(
            tank=tank.name,
            t_ms=t_ms,
            quality=quality,
            air_c=known_c,
            depth_m=depth_m,
            depth_u_m=depth_u_m,
            depth_noise_u_m=noise_u_m,
            volume_l=held.volume_l,
            volume_u_l=volume_u_l,
            volume_noise_u_l=held.l_per_m * noise_u_m,
            freeboard_l=held.freeboard_l,
            usable_l=held.usable_l,
        )
        median_state, steady_m = self._steady_depth(tank, carried.median, quality, depth_m)
        steady, _ = litres_of(tank, t_ms, steady_m)
        overflow, events = self._overflow(tank, carried.overflow, t_ms, steady.freeboard_l)
        fresh = TankState(air_state, blind_state, median_state, overflow, _tank_now(carried.now, rows))
        return fresh, rows, _Smoothed(position, t_ms, steady.usable_l), events

    def _steady_depth(
        self, tank: MeasuredTank, state: calc.MedianState, quality: U8, depth_m: F64
    ) -> tuple[calc.MedianState, F64]:
        """What alarms look at: the running median of good depths; the brim where the sensor is blanked.

        Settings keep the brim outside the blanking distance, so water that blanks the sensor is at the brim or above.
        """
        good = (quality == Quality.OK) & ~np.isnan(depth_m)
        state, median_m = calc.running_median(state, depth_m[good], tank.ranger.median_of)
        steady_m = np.full(len(depth_m), np.nan)
        steady_m[good] = median_m
        steady_m[quality == Quality.BLANKED] = tank.tank.brim_m
        return state, steady_m

    def _overflow(
        self, tank: MeasuredTank, state: alarms.LimitState, t_ms: I64, freeboard_l: F64
    ) -> tuple[alarms.LimitState, list[AlarmEvent]]:
        rule = self._overflow_rule
        if rule is None:
            return state, []
        state, changes = alarms.advance(state, rule, t_ms, freeboard_l)
        return state, [_event("overflow_risk", tank.name, "freeboard", rule, change) for change in changes]

    def _reserve(
        self, state: State, smoothed: dict[str, _Smoothed]
    ) -> tuple[calc.LatestState, alarms.LimitState, float | None, list[AlarmEvent]]:
        parts = [smoothed[name] for name in self._reserve_of if name in smoothed]
        if not parts:
            return state.latest, state.reserve, state.reserve_usable_l, []
        which = np.concatenate([np.full(len(part.t_ms), k, dtype=np.int64) for k, part in enumerate(parts)])
        order = np.argsort(np.concatenate([part.position for part in parts]), kind="stable")
        t_ms = np.concatenate([part.t_ms for part in parts])[order]
        usable_l = np.concatenate([part.usable_l for part in parts])[order]
        latest, total_l = calc.latest_sum(
            state.latest, t_ms, which[order], usable_l, len(parts), self._latest_max_age_ms
        )
        newest = state.reserve_usable_l
        if len(total_l):
            newest = None if np.isnan(total_l[-1]) else float(total_l[-1])
        rule = self._reserve_rule
        if rule is None:
            return latest, state.reserve, newest, []
        reserve, changes = alarms.advance(state.reserve, rule, t_ms, total_l)
        return latest, reserve, newest, [_event("low_reserve", "site", "usable water", rule, c) for c in changes]

    # --- rain and flow -----------------------------------------------------------------------------------------

    def _rain(
        self, state: GaugeState | None, batch: Batch, upto_ms: int
    ) -> tuple[GaugeState | None, RainRows | None, Sequence[calc.Storm]]:
        gauge, rain = self._gauge, self.settings.rain
        if gauge is None or state is None or rain is None:
            return state, None, ()
        all_rows = batch.of(gauge.name)
        rows = all_rows.take((all_rows.quality == Quality.OK) & ~np.isnan(all_rows.value))
        tips = rows.value.astype(np.int64)
        period = calc.in_force(gauge.since_ms, rows.t_ms)
        tip_state, rain_mm, intensity_mm_h = calc.tip_rows(state.tip, rows.t_ms, tips, np.array(gauge.factor)[period])
        storm_state, storms = calc.storms(
            state.storm,
            rows.t_ms,
            tips,
            period,
            upto_ms,
            depth_per_tip_mm=gauge.factor,
            u_ratio=gauge.u_ratios,
            gap_ms=round(rain.storm_gap_s * 1000),
        )
        tipped = np.flatnonzero(tips > 0)
        fresh = GaugeState(
            tip=tip_state,
            storm=storm_state,
            last_ms=int(all_rows.t_ms[-1]) if len(all_rows) else state.last_ms,
            last_quality=int(all_rows.quality[-1]) if len(all_rows) else state.last_quality,
            last_tip_ms=int(rows.t_ms[tipped[-1]]) if len(tipped) else state.last_tip_ms,
            intensity_mm_h=_number(intensity_mm_h[tipped[-1]]) if len(tipped) else state.intensity_mm_h,
        )
        return fresh, RainRows(gauge.name, rows.t_ms, tips, rain_mm, intensity_mm_h), storms

    def _flow(
        self, state: MeterState | None, batch: Batch, upto_ms: int
    ) -> tuple[MeterState | None, FlowRows | None, Sequence[calc.PumpRun]]:
        meter, pump = self._meter, self.settings.pump
        if meter is None or state is None or pump is None:
            return state, None, ()
        rows = batch.of(meter.name)
        rows = rows.take((rows.quality == Quality.OK) & ~np.isnan(rows.value))
        pulses = rows.value.astype(np.int64)
        period = calc.in_force(meter.since_ms, rows.t_ms)
        flow_state, start_ms, volume_l, flow_l_min = calc.flow_rows(
            state.flow, rows.t_ms, pulses, np.array(meter.factor)[period]
        )
        run_state, runs = calc.runs(
            state.run,
            rows.t_ms,
            pulses,
            period,
            upto_ms,
            k_per_l=meter.factor,
            u_ratio=meter.u_ratios,
            gap_ms=round(pump.run_gap_s * 1000),
        )
        fresh = MeterState(
            flow=flow_state,
            run=run_state,
            last_ms=int(rows.t_ms[-1]) if len(rows) else state.last_ms,
            flow_l_min=_number(flow_l_min[-1]) if len(rows) else state.flow_l_min,
        )
        return fresh, FlowRows(meter.name, start_ms, rows.t_ms, pulses, volume_l, flow_l_min), runs


def _ullage_m(ranger: Ranger, range_mm: F64, air_c: F64) -> F64:
    if ranger.compensation == "internal":
        return calc.ullage_compensated_m(range_mm, air_c, humidity_ratio=ranger.humidity_ratio)
    return calc.ullage_m(range_mm, air_c, assumed_air_c=ranger.assumed_air_c, humidity_ratio=ranger.humidity_ratio)


def _tank_now(before: TankNow, rows: LevelRows) -> TankNow:
    if not len(rows.t_ms):
        return before
    # A ragged burst may be any echo in the tank: the level before it stands until the next good one.
    good = np.flatnonzero(~np.isnan(rows.volume_l) & (rows.quality == Quality.OK))
    last = {"last_ms": int(rows.t_ms[-1]), "last_quality": int(rows.quality[-1])}
    if not len(good):
        return TankNow(
            before.t_ms,
            before.depth_m,
            before.depth_u_m,
            before.volume_l,
            before.volume_u_l,
            before.freeboard_l,
            before.usable_l,
            **last,
        )
    k = good[-1]
    return TankNow(
        t_ms=int(rows.t_ms[k]),
        depth_m=float(rows.depth_m[k]),
        depth_u_m=float(rows.depth_u_m[k]),
        volume_l=float(rows.volume_l[k]),
        volume_u_l=float(rows.volume_u_l[k]),
        freeboard_l=float(rows.freeboard_l[k]),
        usable_l=float(rows.usable_l[k]),
        **last,
    )


def _newest_temperatures(
    before: tuple[tuple[str, int, float], ...], fresh: Sequence[TemperatureRows]
) -> tuple[tuple[str, int, float], ...]:
    newest = {name: (name, t_ms, celsius) for name, t_ms, celsius in before}
    for rows in fresh:
        good = np.flatnonzero(~np.isnan(rows.temperature_c))
        if len(good):
            newest[rows.sensor] = (rows.sensor, int(rows.t_ms[good[-1]]), float(rows.temperature_c[good[-1]]))
    return tuple(newest[name] for name in sorted(newest))


def _event(alarm: str, subject: str, what: str, rule: alarms.LimitRule, change: alarms.Change) -> AlarmEvent:
    if change.active:
        state, limit = "active_unacknowledged", rule.limit
        reason = f"{what} {change.value:.0f} L, at or under {limit:.0f} L for {rule.on_delay_ms / 1000:.0f} s"
    else:
        state, limit = "normal", rule.limit + rule.deadband
        reason = f"{what} {change.value:.0f} L, at or over {limit:.0f} L for {rule.off_delay_ms / 1000:.0f} s"
    return AlarmEvent(change.t_ms, alarm, subject, state, change.value, limit, "L", reason)


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
