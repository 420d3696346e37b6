"""What another tank, more roof, a cover or a smaller draw would have done over past rain."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from rainstead.calc.desk import (
    Answered,
    Estimate,
    Network,
    OptionResult,
    Site,
    Unknown,
    WorkOption,
    simulate_options,
)
from rainstead.evidence import network_of
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.rainfiles import RainRecord
from rainstead.readings import F64
from rainstead.settings import Settings

from .answer import Answer, head
from .dryfalls import dry_falls
from .typed import Refused

__all__ = ["SizingAnswer", "SizingLine", "SizingPoint", "SizingRecord", "SizingResult", "sizing"]

Progress = Callable[[int], None]
_YEAR_DAYS = 365.25
_MONTH_DAYS = 30.4375
_CURVE_POINTS = 25


@dataclass(frozen=True, slots=True)
class SizingRecord:
    """The rain that the site was run over: whole years, every day of them known."""

    source: str
    first_day: str
    last_day: str
    days: int
    rain_mm_year: float


@dataclass(frozen=True, slots=True)
class SizingResult:
    """An option over the record, by one of the two rules for a day's order.

    supply_ratio: litres got of litres wanted; days_ratio: days that had all that was wanted. kept_l_year: litres a year
    to use or to hold that the site as it is would not have had; None where the draw is another.
    """

    days_short: int
    longest_short_days: int
    supplied_l_year: float
    spilt_l_year: float
    evaporated_l_year: float
    supply_ratio: float
    days_ratio: float
    kept_l_year: float | None
    cost_per_kl: Answered


@dataclass(frozen=True, slots=True)
class SizingLine:
    """One thing to do. after: the house draws before the day's rain has come, and the rain spills before it has drawn
    (yield after spillage, the careful figure); before: the other way round (yield before spillage)."""

    name: str
    tank_l: float
    roof_m2: float
    cover: bool
    draw_l_day: float
    cost: float | None
    after: SizingResult
    before: SizingResult


@dataclass(frozen=True, slots=True)
class SizingPoint:
    """Days short a year with another tank of so many litres, by both rules."""

    tank_l: float
    after_days_year: float
    before_days_year: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingAnswer(Answer):
    """options: the site as it is comes first. years: how long a thing lasts, for its cost by the kilolitre.

    draw_by: typed, household or measured. evaporation_is_counted: the settings have monthly figures. because: why
    there is no answer; then there are no options.
    """

    record: SizingRecord | None
    because: str | None
    draw_l_day: float
    draw_by: str
    capacity_l: float
    reserve_l: float
    evaporation_is_counted: bool
    years: float
    options: tuple[SizingLine, ...]
    curve: tuple[SizingPoint, ...]


def sizing(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    record: RainRecord | Unknown,
    options: Sequence[WorkOption],
    *,
    draw_l_day: float | None = None,
    years: float = 20.0,
    progress: Progress | None = None,
) -> SizingAnswer:
    """Run over a record. No options: a few of each kind, without a price. Raises Refused where no draw is known."""
    network = network_of(settings, as_of_ms)
    draw, draw_by = _draw(settings, reader, notes, as_of_ms, draw_l_day, progress)
    site = _site(settings, network, draw)
    capacity_l = sum(tank.capacity_l for tank in network.tanks)
    whole = record if isinstance(record, Unknown) else _whole_years(record)
    if not isinstance(whole, Unknown) and not network.roofs and not any(tank.open_area_m2 for tank in network.tanks):
        whole = Unknown("the settings have no roof and no open tank for rain to fall on; add a [catchments] table")
    if not isinstance(whole, Unknown) and draw <= 0:
        whole = Unknown("nothing is drawn, so that no day can be short")
    monthly_mm = None if settings.evaporation is None else settings.evaporation.monthly_mm
    lines: tuple[SizingLine, ...] = ()
    curve: tuple[SizingPoint, ...] = ()
    if not isinstance(whole, Unknown):
        dry_mm = _evaporation_mm(whole, monthly_mm)
        told = [WorkOption("as it is"), *(options or _ladder(network, capacity_l, draw))]
        if any(option.roof_m2 for option in told) and not network.roofs:
            raise Refused("--option roof=...: the settings have no roof to go by; add a [catchments] table")
        farthest_l = max(capacity_l, 1.5 * max(option.tank_l for option in told))
        lines, curve = _run(site, told, farthest_l, whole.rain_mm, dry_mm, years)
    return SizingAnswer(
        **head(settings, reader, as_of_ms),
        record=None if isinstance(whole, Unknown) else _told(whole),
        because=whole.because if isinstance(whole, Unknown) else None,
        draw_l_day=draw,
        draw_by=draw_by,
        capacity_l=capacity_l,
        reserve_l=site.reserve_l,
        evaporation_is_counted=monthly_mm is not None,
        years=years,
        options=lines,
        curve=curve,
    )


def _draw(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    typed: float | None,
    progress: Progress | None,
) -> tuple[float, str]:
    if typed is not None:
        return typed, "typed"
    if settings.household is not None:
        return settings.household.draw_l_day, "household"
    falls = dry_falls(settings, reader, notes, as_of_ms, progress=progress)
    known = [fall.value for fall in falls.values() if isinstance(fall, Estimate)]
    if not known:
        reasons = "; ".join(f"{name}: {fall.because}" for name, fall in falls.items() if isinstance(fall, Unknown))
        raise Refused(
            f"what the house draws is not known ({reasons or 'no tank has a sensor'}); "
            'say it with --draw "300 L", or in a [household] table'
        )
    return max(sum(known), 0.0), "measured"


def _site(settings: Settings, network: Network, draw_l_day: float) -> Site:
    names = [tank.name for tank in network.tanks]
    first = [] if settings.household is None else [settings.household.tank]
    return Site(
        network=network,
        draw_order=tuple(first + [name for name in names if name not in first]),
        draw_l_day=draw_l_day,
        reserve=() if settings.reserve is None else settings.reserve.tanks,
        reserve_l=0.0 if settings.reserve is None else settings.reserve.fire_l,
    )


def _whole_years(record: RainRecord) -> RainRecord | Unknown:
    """The newest whole years of the longest stretch without a gap."""
    stretch = record.longest_unbroken()
    years = int((len(stretch.rain_mm) + 0.5) / _YEAR_DAYS)
    if years < 1:
        return Unknown(
            f"the longest stretch of {record.source} without a gap has {len(stretch.rain_mm)} days, and a year is the "
            "least; name a daily record of past rain with --record"
        )
    days = min(round(years * _YEAR_DAYS), len(stretch.rain_mm))
    first = stretch.last - timedelta(days=days - 1)
    return RainRecord(record.source, first, stretch.rain_mm[-days:])


def _evaporation_mm(record: RainRecord, monthly_mm: tuple[float, ...] | None) -> F64:
    if monthly_mm is None:
        return np.zeros(len(record.rain_mm))
    months = [(record.first + timedelta(days=k)).month for k in range(len(record.rain_mm))]
    return np.array([monthly_mm[month - 1] / _MONTH_DAYS for month in months])


def _ladder(network: Network, capacity_l: float, draw_l_day: float) -> list[WorkOption]:
    """A few of each kind, in round figures of the site's own size."""
    step_l = _round(capacity_l / 4)
    options = [WorkOption(f"another tank, {k * step_l:,.0f} L", tank_l=k * step_l) for k in (1, 2, 4)]
    if network.roofs:
        step_m2 = _round(max(roof.area_m2 for roof in network.roofs) / 4)
        options += [WorkOption(f"{k * step_m2:g} m2 more roof", roof_m2=k * step_m2) for k in (1, 2)]
    if any(tank.open_area_m2 > 0 for tank in network.tanks):
        options.append(WorkOption("cover", cover=True))
    less = [_round(draw_l_day * ratio) for ratio in (0.9, 0.75)]
    return options + [WorkOption(f"draw {litres:,.0f} L a day", draw_l_day=litres) for litres in less]


