"""What the rain that is expected will do, and what to pump where before it comes."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from rainstead.calc.desk import (
    Answered,
    Cascade,
    Estimate,
    Feed,
    Move,
    MovePlan,
    Network,
    PumpReach,
    RainExpected,
    SpillOutlook,
    TankFit,
    Unknown,
    cascade_of,
    coming_l,
    estimate,
    feeds_of,
    plan_moves,
    spill_outlook,
)
from rainstead.derive import Deriver
from rainstead.evidence import network_of
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.readings import F64
from rainstead.settings import Settings

from .answer import Answer, head
from .pump import pump
from .rainahead import RainAhead
from .rooms import Room, rooms

__all__ = ["TransferAnswer", "TransferMove", "TransferPlan", "TransferTank", "transfer"]

Progress = Callable[[int], None]
_LITRE = 1.0
_RUNS = 5
_SHORTEST_RUN_S = 120.0


@dataclass(frozen=True, slots=True)
class TransferTank:
    """One tank before and after the rain. coming_l: from roofs and sky, with all that is uncertain.

    over_likely_l, over_high_l: what runs over its brim at the likely and at the high rain, into `runs_into` or to
    nobody; None where its level is not known. yield_is_fitted: its roof's yield is a fit, not the settings' nominal.
    """

    name: str
    state: str
    because: str | None
    volume_l: float | None
    freeboard_l: Answered
    coming_l: Estimate
    over_likely_l: float | None
    over_high_l: float | None
    over_ratio: float | None
    runs_into: str | None
    yield_is_fitted: bool


@dataclass(frozen=True, slots=True)
class TransferMove:
    """Pump so many litres; for how long, and on how much fuel."""

    source: str
    to: str
    volume_l: float
    minutes: Answered
    fuel_l: Answered


@dataclass(frozen=True, slots=True)
class TransferPlan:
    """The smallest transfer for one depth of rain that is still to come.

    verdict: nothing_lost, transfer, partly, no_help. because: why all of it, or some, is lost whatever is pumped.
    lost_ratio_after: the probability that more than a litre is lost even so, over all that the rain may be.
    """

    rain_is: str
    rain_mm: float
    verdict: str
    because: str | None
    moves: tuple[TransferMove, ...]
    lost_before_l: float
    lost_after_l: float
    lost_ratio_after: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class TransferAnswer(Answer):
    """lost_l, lost_ratio: with nothing pumped. unknown: tanks whose level nobody knows, and why: what runs into them
    is not followed further. because: why there is no answer at all; then there are no plans."""

    rain: RainAhead
    tanks: tuple[TransferTank, ...]
    unknown_tanks: tuple[str, ...]
    lost_l: Answered
    lost_ratio: Answered
    flow_l_min: Answered
    because: str | None
    plans: tuple[TransferPlan, ...]


@dataclass(frozen=True, slots=True)
class _Question:
    network: Network
    cascade: Cascade
    feeds: tuple[Feed, ...]
    mouths_m2: F64
    volume_l: F64
    room_u_l: F64
    rain: RainExpected

    def outlook(self, moves: tuple[Move, ...] = ()) -> SpillOutlook:
        return spill_outlook(self.cascade, self.feeds, self.mouths_m2, self.volume_l, self.room_u_l, self.rain, moves)

    def coming(self, rain_mm: float) -> F64:
        return coming_l(self.cascade, self.feeds, self.mouths_m2, rain_mm)

    def over(self, rain_mm: float) -> F64:
        return np.asarray(self.cascade.settle((self.volume_l + self.coming(rain_mm))[:, np.newaxis])[1][:, 0])


def transfer(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    rain: RainAhead,
    *,
    fitted: Mapping[str, TankFit] | None = None,
    progress: Progress | None = None,
) -> TransferAnswer:
    """Advice from the levels at a time. fitted: yields measured or typed, by tank, in place of the settings'."""
    deriver = Deriver(settings)
    held = rooms(settings, reader, deriver, as_of_ms, progress=progress)
    network = network_of(settings, as_of_ms)
    unknown = tuple(name for name, room in held.items() if isinstance(room.freeboard_l, Unknown))
    cascade = cascade_of(network, unknown)
    known = [(room.level.volume_l, room.freeboard_l) for room in held.values()]
    question = _Question(
        network=network,
        cascade=cascade,
        feeds=feeds_of(network, fitted),
        mouths_m2=np.array([tank.open_area_m2 for tank in network.tanks]),
        volume_l=np.array([0.0 if isinstance(room, Unknown) or litres is None else litres for litres, room in known]),
        room_u_l=np.array([room.u if isinstance(room, Estimate) else 0.0 for _, room in known]),
        rain=rain.expected,
    )
    outlook = question.outlook()
    flow = _flow(settings, reader, notes, as_of_ms)
    because = None
    if len(unknown) == len(held):
        because = "no tank's level is known; " + "; ".join(f"{name}: {held[name].level.because}" for name in unknown)
    elif not question.feeds and not question.mouths_m2.any():
        because = "the settings have no roof and no open tank for rain to fall on; add a [catchments] table"
    plans: tuple[TransferPlan, ...] = ()
    if because is None:
        reach = _reach(settings, deriver, held, as_of_ms)
        told = question.rain
        depths = [("likely", told.likely_mm)] + ([] if told.is_one_figure else [("high", told.high_mm)])
        plans = tuple(_plan(settings, question, reach, flow, is_, mm) for is_, mm in depths)
    return TransferAnswer(
        **head(settings, reader, as_of_ms),
        rain=rain,
        tanks=_tanks(question, held, outlook, set() if fitted is None else set(fitted)),
        unknown_tanks=unknown,
        lost_l=outlook.lost_l if because is None else Unknown(because),
        lost_ratio=_ratio(outlook) if because is None else Unknown(because),
        flow_l_min=flow,
        because=because,
        plans=plans,
    )


