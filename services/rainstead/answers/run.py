"""One pump run's sheet: three measures of its litres, its flow, its fuel, and how it compares with earlier runs."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rainstead.calc import desk
from rainstead.errors import RainsteadError
from rainstead.evidence import Evidence
from rainstead.log import ReadingSource
from rainstead.settings import Pump, Settings
from rainstead.units import PRESSURE_KPA

from .answer import Answer, head
from .fuel import FuelUse, fuel_use
from .nozzles import alike, nozzle_lines
from .pumpruns import ReviewedRun, pump_of, pumpable_l, reviewed_runs, runs_before
from .runlines import CauseLine, LeftOutLine, MeasureLine, NozzleLine, PairLine, PartLine, RunPoint, RunWork
from .runwords import cause_words
from .typed import Refused, read_quantity

__all__ = ["NoRun", "RunAnswer", "run"]

_NEAR_MS = 12 * 3_600_000
_LEVEL_MS = 12 * 60_000


class NoRun(RainsteadError, ValueError):
    """There is no such pump run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAnswer(Answer):
    """A run's sheet. number: it is this run of `runs` in the half year before.

    verdict: agree; odd_one_out (odd names it); two_disagree; none_agree; one_alone; nothing_measured.
    trend: over runs at its setting up to it; alike_by: nozzle, or flow where nobody noted a nozzle.
    best_l is widened where the measures disagree, and leaves the odd one out.
    """

    number: int
    runs: int
    start_ms: int
    end_ms: int
    ends_u_s: float
    complete: bool
    seen_by: str
    duration_s: float
    source: str
    to: str | None
    nozzle: str | None
    rain_mm: float
    measures: tuple[MeasureLine, ...]
    left_out: tuple[LeftOutLine, ...]
    best_l: desk.Answered
    is_widened: bool
    verdict: str
    odd: str | None
    pairs: tuple[PairLine, ...]
    causes: tuple[CauseLine, ...]
    flow_l_min: desk.Answered
    mean_flow_l_min: desk.Answered
    warm_up_s: float | None
    spread_l_min: float | None
    trend_l_min_h: desk.Answered
    step_ms: int | None
    step_from_l_min: float | None
    step_to_l_min: float | None
    alike_by: str
    trend_runs: int
    trend_days: float | None
    trend_change_l_min: desk.Answered
    trend_change_ratio: desk.Answered
    trend_p: float | None
    trend_verdict: str
    nozzles: tuple[NozzleLine, ...]
    fuel: FuelUse
    water_above_suction_l: desk.Answered
    water_at_ms: int | None
    fuel_lasts_min: desk.Answered
    water_lasts_min: desk.Answered
    endurance_min: desk.Answered
    runs_out_first: str | None
    work: RunWork | None
    points: tuple[RunPoint, ...]


def run(
    settings: Settings,
    reader: ReadingSource,
    folder: Path,
    as_of_ms: int,
    *,
    from_ms: int | None = None,
    upto_ms: int | None = None,
    pressure: str | None = None,
    progress: Callable[[int], None] | None = None,
) -> RunAnswer:
    """The newest run that went on between two times, else the nearest within half a day; without times the newest.

    pressure: at the pump, as typed with its unit. Raises NoMeter, NoRun, Refused.
    """
    pump = pump_of(settings)
    pressure_kpa = None if pressure is None else read_quantity(pressure, PRESSURE_KPA, "--pressure")
    if pressure_kpa is not None and not 0 < pressure_kpa < 1e5:
        raise Refused(f"--pressure {pressure!r}: must be more than nothing, and what a pump can give")
    evidence = runs_before(settings, reader, folder, as_of_ms, progress)
    found = reviewed_runs(settings, evidence)
    k = _asked(found, pump, evidence, None if from_ms is None or upto_ms is None else (from_ms, upto_ms))
    return _sheet(settings, reader, pump, evidence, found, k, pressure_kpa)


def _asked(found: Sequence[ReviewedRun], pump: Pump, evidence: Evidence, wanted: tuple[int, int] | None) -> int:
    if not found:
        raise NoRun(_why_none(pump, evidence))
    if wanted is None:
        return len(found) - 1
    from_ms, upto_ms = wanted

    def away_ms(k: int) -> int:
        return max(found[k].start_ms - upto_ms, from_ms - found[k].end_ms, 0)

    k = min(reversed(range(len(found))), key=away_ms)
    if away_ms(k) > _NEAR_MS:
        raise NoRun("there is no pump run within half a day of that time; `rainstead pump` lists them")
    return k


