"""The sheet of one storm: how much and how hard it rained, what came into the tanks, and what should have come."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rainstead import calc
from rainstead.calc.desk import (
    Answered,
    Bound,
    Catching,
    Estimate,
    GroupGain,
    Network,
    StormGains,
    Unknown,
    YieldFit,
    catchings,
    estimate,
    expected_gain,
    fit_yield,
    is_odd,
    lower_bound,
    peak_mm_h,
)
from rainstead.errors import RainsteadError
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.readings import F64, I64
from rainstead.settings import Settings

from .answer import Answer, head
from .rain import storms
from .stormgains import MeasuredStorm, StormRain, gains_of, measured_storms, shared_u_ratio

__all__ = ["NoStorm", "StormAnswer", "StormGroup", "StormPeak", "StormSeries", "StormTank", "storm"]

Progress = Callable[[int], None]
PEAKS_MIN = (5, 15, 30, 60)
_COMPARED_MS = 120 * 86_400_000
_AFTER_MS = 15 * 86_400_000
_NEAR_MS = 7 * 86_400_000
_SHOWN_MS = 3 * 3_600_000


class NoStorm(RainsteadError, LookupError):
    """There was no storm, or none at that time."""


@dataclass(frozen=True, slots=True)
class StormPeak:
    """Most rain of any so many minutes, as a rate."""

    window_min: int
    intensity_mm_h: Estimate


@dataclass(frozen=True, slots=True)
class StormTank:
    """One tank. gained_l = rise - moved - besides: carted and pumped water (moved), and what the tank would have done
    without the storm (besides), by `dry days`, `household` or `nothing`. direct_l: into its open mouth.
    """

    tank: str
    gained_l: Answered
    rise_l: float | None
    moved_l: float | None
    besides_l: float | None
    besides_by: str | None
    dry_days: int
    direct_l: float
    at_brim: bool


@dataclass(frozen=True, slots=True)
class StormGroup:
    """Tanks whose roofs can be told apart. roof_l: gained less direct.

    due_l: what the roofs' nominal figures make of this rain, less wetting_l and first_flush_l, which they lose first.
    share_ratio: roof_l over due_l. normal_l: what as much rain gives by the other storms around it, with the 95 %
    interval for one storm; is_odd: chance would hardly make it so.
    """

    name: str
    tanks: tuple[str, ...]
    gained_l: Answered
    direct_l: float | None
    roof_l: Answered
    because_bound: tuple[str, ...]
    yield_l_mm: Answered
    nominal_yield_l_mm: float
    due_l: float
    wetting_l: float
    first_flush_l: float
    share_ratio: Answered
    normal_l: Answered
    normal_storms: int
    normal_share_ratio: Answered
    is_odd: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StormAnswer(Answer):
    """One storm. rain_mm: undercatch put back (undercatch_mm of it). before_ms, after_ms: when the levels were read."""

    gauge: str
    storm: calc.Storm
    rain_mm: Estimate
    undercatch_mm: float
    duration_s: float
    dry_before_s: float | None
    peaks: tuple[StormPeak, ...]
    before_ms: int
    after_ms: int
    is_settled: bool
    tanks: tuple[StormTank, ...]
    no_sensor: tuple[str, ...]
    groups: tuple[StormGroup, ...]


@dataclass(frozen=True, slots=True)
class StormSeries:
    """For a picture: rain in even bins, and each tank's litres by the minute, from some hours before to some after."""

    bin_ms: int
    bins_ms: I64
    bins_mm: F64
    tanks: dict[str, tuple[I64, F64]]
    brims_l: dict[str, float]


