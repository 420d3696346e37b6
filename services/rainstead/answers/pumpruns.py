"""The pump runs of a site, each held against its tanks: what a run's sheet and the defence plan both stand on."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rainstead import calc
from rainstead.calc import desk
from rainstead.derive import meter_of, shape_in_force
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import read_notes
from rainstead.settings import Pump, Settings

from .pump import NoMeter

__all__ = ["ReviewedRun", "pump_of", "pumpable_l", "reviewed_runs", "runs_before", "usable_l"]

_HOUR_MS = 3_600_000
_BACK_MS = 180 * 24 * _HOUR_MS
"""Earlier runs are looked at for half a year back."""
_NOTE_AFTER_MS, _NOTE_BEFORE_MS = 12 * _HOUR_MS, 1 * _HOUR_MS
"""A note is of the run that ended up to half a day before it, or else of the one that begins within the hour."""
_STILL_MS = 4 * _HOUR_MS
_ASIDE_MS = desk.STILL_AFTER_MS + 2 * desk.STILL_FOR_MS


@dataclass(frozen=True, slots=True)
class ReviewedRun:
    """One run. nozzle, to: as noted, or by the settings; to is None where it went over ground. seen_by: meter; tank."""

    start_ms: int
    end_ms: int
    complete: bool
    seen_by: str
    nozzle: str | None
    to: str | None
    rain_mm: float
    review: desk.RunReview

    @property
    def hours(self) -> float:
        """How long water flowed."""
        return (self.review.end_ms - self.review.start_ms) / _HOUR_MS

    @property
    def flow(self) -> desk.RunFlow | None:
        """Its steady flow, for a trend; None where it had none."""
        told = self.review.flow_l_min
        own = self.review.own_flow_u_l_min
        if isinstance(told, desk.Unknown) or not math.isfinite(own):
            return None
        return desk.RunFlow(self.start_ms, told.value, own)

    @property
    def shared_u_ratio(self) -> float:
        """That part of its flow's relative uncertainty which is the same in all runs."""
        told = self.review.flow_l_min
        if isinstance(told, desk.Unknown) or told.value <= 0:
            return 0.0
        return math.sqrt(max(told.u**2 - self.review.own_flow_u_l_min**2, 0.0)) / told.value


def pump_of(settings: Settings) -> Pump:
    """The pump's table. Raises NoMeter where there is none."""
    if settings.pump is None:
        raise NoMeter("the settings have no [pump] table; add one to ask about pump runs")
    return settings.pump


def runs_before(
    settings: Settings, reader: ReadingSource, folder: Path, upto_ms: int, progress: Callable[[int], None] | None
) -> Evidence:
    """Everything of the half year before a time."""
    notes = read_notes(folder, upto_ms=upto_ms)
    return gather(settings, reader, notes, from_ms=upto_ms - _BACK_MS, upto_ms=upto_ms, progress=progress)


def reviewed_runs(settings: Settings, evidence: Evidence) -> tuple[ReviewedRun, ...]:
    """All runs in order of time: those of the meter, and those that only the source's level shows.

    The latter count where there is no meter, or where a note says that the pump ran.
    """
    pump = pump_of(settings)
    spans = _spans(pump, evidence)
    found = []
    for k, span in enumerate(spans):
        before_ms = spans[k - 1].end_ms + desk.STILL_AFTER_MS + 60_000 if k else evidence.from_ms
        after_ms = spans[k + 1].start_ms if k + 1 < len(spans) else evidence.upto_ms
        nozzle, to = _noted(pump, evidence, spans, k)
        found.append(_review(settings, pump, evidence, span, nozzle, to, before_ms, after_ms))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Seen:
    start_ms: int
    end_ms: int
    complete: bool
    by: str


def _spans(pump: Pump, evidence: Evidence) -> list[_Seen]:
    gap_ms = round(pump.run_gap_s * 1000)
    spans = [
        _Seen(run.start_ms, run.end_ms, run.complete or evidence.upto_ms - run.end_ms > gap_ms, "meter")
        for run in evidence.runs
        if run.end_ms > run.start_ms and run.start_ms > evidence.from_ms
    ]
    source = evidence.tanks.get(pump.source)
    if source is None:
        return spans
    noted = [note.t_ms for note in evidence.notes.run_notes]
    for fall in desk.steep_falls(source):
        if any(fall.start_ms < span.end_ms + _ASIDE_MS and span.start_ms < fall.end_ms + 60_000 for span in spans):
            continue
        is_noted = any(fall.start_ms - _NOTE_BEFORE_MS <= t_ms <= fall.end_ms + _NOTE_AFTER_MS for t_ms in noted)
        if pump.meter is None or is_noted:
            complete = evidence.upto_ms - fall.end_ms > _ASIDE_MS
            spans.append(_Seen(fall.start_ms, fall.end_ms, complete, "tank"))
    return sorted(spans, key=lambda span: span.start_ms)


