"""What the roofs give for each millimetre of rain, storm by storm over a time; odd storms, and a fall that lasts."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rainstead.calc.desk import (
    FALSE_ONE_IN,
    Answered,
    Bound,
    Catching,
    Estimate,
    LastingChange,
    StormGains,
    Unknown,
    YieldFit,
    catchings,
    change_at,
    expected_gain,
    fit_yield,
    is_odd,
    lasting_change,
)
from rainstead.errors import RainsteadError
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.settings import Settings

from .answer import Answer, head
from .rain import NoGauge
from .stormgains import MeasuredStorm, gains_of, measured_storms, shared_u_ratio

__all__ = ["NoRoofs", "NoSuchRoofs", "YieldAnswer", "YieldChange", "YieldCurve", "YieldGroup", "YieldStorm", "yields"]

Progress = Callable[[int], None]


class NoSuchRoofs(RainsteadError, LookupError):
    """There is no group of that name."""


class NoRoofs(RainsteadError, ValueError):
    """The settings have no roof that feeds a tank."""


@dataclass(frozen=True, slots=True)
class YieldStorm:
    """One storm of a group. bound: `exact`, `at_least`, `at_most`, or `unknown` with because.

    expected_l: by the other storms, with the 95 % interval for one storm; share_ratio: roof_l over it.
    """

    start_ms: int
    rain_mm: float
    roof_l: float | None
    roof_u_l: float | None
    bound: str
    because: str | None
    expected_l: Estimate | None
    share_ratio: float | None
    is_odd: bool


@dataclass(frozen=True, slots=True)
class YieldChange:
    """Since that storm the roofs give `ratio` of before; chance: how often the same storms, shuffled, show as much."""

    since_ms: int
    ratio: Estimate
    chance: float
    before_yield_l_mm: Estimate


@dataclass(frozen=True, slots=True)
class YieldGroup:
    """Tanks whose roofs can be told apart.

    yield_l_mm: as these instruments measure; true_yield_l_mm: with the errors that all storms share (depth per tip,
    litres per depth). Of the roofs as they are now, where they have changed. scatter_ratio: how storms differ beyond
    what measuring explains.
    """

    name: str
    tanks: tuple[str, ...]
    yield_l_mm: Answered
    true_yield_l_mm: Answered
    loss_mm: Answered
    nominal_yield_l_mm: float
    nominal_loss_mm: float
    share_ratio: Answered
    scatter_ratio: float | None
    exact_storms: int
    bound_storms: int
    left_out_storms: int
    change: YieldChange | None
    storms: tuple[YieldStorm, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldAnswer(Answer):
    """The site and its parts. false_change_one_in: so seldom a change is told of roofs that are as they were."""

    gauge: str
    from_ms: int
    false_change_one_in: int
    groups: tuple[YieldGroup, ...]

    def group(self, name: str) -> YieldGroup:
        """One of them. Raises NoSuchRoofs."""
        for one in self.groups:
            if one.name == name:
                return one
        names = ", ".join(one.name for one in self.groups)
        raise NoSuchRoofs(f"--group {name!r}: there are no such roofs; the groups are {names}")


@dataclass(frozen=True, slots=True)
class YieldCurve:
    """For a picture: what a group's fit expects over rain, with the 95 % interval for one storm."""

    rain_mm: tuple[float, ...]
    expected_l: tuple[float, ...]
    low_l: tuple[float, ...]
    high_l: tuple[float, ...]


def yields(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    *,
    from_ms: int,
    progress: Progress | None = None,
) -> tuple[YieldAnswer, dict[str, YieldCurve]]:
    """All storms that began after a time. Raises NoGauge, NoRoofs."""
    if settings.rain is None:
        raise NoGauge("the settings have no [rain] table with a gauge; add one to ask what a millimetre of rain gives")
    evidence = gather(settings, reader, notes, from_ms=from_ms, upto_ms=as_of_ms, progress=progress)
    return from_evidence(settings, reader, evidence, as_of_ms)


def from_evidence(
    settings: Settings, reader: ReadingSource, evidence: Evidence, as_of_ms: int
) -> tuple[YieldAnswer, dict[str, YieldCurve]]:
    """The same where the evidence is at hand."""
    groups = catchings(evidence.network)
    if not groups:
        raise NoRoofs("the settings have no [catchments] table whose shares name a tank; add the roofs that feed tanks")
    assert evidence.rain is not None
    measured = measured_storms(settings, evidence)
    # The smallest groups first: where a part has changed, what it belongs to has changed with it.
    found: dict[str, tuple[YieldGroup, YieldCurve | None]] = {}
    for group in sorted(groups, key=lambda group: len(group.tanks)):
        parts = [part for part, _ in found.values() if set(part.tanks) < set(group.tanks)]
        found[group.name] = _group(measured, group, evidence.rain.u_ratio, parts)
    told = [found[group.name] for group in groups]
    answer = YieldAnswer(
        **head(settings, reader, as_of_ms),
        gauge=evidence.rain.gauge,
        from_ms=evidence.from_ms,
        false_change_one_in=FALSE_ONE_IN,
        groups=tuple(group for group, _ in told),
    )
    return answer, {group.name: curve for group, curve in told if curve is not None}