def storm(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    *,
    from_ms: int | None = None,
    upto_ms: int | None = None,
    progress: Progress | None = None,
) -> tuple[StormAnswer, StormSeries]:
    """The newest storm, or the one of most rain between two times, else the nearest within a week.

    Raises NoGauge, NoStorm.
    """
    wanted = _wanted(settings, reader, as_of_ms, from_ms, upto_ms)
    evidence = gather(
        settings,
        reader,
        notes,
        from_ms=wanted.start_ms - _COMPARED_MS,
        upto_ms=min(as_of_ms, wanted.end_ms + _AFTER_MS),
        progress=progress,
    )
    measured = measured_storms(settings, evidence)
    found = [one for one in measured if one.storm.start_ms == wanted.start_ms]
    if not found:
        raise NoStorm("that storm began before anything of it was logged; ask for a later one (`rainstead storms`)")
    one = found[0]
    others = [other for other in measured if other is not one]
    assert evidence.rain is not None
    u_ratio = evidence.rain.u_ratio
    rain_mm = (
        lower_bound(one.rain.total_mm, one.rain.u_mm)
        if one.rain.is_at_least
        else estimate(one.rain.total_mm, one.rain.u_mm, floor=0.0)
    )
    answer = StormAnswer(
        **head(settings, reader, as_of_ms),
        gauge=evidence.rain.gauge,
        storm=one.storm,
        rain_mm=rain_mm,
        undercatch_mm=one.rain.missed_mm,
        duration_s=(one.storm.end_ms - one.storm.start_ms) / 1000,
        dry_before_s=one.dry_before_s,
        peaks=tuple(
            StormPeak(
                window_min,
                peak_mm_h(
                    one.rain.t_ms,
                    one.rain.rain_mm,
                    window_min * 60,
                    tip_mm=evidence.rain.depth_per_tip_mm,
                    u_ratio=u_ratio,
                ),
            )
            for window_min in PEAKS_MIN
        ),
        before_ms=one.window.before_ms,
        after_ms=one.window.after_ms,
        is_settled=one.window.still and one.storm.complete,
        tanks=tuple(_tank(evidence.network, one, name) for name in evidence.tanks),
        no_sensor=tuple(tank.name for tank in evidence.network.tanks if tank.name not in evidence.tanks),
        groups=tuple(_group(evidence, one, others, group, u_ratio) for group in catchings(evidence.network)),
    )
    return answer, _series(evidence, one)


def _wanted(
    settings: Settings, reader: ReadingSource, as_of_ms: int, from_ms: int | None, upto_ms: int | None
) -> calc.Storm:
    known = [line.storm for line in storms(settings, reader, as_of_ms).storms]
    if not known:
        raise NoStorm("the gauge has counted no rain up to then, so there is no storm to look at")
    if from_ms is None or upto_ms is None:
        return known[-1]
    inside = [one for one in known if one.start_ms <= upto_ms and one.end_ms >= from_ms]
    if inside:
        return max(inside, key=lambda one: one.rain_mm)

    def away_ms(one: calc.Storm) -> int:
        return max(one.start_ms - upto_ms, from_ms - one.end_ms)

    nearest = min(known, key=away_ms)
    if away_ms(nearest) > _NEAR_MS:
        raise NoStorm("there is no storm within a week of that time; `rainstead storms` lists them")
    return nearest


def _tank(network: Network, one: MeasuredStorm, name: str) -> StormTank:
    gain = one.gains[name]
    direct_l = network.tank(name).open_area_m2 * one.rain.total_mm
    if isinstance(gain, Unknown):
        return StormTank(name, gain, None, None, None, None, 0, direct_l, at_brim=False)
    u_l = math.hypot(gain.own_u_l, gain.shared_u_l)
    gained = lower_bound(gain.gain_l, u_l) if gain.at_brim else estimate(gain.gain_l, u_l)
    return StormTank(
        tank=name,
        gained_l=gained,
        rise_l=gain.rise_l,
        moved_l=gain.moved_l,
        besides_l=gain.besides_l,
        besides_by=gain.besides,
        dry_days=gain.dry_days,
        direct_l=direct_l,
        at_brim=gain.at_brim,
    )


def _group(
    evidence: Evidence, one: MeasuredStorm, others: list[MeasuredStorm], group: Catching, gauge_u_ratio: float
) -> StormGroup:
    gain, rain = one.groups[group.name], one.rain
    due_l = group.due_l(evidence.network, rain.total_mm)
    wetting_l, flush_l = _lost_first(evidence.network, group, rain.total_mm)
    normal, count = _normal(others, group, one, gauge_u_ratio)
    if isinstance(gain, Unknown) or gain.bound == Bound.AT_MOST:
        why: Answered = (
            gain if isinstance(gain, Unknown) else Unknown(f"{gain.because[0]}, so the rise is not of its roofs alone")
        )
        return StormGroup(
            name=group.name,
            tanks=group.tanks,
            gained_l=why,
            direct_l=None,
            roof_l=why,
            because_bound=(),
            yield_l_mm=why,
            nominal_yield_l_mm=group.yield_l_mm,
            due_l=due_l,
            wetting_l=wetting_l,
            first_flush_l=flush_l,
            share_ratio=why,
            normal_l=normal,
            normal_storms=count,
            normal_share_ratio=why,
            is_odd=None,
        )
    u_l = math.hypot(gain.own_u_l, gain.shared_u_l)
    roof = _told(gain, gain.roof_l, u_l)
    # Litres and millimetres of the same storm: the gauge errs in the second alone.
    per_mm: Answered = _over(gain, roof, rain.total_mm, rain.u_mm, "the gauge counted no rain")
    slope = group.yield_l_mm if due_l > 0 else 0.0
    nothing_due = "so little rain wets the roofs and no more"
    share: Answered = _over(gain, roof, due_l, slope * rain.u_mm, nothing_due)
    odd = None
    normal_share: Answered
    if not one.window.still:
        # Water that is still on its way would look like a blocked gutter.
        per_mm = share = normal_share = Unknown("the water had not come to rest")
    elif isinstance(normal, Estimate):
        normal_share = _over(gain, _told(gain, gain.roof_l, gain.own_u_l), normal.value, normal.u, nothing_due)
        odd = None if rain.is_at_least else is_odd(normal, gain.roof_l, gain.bound)
    else:
        normal_share = normal
    return StormGroup(
        name=group.name,
        tanks=group.tanks,
        gained_l=_told(gain, gain.gain_l, u_l),
        direct_l=gain.direct_l,
        roof_l=roof,
        because_bound=gain.because,
        yield_l_mm=per_mm,
        nominal_yield_l_mm=group.yield_l_mm,
        due_l=due_l,
        wetting_l=wetting_l,
        first_flush_l=flush_l,
        share_ratio=share,
        normal_l=normal,
        normal_storms=count,
        normal_share_ratio=normal_share,
        is_odd=odd,
    )