def _round(value: float) -> float:
    """To two figures."""
    return float(f"{value:.1e}")


def _run(
    site: Site, told: Sequence[WorkOption], farthest_l: float, rain_mm: F64, dry_mm: F64, years: float
) -> tuple[tuple[SizingLine, ...], tuple[SizingPoint, ...]]:
    """The options, and the curve over another tank's size, in one run for each rule."""
    sizes = [WorkOption("", tank_l=float(litres)) for litres in np.linspace(0.0, farthest_l, _CURVE_POINTS)]
    after = simulate_options(site, [*told, *sizes], rain_mm, dry_mm, rule="after", years=years)
    before = simulate_options(site, [*told, *sizes], rain_mm, dry_mm, rule="before", years=years)
    both = list(zip(after, before, strict=True))
    lines = tuple(
        SizingLine(
            name=one.option.name,
            tank_l=one.option.tank_l,
            roof_m2=one.option.roof_m2,
            cover=one.option.cover,
            draw_l_day=one.draw_l_day,
            cost=one.option.cost,
            after=_result(one),
            before=_result(other),
        )
        for one, other in both[: len(told)]
    )
    per_year = _YEAR_DAYS / len(rain_mm)
    curve = tuple(
        SizingPoint(one.option.tank_l, one.days_short * per_year, other.days_short * per_year)
        for one, other in both[len(told) :]
    )
    return lines, curve


def _result(one: OptionResult) -> SizingResult:
    return SizingResult(
        days_short=one.days_short,
        longest_short_days=one.longest_short_days,
        supplied_l_year=one.supplied_l_year,
        spilt_l_year=one.spilt_l_year,
        evaporated_l_year=one.evaporated_l_year,
        supply_ratio=one.supply_ratio,
        days_ratio=one.days_ratio,
        kept_l_year=one.kept_l_year if one.option.draw_l_day is None else None,
        cost_per_kl=one.cost_per_kl,
    )


def _told(record: RainRecord) -> SizingRecord:
    days = len(record.rain_mm)
    return SizingRecord(
        record.source, str(record.first), str(record.last), days, float(record.rain_mm.sum()) * _YEAR_DAYS / days
    )