def _noted(pump: Pump, evidence: Evidence, spans: list[_Seen], k: int) -> tuple[str | None, str | None]:
    """Nozzle and where to: of the notes that belong to this run, the newest that says it."""
    nozzle, to = None, pump.to
    for note in evidence.notes.run_notes:
        if _run_of(note.t_ms, spans) == k:
            nozzle = note.nozzle or nozzle
            to = note.to or to
    return nozzle, None if to == "ground" else to


def _run_of(t_ms: int, spans: list[_Seen]) -> int | None:
    begun = [k for k, span in enumerate(spans) if span.start_ms <= t_ms]
    if begun and t_ms - spans[begun[-1]].end_ms <= _NOTE_AFTER_MS:
        return begun[-1]
    coming = len(begun)
    if coming < len(spans) and spans[coming].start_ms - t_ms <= _NOTE_BEFORE_MS:
        return coming
    return None


def _review(
    settings: Settings,
    pump: Pump,
    evidence: Evidence,
    span: _Seen,
    nozzle: str | None,
    to: str | None,
    before_ms: int,
    after_ms: int,
) -> ReviewedRun:
    rain_mm, storm_mm = _rain_mm(evidence, span)
    sides = {
        name: _side(settings, evidence, name, span, before_ms, pumped_into=name == to, rain=(storm_mm, rain_mm))
        for name in (pump.source, to)
        if name is not None and name in evidence.tanks
    }
    review = desk.review_run(
        span.start_ms,
        span.end_ms,
        meter=_meter_rows(settings, evidence, span),
        source=sides.get(pump.source),
        receiver=None if to is None else sides.get(to),
        free_from_ms=before_ms,
        free_upto_ms=after_ms,
        suction_l=_litres_at(settings, pump.source, pump.suction_m, span.end_ms),
        rained=rain_mm > 0,
    )
    return ReviewedRun(span.start_ms, span.end_ms, span.complete, span.by, nozzle, to, rain_mm, review)


def _meter_rows(settings: Settings, evidence: Evidence, span: _Seen) -> desk.MeterRows | None:
    """The meter's rows of the run, by the K-factor that was in force."""
    counter, flow = meter_of(settings), evidence.flow
    if counter is None or flow is None:
        return None
    inside = (flow.t_ms > span.start_ms) & (flow.t_ms <= span.end_ms)
    period = int(calc.in_force(counter.since_ms, np.array([span.start_ms], dtype=np.int64))[0])
    k_per_l = counter.factor[period]
    pulses = flow.pulses[inside]
    return desk.MeterRows(
        start_ms=np.maximum(flow.start_ms[inside], span.start_ms),
        t_ms=flow.t_ms[inside],
        pulses=pulses,
        volume_l=pulses / k_per_l,
        k_per_l=k_per_l,
        u_ratio=counter.u_ratios[period],
    )


def _rain_mm(evidence: Evidence, span: _Seen) -> tuple[float, float]:
    """Rain between the two levels of still water, and rain of the same storm before that."""
    if evidence.rain is None:
        return 0.0, 0.0
    from_ms = span.start_ms - desk.STILL_FOR_MS
    upto_ms = span.end_ms + desk.STILL_AFTER_MS + desk.STILL_FOR_MS
    t_ms, rain_mm = evidence.rain.t_ms, evidence.rain.rain_mm
    during = float(rain_mm[(t_ms > from_ms) & (t_ms <= upto_ms)].sum())
    storm = next((one for one in evidence.storms if one.start_ms <= upto_ms and one.end_ms >= from_ms), None)
    before = 0.0 if storm is None else float(rain_mm[(t_ms >= storm.start_ms) & (t_ms <= from_ms)].sum())
    return during, before