def _group(
    measured: list[MeasuredStorm], group: Catching, gauge_u_ratio: float, parts: list[YieldGroup]
) -> tuple[YieldGroup, YieldCurve | None]:
    columns, places = gains_of(measured, group)
    shared = shared_u_ratio(measured, group, gauge_u_ratio)
    fit = fit_yield(columns, shared_u_ratio=shared)
    change = (
        None
        if isinstance(fit, Unknown)
        else lasting_change(columns, fit) or _of_a_part(measured, columns, places, parts)
    )
    now = fit if change is None else _since(columns, change, shared)
    lines = _storms(measured, group, columns, places, fit, change, now)
    exact = int(np.sum(columns.bound == Bound.EXACT))
    own: Answered
    true: Answered
    loss: Answered
    share: Answered
    if isinstance(now, Unknown):
        own = true = loss = share = now
    else:
        own, true, loss = now.yield_l_mm, now.yield_true_l_mm, now.loss_mm
        share = now.share_of(group.yield_l_mm)
    told = YieldGroup(
        name=group.name,
        tanks=group.tanks,
        yield_l_mm=own,
        true_yield_l_mm=true,
        loss_mm=loss,
        nominal_yield_l_mm=group.yield_l_mm,
        nominal_loss_mm=group.loss_mm,
        share_ratio=share,
        scatter_ratio=None if isinstance(now, Unknown) else now.scatter_ratio,
        exact_storms=exact,
        bound_storms=len(columns) - exact,
        left_out_storms=len(measured) - len(columns),
        change=None
        if change is None
        else YieldChange(
            measured[places[change.first]].storm.start_ms, change.ratio, change.chance, change.before.yield_l_mm
        ),
        storms=lines,
    )
    return told, None if isinstance(now, Unknown) else _curve(now, columns)


def _of_a_part(
    measured: list[MeasuredStorm], columns: StormGains, places: list[int], parts: list[YieldGroup]
) -> LastingChange | None:
    """A part's change that the whole does not show by itself."""
    for part in parts:
        if part.change is not None:
            since_ms = part.change.since_ms
            first = sum(measured[place].storm.start_ms < since_ms for place in places)
            return change_at(columns, first, part.change.chance, 0.0)
    return None


def _since(columns: StormGains, change: LastingChange, shared: float) -> YieldFit:
    """The roofs as they are now: by the storms since, or, where they are too few, the fit before times the ratio."""
    later = fit_yield(columns.take(slice(change.first, None)), shared_u_ratio=shared)
    return later if isinstance(later, YieldFit) else change.before.times(change.ratio)


def _storms(
    measured: list[MeasuredStorm],
    group: Catching,
    columns: StormGains,
    places: list[int],
    fit: YieldFit | Unknown,
    change: LastingChange | None,
    now: YieldFit | Unknown,
) -> tuple[YieldStorm, ...]:
    lines = []
    for k, one in enumerate(measured):
        gain = one.groups[group.name]
        if k not in places:
            lines.append(
                YieldStorm(
                    one.storm.start_ms, one.rain.total_mm, None, None, "unknown", _why_not(one, gain), None, None,
                    is_odd=False,
                )
            )  # fmt: skip
            continue
        row = places.index(k)
        assert not isinstance(gain, Unknown)
        expected, odd = None, False
        by = fit if change is None else change.before if row < change.first else now
        if isinstance(by, YieldFit):
            expected = expected_gain(by, one.rain.total_mm, one.rain.own_u_mm, gain.own_u_l)
            if change is None and is_odd(expected, gain.roof_l, gain.bound):
                # Held against the others alone: a storm must not excuse itself.
                others = fit_yield(columns.take(np.arange(len(columns)) != row))
                if isinstance(others, YieldFit):
                    expected = expected_gain(others, one.rain.total_mm, one.rain.own_u_mm, gain.own_u_l)
            odd = is_odd(expected, gain.roof_l, gain.bound)
        lines.append(
            YieldStorm(
                start_ms=one.storm.start_ms,
                rain_mm=one.rain.total_mm,
                roof_l=gain.roof_l,
                roof_u_l=gain.own_u_l,
                bound=gain.bound.name.lower(),
                because=gain.because[0] if gain.because else None,
                expected_l=expected,
                share_ratio=gain.roof_l / expected.value if expected is not None and expected.low > 0 else None,
                is_odd=odd,
            )
        )
    return tuple(lines)


def _why_not(one: MeasuredStorm, gain: object) -> str:
    if isinstance(gain, Unknown):
        return gain.because
    if one.rain.is_at_least:
        return "the gauge could not count for some of it"
    return "it is not over yet" if not one.storm.complete else "the water had not come to rest"


def _curve(fit: YieldFit, columns: StormGains) -> YieldCurve:
    most_mm = max(float(columns.rain_mm.max()) * 1.05, 5.0)
    rain_mm = [most_mm * k / 120 for k in range(121)]
    u_mm, u_l = float(np.median(columns.rain_u_mm)), float(np.median(columns.gain_u_l))
    points = [expected_gain(fit, mm, u_mm, u_l) for mm in rain_mm]
    highs = [point.high for point in points if point.high is not None]
    return YieldCurve(tuple(rain_mm), tuple(p.value for p in points), tuple(p.low for p in points), tuple(highs))
