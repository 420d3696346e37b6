"""One pump run looked at from three sides: the meter's pulses, the fall of its source, the rise of its receiver."""

import math
from dataclasses import dataclass, replace

import numpy as np

from rainstead.calc.arrays import F64, I64

from .agreement import Best, Measure, Part, best_of
from .estimate import Answered, Estimate, Unknown, estimate, lower_bound
from .explain import METER, RECEIVER, SOURCE, Findings, RunFacts, explain
from .fallfit import Fall, FallSpan, fall_fit
from .levels import LevelMean, TankMinutes
from .runwater import SideWater
from .steadyflow import FlowSpan, SteadyFlow, flow_span, steady_flow
from .tankchange import STILL_AFTER_MS, still_after, still_before, tank_change

__all__ = ["LeftOut", "MeterRows", "RunReview", "Side", "review_run"]


@dataclass(frozen=True, slots=True)
class MeterRows:
    """The meter's rows of one run: pulses from start_ms to t_ms, litres of them. u_ratio: of the K-factor, relative."""

    start_ms: I64
    t_ms: I64
    pulses: I64
    volume_l: F64
    k_per_l: float
    u_ratio: float


@dataclass(frozen=True, slots=True)
class Side:
    """One tank of the run. water: what came in by other ways (negative: left). floods: another tank ran over into it.

    still_l_h: what it lost an hour while the pump stood, if known.
    """

    minutes: TankMinutes
    water: tuple[SideWater, ...] = ()
    floods: str | None = None
    still_l_h: Estimate | None = None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A measure that gives no value, and why; at_least_l where it is a bound."""

    name: str
    because: str
    at_least_l: Estimate | None = None


@dataclass(frozen=True, slots=True)
class RunReview:
    """All that the run's data say.

    measures: those that give a value. best: their weighted value; without the odd one, where there is one, and wider
    where they disagree (is_widened). flow_l_min: the steady flow by the best value, own_flow_u_l_min that of its
    uncertainty which other runs do not share. mean_flow_l_min: over the whole run.
    """

    start_ms: int
    end_ms: int
    ends_u_s: float
    measures: tuple[Measure, ...]
    left_out: tuple[LeftOut, ...]
    best: Best | Unknown
    is_widened: bool
    findings: Findings
    steady: SteadyFlow | Unknown
    fall: Fall | Unknown
    flow_l_min: Answered
    own_flow_u_l_min: float
    mean_flow_l_min: Answered


def review_run(
    start_ms: int,
    end_ms: int,
    *,
    meter: MeterRows | None,
    source: Side | None,
    receiver: Side | None,
    free_from_ms: int,
    free_upto_ms: int,
    suction_l: float | None = None,
    rained: bool = False,
) -> RunReview:
    """Review the run from start_ms to end_ms, with no other run between free_from_ms and free_upto_ms.

    suction_l: litres in the source below which the pump draws air.
    """
    span = FlowSpan(start_ms, end_ms, 1.0)
    steady: SteadyFlow | Unknown = Unknown("there is no meter")
    fall: Fall | Unknown = Unknown("the source has no level")
    if meter is not None:
        by_pulses = flow_span(meter.start_ms, meter.t_ms, meter.pulses)
        span = span if isinstance(by_pulses, Unknown) else by_pulses
        steady = steady_flow(meter.start_ms, meter.t_ms, meter.pulses, meter.k_per_l, meter.u_ratio)
    if source is not None:
        fall = fall_fit(source.minutes, FallSpan(start_ms, end_ms, _fell_l(source.minutes, start_ms, end_ms)))
        if meter is None and isinstance(fall, Fall):
            span = FlowSpan(fall.start_ms, fall.end_ms, max(fall.start_u_s, fall.end_u_s))

    measures: list[Measure] = []
    left_out: list[LeftOut] = []
    if meter is None:
        left_out.append(LeftOut(METER, "there is no meter"))
    else:
        measures.append(_by_meter(meter))
    levels: dict[str, tuple[LevelMean, LevelMean]] = {}
    for name, side in ((SOURCE, source), (RECEIVER, receiver)):
        if side is None:
            continue
        told = _by_tank(name, side, span, free_from_ms, free_upto_ms)
        if isinstance(told, LeftOut):
            left_out.append(told)
        else:
            measures.append(told[0])
            levels[name] = told[1]

    facts = RunFacts(
        hours=max(span.end_ms - span.start_ms, 1) / 3_600_000,
        pulses=None if meter is None else int(meter.pulses.sum()),
        k_per_l=None if meter is None else meter.k_per_l,
        source_at_suction=suction_l is not None
        and SOURCE in levels
        and levels[SOURCE][1].volume_l < suction_l + 2 * levels[SOURCE][1].u_l,
        receiver_at_brim=any(one.name == RECEIVER and one.at_least_l is not None for one in left_out)
        or (RECEIVER in levels and levels[RECEIVER][1].at_brim),
        rained=rained,
        source_still_l_h=None if source is None else source.still_l_h,
        receiver_still_l_h=None if receiver is None else receiver.still_l_h,
    )
    findings = explain(measures, facts) if measures else Findings("nothing_measured", None, (), ())
    best, widened = _best(measures, findings)
    mean, flow, own_u = _flows(span, best, measures, steady, fall)
    return RunReview(
        start_ms=span.start_ms,
        end_ms=span.end_ms,
        ends_u_s=span.u_s,
        measures=tuple(measures),
        left_out=tuple(left_out),
        best=best,
        is_widened=widened,
        findings=findings,
        steady=steady,
        fall=fall,
        flow_l_min=flow,
        own_flow_u_l_min=own_u,
        mean_flow_l_min=mean,
    )


def _by_meter(meter: MeterRows) -> Measure:
    volume_l = float(np.sum(meter.volume_l))
    part_l = 1 / (meter.k_per_l * math.sqrt(6))
    return Measure(METER, volume_l, (Part("K-factor", volume_l * meter.u_ratio), Part("part pulses", part_l)))


def _by_tank(
    name: str, side: Side, span: FlowSpan, free_from_ms: int, free_upto_ms: int
) -> tuple[Measure, tuple[LevelMean, LevelMean]] | LeftOut:
    falls = name == SOURCE
    tank = side.minutes.tank
    first = still_before(side.minutes, span.start_ms, free_from_ms)
    last = still_after(side.minutes, span.end_ms, free_upto_ms)
    if isinstance(first, Unknown) or isinstance(last, Unknown):
        which = "before" if isinstance(first, Unknown) else "after"
        return LeftOut(name, f"{tank} has no good level of still water {which} the run")
    change = tank_change(name, tank, first, last, falls=falls)
    # Pumped = fall + what came in meanwhile; pumped = rise - what came in meanwhile.
    sign = 1.0 if falls else -1.0
    for water in side.water:
        parts = tuple(Part(part.name, sign * part.u) for part in water.parts)
        change = Measure(name, change.value + sign * water.volume_l, (*change.parts, *parts))
    bound = lower_bound(change.value, change.u)
    if falls and first.at_brim:
        return LeftOut(name, f"{tank} stood at its brim, so that more may have been in it than was seen", bound)
    if not falls and (last.at_brim or bool(side.minutes.between(span.start_ms, last.t_ms).at_brim.any())):
        return LeftOut(name, f"{tank} came to its brim, so that some may have spilt", bound)
    if side.floods is not None:
        because = f"{side.floods} may have run over into {tank} meanwhile"
        return LeftOut(name, because, bound if falls else None)
    return change, (first, last)


def _best(measures: list[Measure], findings: Findings) -> tuple[Best | Unknown, bool]:
    kept = [measure for measure in measures if measure.name != findings.odd]
    if not kept:
        return Unknown("neither the meter nor a tank gives litres"), False
    best = best_of(kept)
    if findings.verdict not in ("two_disagree", "none_agree") or best.estimate.u <= 0:
        return best, False
    # Where systematic errors differ the truth may lie with any of them, so that the scatter of the values counts, not
    # that of their mean.
    told = best.estimate
    apart = math.fsum(max(w, 0.0) * (m.value - told.value) ** 2 for (_, w), m in zip(best.weights, kept, strict=True))
    spread = math.sqrt(apart * len(kept) / (len(kept) - 1))
    return replace(best, estimate=estimate(told.value, math.hypot(told.u, spread))), True


def _flows(
    span: FlowSpan, best: Best | Unknown, measures: list[Measure], steady: SteadyFlow | Unknown, fall: Fall | Unknown
) -> tuple[Answered, Answered, float]:
    """Mean flow over the run, steady flow, and that part of its uncertainty which other runs do not share."""
    if isinstance(best, Unknown):
        return best, best, math.nan
    litres = best.estimate
    long_min = (span.end_ms - span.start_ms) / 60_000
    mean: Answered = Unknown("the run has no length")
    ends_u_min = span.u_s * math.sqrt(2) / 60
    if long_min > 0:
        rate = litres.value / long_min
        mean = estimate(rate, math.hypot(litres.u / long_min, rate * ends_u_min / long_min), floor=0.0)
    meter = next((measure for measure in measures if measure.name == METER), None)
    if meter is not None and meter.value > 0 and isinstance(steady, SteadyFlow):
        # The meter says when and how evenly; the best value says how much.
        flow = steady.flow_l_min.value * litres.value / meter.value
        relative = litres.u / litres.value if litres.value > 0 else 0.0
        minutes = (steady.upto_ms - steady.from_ms) / 60_000
        pulse = next(part.u for part in meter.parts if part.name == "part pulses") / minutes
        own = math.hypot(pulse, flow * _own_ratio(measures, best))
        return mean, estimate(flow, math.hypot(flow * relative, pulse), floor=0.0), own
    source = next((measure for measure in measures if measure.name == SOURCE), None)
    if meter is None and source is not None and isinstance(fall, Fall) and source.value > 0:
        # Chance as the slope has it; what the calibration and the air are off counts on top.
        shared = math.sqrt(math.fsum(p.u**2 for p in source.parts if not p.name.endswith(" noise")))
        flow, chance = fall.flow_l_min.value, fall.flow_l_min.u
        own = math.hypot(chance, flow * _own_ratio(measures, best))
        return mean, estimate(flow, math.hypot(chance, flow * shared / source.value), floor=0.0), own
    if isinstance(steady, Unknown) and meter is not None:
        return mean, steady, math.nan
    return mean, fall if isinstance(fall, Unknown) else Unknown("the source's fall gives no flow"), math.nan


_SHARED_BY_RUNS = ("K-factor", " calibration")


def _own_ratio(measures: list[Measure], best: Best) -> float:
    """Relative uncertainty of the best value by what is new in each run: noise, air, draw, rain; not calibrations."""
    if best.estimate.value <= 0:
        return 0.0
    weights = dict(best.weights)
    own: dict[str, float] = {}
    for measure in measures:
        for part in measure.parts:
            if not part.name.endswith(_SHARED_BY_RUNS):
                own[part.name] = own.get(part.name, 0.0) + weights.get(measure.name, 0.0) * part.u
    return math.sqrt(math.fsum(u * u for u in own.values())) / best.estimate.value


def _fell_l(minutes: TankMinutes, start_ms: int, end_ms: int) -> float:
    some = minutes.between(start_ms - 120_000, end_ms + STILL_AFTER_MS)
    return float(some.volume_l[0] - some.volume_l[-1]) if len(some.t_ms) else 0.0