def _why_none(pump: Pump, evidence: Evidence) -> str:
    if pump.meter is None:
        return (
            f"there is no pump run in the half year before: the site has no meter, and no fall of {pump.source} is "
            "steep enough for a pump"
        )
    counted = evidence.flow is not None and len(evidence.flow.t_ms) > 0
    if not counted:
        return f"there is no pump run in the half year before: the log has no report of {pump.meter}"
    return (
        f"there is no pump run in the half year before: {pump.meter} reported, but never a pulse. If the pump did run, "
        "look at the meter's cable, and note the run with `rainstead note run`"
    )


def _sheet(
    settings: Settings,
    reader: ReadingSource,
    pump: Pump,
    evidence: Evidence,
    found: Sequence[ReviewedRun],
    k: int,
    pressure_kpa: float | None,
) -> RunAnswer:
    one = found[k]
    review = one.review
    weights = {} if isinstance(review.best, desk.Unknown) else dict(review.best.weights)
    names = {desk.METER: pump.meter or "no meter", desk.SOURCE: pump.source, desk.RECEIVER: one.to or "ground"}
    said_k = _said_k(evidence, one)
    group, alike_by = alike(found[: k + 1], one)
    trend = desk.flow_trend([run.flow for run in group if run.flow is not None])
    steady = None if isinstance(review.steady, desk.Unknown) else review.steady
    fuel = fuel_use(settings, evidence.notes, found, k)
    level = _level_after(evidence, pump, one, is_newest=k == len(found) - 1)
    water = level if isinstance(level, desk.Unknown) else pumpable_l(settings, evidence, level)
    lasts = desk.endurance(None if pump.fuel is None else pump.fuel.tank_l, fuel.rate_l_h, water, review.flow_l_min)
    return RunAnswer(
        **head(settings, reader, evidence.upto_ms),
        number=k + 1,
        runs=len(found),
        start_ms=review.start_ms,
        end_ms=review.end_ms,
        ends_u_s=review.ends_u_s,
        complete=one.complete,
        seen_by=one.seen_by,
        duration_s=(review.end_ms - review.start_ms) / 1000,
        source=pump.source,
        to=one.to,
        nozzle=one.nozzle,
        rain_mm=one.rain_mm,
        measures=tuple(_measure_line(measure, names, weights) for measure in review.measures),
        left_out=_left_out(review, evidence, one, names),
        best_l=review.best if isinstance(review.best, desk.Unknown) else review.best.estimate,
        is_widened=review.is_widened,
        verdict=review.findings.verdict,
        odd=review.findings.odd,
        pairs=tuple(PairLine(p.first, p.second, p.difference, p.en, p.agrees) for p in review.findings.pairs),
        causes=tuple(
            CauseLine(c.what, cause_words(c, pump, one.to, said_k), c.size_l, c.ratio, c.in_u, c.right_k_per_l)
            for c in review.findings.causes
        ),
        flow_l_min=review.flow_l_min,
        mean_flow_l_min=review.mean_flow_l_min,
        warm_up_s=None if steady is None else steady.warm_up_s,
        spread_l_min=None if steady is None else steady.spread_l_min,
        trend_l_min_h=steady.trend_l_min_h if steady is not None else desk.Unknown(_because(review.steady)),
        step_ms=None if steady is None or steady.step is None else steady.step.t_ms,
        step_from_l_min=None if steady is None or steady.step is None else steady.step.before_l_min,
        step_to_l_min=None if steady is None or steady.step is None else steady.step.after_l_min,
        alike_by=alike_by,
        trend_runs=len(group),
        trend_days=None if isinstance(trend, desk.Unknown) else trend.days,
        trend_change_l_min=trend if isinstance(trend, desk.Unknown) else trend.change_l_min,
        trend_change_ratio=trend if isinstance(trend, desk.Unknown) else trend.change_ratio,
        trend_p=None if isinstance(trend, desk.Unknown) else trend.p,
        trend_verdict="not_enough" if isinstance(trend, desk.Unknown) else trend.verdict,
        nozzles=nozzle_lines(found),
        fuel=fuel,
        water_above_suction_l=water,
        water_at_ms=None if isinstance(level, desk.Unknown) else level.t_ms,
        fuel_lasts_min=lasts.fuel_min,
        water_lasts_min=lasts.water_min,
        endurance_min=lasts.first_min,
        runs_out_first=lasts.first,
        work=None if pressure_kpa is None else _work(pressure_kpa, review.flow_l_min, fuel.rate_l_h),
        points=_points(evidence, pump, one),
    )


def _because(told: desk.SteadyFlow | desk.Unknown) -> str:
    return told.because if isinstance(told, desk.Unknown) else ""