def _side(
    settings: Settings,
    evidence: Evidence,
    name: str,
    span: _Seen,
    before_ms: int,
    *,
    pumped_into: bool,
    rain: tuple[float, float],
) -> desk.Side:
    storm_mm, rain_mm = rain
    minutes = evidence.tanks[name]
    water: list[desk.SideWater] = []
    rained = desk.rain_in(evidence.network, name, storm_mm, rain_mm)
    if rained is not None:
        water.append(rained)
    house = settings.household
    if house is not None and house.tank == name:
        hours = (span.end_ms - span.start_ms + desk.STILL_AFTER_MS + desk.STILL_FOR_MS) / _HOUR_MS
        water.append(desk.household_out(house.draw_l_day, house.draw_u_l_day, hours))
    from_ms = span.start_ms - desk.STILL_FOR_MS
    upto_ms = span.end_ms + desk.STILL_AFTER_MS + desk.STILL_FOR_MS
    for delivery in evidence.notes.deliveries:
        if delivery.tank == name and delivery.upto_ms > from_ms and delivery.from_ms < upto_ms:
            whole = max(delivery.upto_ms - delivery.from_ms, 1)
            part = (min(delivery.upto_ms, upto_ms) - max(delivery.from_ms, from_ms)) / whole
            part = min(max(part, 0.0), 1.0)
            u_l = math.hypot(part * delivery.volume_u_l, 0.0 if part in (0.0, 1.0) else 0.3 * delivery.volume_l)
            water.append(desk.SideWater(part * delivery.volume_l, (desk.Part(f"{name} delivery", u_l),)))
    return desk.Side(
        minutes=minutes,
        water=tuple(water),
        floods=_flooding(evidence, name, from_ms, upto_ms, rained=rain_mm > 0),
        still_l_h=None if pumped_into or rain_mm + storm_mm > 0 else _still(evidence, name, span, before_ms),
    )


def _flooding(evidence: Evidence, name: str, from_ms: int, upto_ms: int, *, rained: bool) -> str | None:
    """A tank at its brim that runs over into this one while it rains."""
    if not rained:
        return None
    for above, minutes in evidence.tanks.items():
        runs_down = above != name and name in evidence.network.chain(above)
        if runs_down and bool(minutes.between(from_ms, upto_ms).at_brim.any()):
            return above
    return None


def _still(evidence: Evidence, name: str, span: _Seen, before_ms: int) -> desk.Estimate | None:
    from_ms = max(before_ms, span.start_ms - _STILL_MS)
    if evidence.rain is not None:
        t_ms = evidence.rain.t_ms
        if bool(((t_ms > from_ms - 2 * _HOUR_MS) & (t_ms <= span.start_ms)).any()):
            return None
    return desk.still_loss_l_h(evidence.tanks[name], from_ms, span.start_ms)


def _litres_at(settings: Settings, tank: str, depth_m: float, t_ms: int) -> float:
    shape = shape_in_force(settings.tanks[tank], settings.site.time_zone, t_ms)
    return float(shape.volume_l(np.array([depth_m]))[0])


def pumpable_l(settings: Settings, evidence: Evidence, level: desk.LevelMean) -> desk.Answered:
    """Litres of the source above the pump's suction, or above its outlet where that is higher."""
    pump = pump_of(settings)
    tank = settings.tanks[pump.source]
    return _above(settings, pump.source, max(pump.suction_m, tank.outlet_m), evidence.upto_ms, level)


def usable_l(settings: Settings, evidence: Evidence, name: str, level: desk.LevelMean) -> desk.Answered:
    """Litres of a tank above its outlet."""
    return _above(settings, name, settings.tanks[name].outlet_m, evidence.upto_ms, level)


def _above(settings: Settings, name: str, depth_m: float, t_ms: int, level: desk.LevelMean) -> desk.Answered:
    below_l = _litres_at(settings, name, depth_m, t_ms)
    value = level.volume_l - below_l
    # Litres per depth count for the part above alone; the rest counts as it does for the whole.
    scale_u_l = level.scale_u_l * max(value, 0.0) / level.volume_l if level.volume_l > 0 else 0.0
    u_l = math.hypot(level.noise_u_l, level.zero_u_l, level.sound_u_l, scale_u_l)
    if level.at_brim:
        return desk.lower_bound(max(value, 0.0), u_l)
    told = desk.estimate(value, u_l)
    assert told.high is not None
    return desk.Estimate(max(value, 0.0), u_l, max(told.low, 0.0), max(told.high, 0.0))