def _told(gain: GroupGain, value: float, u: float) -> Estimate:
    return lower_bound(value, u) if gain.bound == Bound.AT_LEAST else estimate(value, u)


def _over(gain: GroupGain, roof: Estimate, below: float, below_u: float, because: str) -> Answered:
    """A quotient with its uncertainty; none where what is below the line may be nothing."""
    if below <= 2 * below_u or below <= 0:
        return Unknown(because)
    value = roof.value / below
    return _told(gain, value, math.hypot(roof.u / below, value * below_u / below))


def _normal(
    others: list[MeasuredStorm], group: Catching, one: MeasuredStorm, gauge_u_ratio: float
) -> tuple[Answered, int]:
    """What as much rain gives by the other storms, and how many they were."""
    columns, _ = gains_of(others, group)
    fit = fit_yield(columns, shared_u_ratio=shared_u_ratio(others, group, gauge_u_ratio))
    if isinstance(fit, Unknown):
        return Unknown(f"of other storms, {fit.because}"), len(columns)
    return _expected(fit, columns, one.rain, one.groups[group.name]), len(columns)


def _expected(fit: YieldFit, columns: StormGains, rain: StormRain, gain: GroupGain | Unknown) -> Estimate:
    own_u_l = gain.own_u_l if isinstance(gain, GroupGain) else float(np.median(columns.gain_u_l))
    return expected_gain(fit, rain.total_mm, rain.own_u_mm, own_u_l)


def _lost_first(network: Network, group: Catching, rain_mm: float) -> tuple[float, float]:
    """Litres that the nominal roofs of a group keep to be wetted, and that their first flush turns away."""
    wetting_l = flush_l = 0.0
    for roof in network.roofs:
        share = math.fsum(part for to, part in roof.shares if to in group.tanks)
        wet_mm = min(roof.initial_loss_mm, rain_mm)
        wetting_l += share * roof.yield_l_mm * wet_mm
        flush_l += share * min(roof.first_flush_l, roof.yield_l_mm * (rain_mm - wet_mm))
    return wetting_l, flush_l


def _series(evidence: Evidence, one: MeasuredStorm) -> StormSeries:
    first_ms = one.storm.start_ms - _SHOWN_MS
    last_ms = min(max(one.storm.end_ms + _SHOWN_MS, one.window.after_ms), evidence.upto_ms)
    lasts_min = max(one.storm.end_ms - one.storm.start_ms, 1) / 60_000
    bin_ms = next((b for b in (5, 10, 15, 30, 60, 120, 180) if lasts_min / b <= 72), 360) * 60_000
    edges_ms = np.arange(first_ms // bin_ms, last_ms // bin_ms + 2, dtype=np.int64) * bin_ms
    bins_mm = np.histogram(one.rain.t_ms, bins=edges_ms, weights=one.rain.rain_mm)[0]
    levels = {name: tank.between(first_ms, last_ms) for name, tank in evidence.tanks.items()}
    return StormSeries(
        bin_ms=bin_ms,
        bins_ms=edges_ms[:-1],
        bins_mm=bins_mm,
        tanks={name: (some.t_ms, some.volume_l) for name, some in levels.items()},
        brims_l={name: evidence.network.tank(name).capacity_l for name in evidence.tanks},
    )
