"""Reads the log through the shared calculation once and keeps what desk questions need."""

from collections.abc import Callable

import numpy as np

from rainstead import calc
from rainstead.derive import Deriver, FlowRows, RainRows, gauge_of, meter_of
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.readings import F64, I64
from rainstead.replay import resume
from rainstead.settings import Settings

from .minutes import MinuteFold
from .rows import Evidence, FlowEvidence, RainEvidence, TemperatureMinutes
from .unheard import Unheard
from .water import network_of

__all__ = ["gather"]

Progress = Callable[[int], None]
_NO_TIMES = np.zeros(0, dtype=np.int64)


def gather(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    *,
    from_ms: int,
    upto_ms: int,
    progress: Progress | None = None,
    size: int = 200_000,
) -> Evidence:
    """Everything with from_ms < t_ms <= upto_ms, and the storms and runs that ended in that time or may go on."""
    deriver = Deriver(settings)
    folds = {tank.name: MinuteFold(tank) for tank in deriver.tanks}
    rain: list[RainRows] = []
    flow: list[FlowRows] = []
    temperatures: dict[str, list[tuple[I64, F64]]] = {}
    unheard = None if settings.rain is None else Unheard(settings.rain.gauge, reader)
    storms: list[calc.Storm] = []
    runs: list[calc.PumpRun] = []
    state = resume(reader, deriver, upto_ms=from_ms)
    for batch in reader.batches(after_ms=state.upto_ms, upto_ms=upto_ms, size=size):
        state, derived = deriver.advance(state, batch)
        for levels in derived.levels:
            folds[levels.tank].add(levels, from_ms)
        rain += derived.rain
        flow += derived.flow
        storms += [storm for storm in derived.storms if storm.end_ms > from_ms]
        runs += [run for run in derived.runs if run.end_ms > from_ms]
        for probe in derived.temperatures:
            good = ~np.isnan(probe.temperature_c) & (probe.t_ms > from_ms)
            temperatures.setdefault(probe.sensor, []).append((probe.t_ms[good], probe.temperature_c[good]))
        if unheard is not None:
            unheard.take(batch)
        if progress is not None:
            progress(len(batch))
    storm, run = deriver.open_storm(state), deriver.open_run(state)
    return Evidence(
        from_ms=from_ms,
        upto_ms=upto_ms,
        network=network_of(settings, upto_ms),
        tanks={name: fold.finish() for name, fold in folds.items()},
        rain=_rain(settings, rain, unheard, from_ms, upto_ms),
        storms=(*storms, *([] if storm is None else [storm])),
        flow=_flow(settings, flow, from_ms, upto_ms),
        runs=(*runs, *([] if run is None else [run])),
        temperatures={
            name: TemperatureMinutes(
                name, np.concatenate([t for t, _ in parts]), np.concatenate([value for _, value in parts])
            )
            for name, parts in temperatures.items()
        },
        notes=notes,
    )


def _rain(
    settings: Settings, parts: list[RainRows], unheard: Unheard | None, from_ms: int, upto_ms: int
) -> RainEvidence | None:
    counter = gauge_of(settings)
    if counter is None or unheard is None:
        return None
    period = _in_force(counter.since_ms, upto_ms)
    deaf_ms = unheard.stamps_ms()
    t_ms = np.concatenate([rows.t_ms for rows in parts] or [_NO_TIMES])
    tips = np.concatenate([rows.tips for rows in parts] or [_NO_TIMES])
    rain_mm = np.concatenate([rows.rain_mm for rows in parts] or [np.zeros(0)])
    tipped = (tips > 0) & (t_ms > from_ms)
    return RainEvidence(
        gauge=counter.name,
        t_ms=t_ms[tipped],
        tips=tips[tipped],
        rain_mm=rain_mm[tipped],
        depth_per_tip_mm=counter.factor[period],
        u_ratio=counter.u_ratios[period],
        dead_time_s=counter.dead_times_s[period],
        deaf_ms=deaf_ms[deaf_ms > from_ms],
    )


def _flow(settings: Settings, parts: list[FlowRows], from_ms: int, upto_ms: int) -> FlowEvidence | None:
    counter = meter_of(settings)
    if counter is None:
        return None
    period = _in_force(counter.since_ms, upto_ms)
    t_ms = np.concatenate([rows.t_ms for rows in parts] or [_NO_TIMES])
    later = t_ms > from_ms
    return FlowEvidence(
        meter=counter.name,
        start_ms=np.concatenate([rows.start_ms for rows in parts] or [_NO_TIMES])[later],
        t_ms=t_ms[later],
        pulses=np.concatenate([rows.pulses for rows in parts] or [_NO_TIMES])[later],
        volume_l=np.concatenate([rows.volume_l for rows in parts] or [np.zeros(0)])[later],
        flow_l_min=np.concatenate([rows.flow_l_min for rows in parts] or [np.zeros(0)])[later],
        k_per_l=counter.factor[period],
        u_ratio=counter.u_ratios[period],
    )


def _in_force(since: tuple[int, ...], at_ms: int) -> int:
    return int(calc.in_force(since, np.array([at_ms], dtype=np.int64))[0])