def _tanks(
    question: _Question, held: Mapping[str, Room], outlook: SpillOutlook, fitted: set[str]
) -> tuple[TransferTank, ...]:
    likely, high = question.over(question.rain.likely_mm), question.over(question.rain.high_mm)
    lines = []
    for row, (name, room) in enumerate(held.items()):
        is_known = not isinstance(room.freeboard_l, Unknown)
        lines.append(
            TransferTank(
                name=name,
                state=room.level.state,
                because=room.level.because,
                volume_l=room.level.volume_l,
                freeboard_l=room.freeboard_l,
                coming_l=outlook.coming_l[name],
                over_likely_l=float(likely[row]) if is_known else None,
                over_high_l=float(high[row]) if is_known else None,
                over_ratio=outlook.over_ratio[name] if is_known else None,
                runs_into=question.network.below(name),
                yield_is_fitted=name in fitted,
            )
        )
    return tuple(lines)


def _ratio(outlook: SpillOutlook) -> Estimate:
    u = outlook.lost_u_ratio
    return Estimate(
        outlook.lost_ratio, u, max(outlook.lost_ratio - 1.96 * u, 0.0), min(outlook.lost_ratio + 1.96 * u, 1.0)
    )


def _reach(settings: Settings, deriver: Deriver, held: Mapping[str, Room], as_of_ms: int) -> PumpReach | Unknown:
    """What the pump may do, or why it can do nothing."""
    pump_ = settings.pump
    if pump_ is None:
        return Unknown("the settings have no [pump]")
    if isinstance(held[pump_.source].freeboard_l, Unknown):
        return Unknown(f"the level of {pump_.source}, which the pump draws from, is not known")
    others = [name for name in held if name not in (pump_.source, pump_.to)]
    to = [name for name in ([pump_.to] if pump_.to else []) + others if isinstance(held[name].freeboard_l, Estimate)]
    if not to:
        return Unknown(f"no tank but {pump_.source} has a level that is known")
    reserve = settings.reserve
    usable_l = 0.0 if reserve is None else math.fsum(held[name].level.usable_l or 0.0 for name in reserve.tanks)
    return PumpReach(
        source=pump_.source,
        floor_l=float(deriver.litres_at(pump_.source, pump_.suction_m, as_of_ms).volume_l[0]),
        to=tuple(to),
        reserve=() if reserve is None else reserve.tanks,
        spare_l=math.inf if reserve is None else max(usable_l - reserve.fire_l, 0.0),
    )