def _said_k(evidence: Evidence, one: ReviewedRun) -> float | None:
    """The K-factor that the meter's litres of this run were worked out by."""
    meter = next((m for m in one.review.measures if m.name == desk.METER), None)
    if evidence.flow is None or meter is None or meter.value <= 0:
        return None
    inside = (evidence.flow.t_ms > one.start_ms) & (evidence.flow.t_ms <= one.end_ms)
    return float(evidence.flow.pulses[inside].sum()) / meter.value


def _measure_line(measure: desk.Measure, names: dict[str, str], weights: dict[str, float]) -> MeasureLine:
    return MeasureLine(
        name=measure.name,
        by=names[measure.name],
        volume_l=measure.estimate,
        weight_ratio=weights.get(measure.name),
        parts=tuple(PartLine(part.name, abs(part.u)) for part in measure.parts),
    )


def _left_out(
    review: desk.RunReview, evidence: Evidence, one: ReviewedRun, names: dict[str, str]
) -> tuple[LeftOutLine, ...]:
    lines = [
        LeftOutLine(one_out.name, names[one_out.name], one_out.because, one_out.at_least_l)
        for one_out in review.left_out
    ]
    for name, tank in ((desk.SOURCE, names[desk.SOURCE]), (desk.RECEIVER, one.to)):
        if tank is not None and tank not in evidence.tanks:
            lines.append(LeftOutLine(name, tank, f"{tank} has no level sensor", None))
    return tuple(lines)


def _level_after(evidence: Evidence, pump: Pump, one: ReviewedRun, *, is_newest: bool) -> desk.LevelMean | desk.Unknown:
    """The source's newest level for the newest run, or its level after an older one."""
    minutes = evidence.tanks.get(pump.source)
    if minutes is None:
        return desk.Unknown(f"{pump.source} has no level sensor")
    if not len(minutes.t_ms):
        return desk.Unknown(f"there is no good level of {pump.source}")
    if is_newest:
        last_ms = int(minutes.t_ms[-1])
        return desk.level_mean(minutes, last_ms - _LEVEL_MS, last_ms)
    return desk.still_after(minutes, one.end_ms, evidence.upto_ms)


def _work(pressure_kpa: float, flow: desk.Answered, rate_l_h: desk.Answered) -> RunWork | None:
    if isinstance(flow, desk.Unknown):
        return None
    power_w = desk.water_power_w(flow.value, pressure_kpa)
    if isinstance(rate_l_h, desk.Unknown):
        return RunWork(pressure_kpa, power_w, rate_l_h, None)
    work = desk.quotient(
        desk.estimate(power_w / 1000, power_w / 1000 * math.hypot(flow.u / flow.value, 0.05)), rate_l_h
    )
    rating = None if isinstance(work, desk.Unknown) else desk.plant_rating_ratio(work.value)
    return RunWork(pressure_kpa, power_w, work, rating)


def _points(evidence: Evidence, pump: Pump, one: ReviewedRun) -> tuple[RunPoint, ...]:
    """A point a minute, from before the run to after it."""
    from_ms = (one.review.start_ms - desk.STILL_FOR_MS) // 60_000 * 60_000
    upto_ms = min(one.review.end_ms + desk.STILL_AFTER_MS + desk.STILL_FOR_MS, evidence.upto_ms)
    t_ms = np.arange(from_ms, upto_ms + 1, 60_000, dtype=np.int64)
    columns: dict[str, list[float | None]] = {}
    if evidence.flow is not None and pump.meter is not None:
        inside = (evidence.flow.t_ms > one.start_ms) & (evidence.flow.t_ms <= one.end_ms)
        rows_ms, passed = evidence.flow.t_ms[inside], np.cumsum(evidence.flow.volume_l[inside])
        at = np.searchsorted(rows_ms, t_ms, side="right")
        columns[desk.METER] = [float(passed[n - 1]) if n else 0.0 for n in at]
    for name, tank, sign in ((desk.SOURCE, pump.source, -1.0), (desk.RECEIVER, one.to, 1.0)):
        minutes = None if tank is None else evidence.tanks.get(tank)
        if minutes is None:
            continue
        some = minutes.between(from_ms - 1, upto_ms)
        before = some.volume_l[some.t_ms <= one.review.start_ms]
        if not len(before):
            continue
        by_time = dict(zip(some.t_ms.tolist(), (sign * (some.volume_l - np.mean(before))).tolist(), strict=True))
        columns[name] = [by_time.get(int(t)) for t in t_ms]
    none: list[float | None] = [None] * len(t_ms)
    return tuple(
        RunPoint(int(t), meter, source, receiver)
        for t, meter, source, receiver in zip(
            t_ms,
            columns.get(desk.METER, none),
            columns.get(desk.SOURCE, none),
            columns.get(desk.RECEIVER, none),
            strict=True,
        )
    )