def _plan(
    settings: Settings, question: _Question, reach: PumpReach | Unknown, flow: Answered, rain_is: str, rain_mm: float
) -> TransferPlan:
    into_l = question.coming(rain_mm)
    able = None if isinstance(reach, Unknown) else reach
    plan = plan_moves(question.cascade, question.volume_l, into_l, rain_mm, able)
    verdict, because = "nothing_lost", None
    if plan.lost_after_l > _LITRE:
        verdict = "partly" if plan.moves else "no_help"
        because = reach.because if isinstance(reach, Unknown) else _hindrance(question, into_l, plan, reach)
    elif plan.moves:
        verdict = "transfer"
    return TransferPlan(
        rain_is=rain_is,
        rain_mm=rain_mm,
        verdict=verdict,
        because=because,
        moves=tuple(_costed(settings, move, flow) for move in plan.moves),
        lost_before_l=plan.lost_before_l,
        lost_after_l=plan.lost_after_l,
        lost_ratio_after=_ratio(question.outlook(plan.moves)),
    )


def _hindrance(question: _Question, into_l: F64, plan: MovePlan, reach: PumpReach) -> str:
    """What keeps a plan from saving the rest, found by letting one limit go at a time."""

    def would_lose_l(other: PumpReach) -> float:
        return plan_moves(question.cascade, question.volume_l, into_l, plan.rain_mm, other).lost_after_l

    if would_lose_l(replace(reach, spare_l=math.inf)) < plan.lost_after_l - _LITRE:
        return f"more would have to leave {reach.source}, which holds fire reserve"
    if would_lose_l(replace(reach, floor_l=0.0)) < plan.lost_after_l - _LITRE:
        return f"{reach.source} is at the pump's suction then"
    at_source = set(question.network.chain(reach.source))
    lost_at = [
        name
        for row, name in enumerate(question.cascade.names)
        if question.cascade.below[row] < 0 and question.over(plan.rain_mm)[row] > _LITRE
    ]
    if at_source.isdisjoint(lost_at):
        return f"it is lost from {', '.join(lost_at)}, and the pump draws from {reach.source}"
    return "no tank that the pump can fill has room beyond its own rain"


def _costed(settings: Settings, move: Move, flow: Answered) -> TransferMove:
    if isinstance(flow, Unknown):
        return TransferMove(move.source, move.to, move.volume_l, flow, flow)
    minutes = move.volume_l / flow.value
    time = estimate(minutes, minutes * flow.u / flow.value, floor=0.0)
    fuel: Answered = Unknown("the settings have no pump.fuel")
    if settings.pump is not None and settings.pump.fuel is not None:
        litres = minutes / 60 * settings.pump.fuel.rate_l_h
        fuel = estimate(litres, litres * flow.u / flow.value, floor=0.0)
    return TransferMove(move.source, move.to, move.volume_l, time, fuel)


def _flow(settings: Settings, reader: ReadingSource, notes: Notes, as_of_ms: int) -> Answered:
    """What the pump moves: the last few whole runs into a tank where the notebook tells of such, else of all runs.

    The uncertainty is that of a run to come: the spread between runs, and what the meter's K-factor leaves open.
    """
    if settings.pump is None or settings.pump.meter is None:
        return Unknown("the pump has no flow meter")
    whole = [
        line.run
        for line in pump(settings, reader, as_of_ms).runs
        if line.run.complete and line.duration_s >= _SHORTEST_RUN_S and line.run.flow_l_min > 0
    ]
    into_tanks = [note.t_ms for note in notes.run_notes if note.to in settings.tanks]
    noted = [run for run in whole if any(run.start_ms <= t_ms <= run.end_ms for t_ms in into_tanks)]
    runs = (noted or whole)[-_RUNS:]
    if not runs:
        return Unknown(f"no whole pump run of {_SHORTEST_RUN_S / 60:.0f} minutes or more is in the log")
    flows = np.array([run.flow_l_min for run in runs])
    shared = max(run.flow_u_l_min / run.flow_l_min for run in runs) * float(flows.mean())
    spread = float(np.std(flows, ddof=1)) * math.sqrt(1 + 1 / len(flows)) if len(flows) > 1 else 0.0
    return estimate(float(flows.mean()), math.hypot(shared, spread), floor=0.0)
