"""How long the fire reserve stays untouched at the present draw, with and without rain."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from rainstead.calc.desk import (
    Answered,
    Draw,
    Estimate,
    Network,
    RoofPipe,
    Stores,
    TankFit,
    Unknown,
    advance_days,
    cascade_of,
    chance,
    days_quantile,
    days_without_rain,
    estimate,
    feeds_of,
    first_touched,
    season_paths,
    start_of,
)
from rainstead.derive import Deriver
from rainstead.errors import RainsteadError
from rainstead.evidence import network_of
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.rainfiles import RainRecord
from rainstead.readings import F64
from rainstead.settings import Settings

from .answer import Answer, head
from .days import local_date
from .dryfalls import dry_falls
from .rooms import Room, rooms

__all__ = ["NoReserve", "OutlookAnswer", "OutlookChance", "OutlookDay", "OutlookRain", "OutlookTank", "outlook"]

Progress = Callable[[int], None]
_PATHS = 2000
_SEED = 20_250_702
_MONTH_DAYS = 30.4375
_NOUGHT = Estimate(0.0, 0.0, 0.0, 0.0)


class NoReserve(RainsteadError, ValueError):
    """The settings have no fire reserve."""


@dataclass(frozen=True, slots=True)
class OutlookTank:
    """A tank, and by how much it falls on a dry day. fall_by: measured, household, typed, none.

    fall_because: why it was not measured, where it was not.
    """

    name: str
    is_reserve: bool
    usable_l: Answered
    fall_l_day: Answered
    fall_by: str
    fall_because: str | None


@dataclass(frozen=True, slots=True)
class OutlookRain:
    """The record that rain is drawn from. paths: how many times the time to come was played."""

    source: str
    first_day: str
    last_day: str
    known_days: int
    any_season: bool
    paths: int


@dataclass(frozen=True, slots=True)
class OutlookChance:
    """The probability that the reserve is touched within so many days, with its Monte Carlo error alone."""

    days: int
    touched_ratio: Estimate


@dataclass(frozen=True, slots=True)
class OutlookDay:
    """Usable litres in the reserve's tanks so many days on: with no rain, and 10, 50 and 90 % quantiles with rain."""

    day: int
    dry_l: float
    low_l: float | None
    middle_l: float | None
    high_l: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookAnswer(Answer):
    """half_days, tenth_days: days within which half, and one in ten, of the paths with rain have touched the reserve;
    None where fewer do within the longest time asked for. because: why rain is left out. unknown_tanks: no level is
    known of them, and they are taken as empty; of a tank of the reserve, that is fatal to the answer."""

    fire_l: float
    tanks: tuple[OutlookTank, ...]
    unknown_tanks: tuple[str, ...]
    usable_l: Answered
    above_l: Answered
    fall_l_day: Answered
    days_without_rain: Answered
    rain: OutlookRain | None
    because: str | None
    chances: tuple[OutlookChance, ...]
    half_days: float | None
    tenth_days: float | None
    fan: tuple[OutlookDay, ...]


def outlook(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    record: RainRecord | Unknown,
    *,
    horizons: Sequence[int] = (30, 60, 90),
    draw_l_day: float | None = None,
    any_season: bool = False,
    fitted: Mapping[str, TankFit] | None = None,
    progress: Progress | None = None,
) -> OutlookAnswer:
    """From the levels at a time.

    draw_l_day: typed, in place of the fall of the tank that the house draws from. fitted: yields measured, by tank, in
    place of the settings'.

    Raises NoReserve.
    """
    if settings.reserve is None:
        raise NoReserve("the settings have no [reserve] table; add one with fire and tanks to ask how long it lasts")
    network = network_of(settings, as_of_ms)
    held = rooms(settings, reader, Deriver(settings), as_of_ms, progress=progress)
    falls = dry_falls(settings, reader, notes, as_of_ms, progress=progress)
    tanks = tuple(_tank(settings, name, room, falls.get(name), draw_l_day) for name, room in held.items())
    ours = tuple(tank for tank in tanks if tank.is_reserve)
    fire_l, longest = settings.reserve.fire_l, max(horizons)
    usable, fall = _sum([tank.usable_l for tank in ours]), _sum([tank.fall_l_day for tank in ours])
    dry: Answered
    paths: F64 | Unknown
    if isinstance(usable, Unknown):
        dry, paths = usable, usable
    elif isinstance(fall, Unknown):
        dry, paths = fall, fall
    else:
        dry = days_without_rain(usable, fall, fire_l)
        paths = _with_rain(settings, network, tanks, record, as_of_ms, longest, any_season, fitted)
    touched = None if isinstance(paths, Unknown) else first_touched(paths, fire_l) - 1
    return OutlookAnswer(
        **head(settings, reader, as_of_ms),
        fire_l=fire_l,
        tanks=tanks,
        unknown_tanks=tuple(tank.name for tank in tanks if isinstance(tank.usable_l, Unknown)),
        usable_l=usable,
        above_l=usable if isinstance(usable, Unknown) else estimate(usable.value - fire_l, usable.u),
        fall_l_day=fall,
        days_without_rain=dry,
        rain=None if isinstance(record, Unknown) or touched is None else _told(record, any_season),
        because=paths.because if isinstance(paths, Unknown) else None,
        chances=() if touched is None else tuple(OutlookChance(days, chance(touched, days)) for days in horizons),
        half_days=None if touched is None else days_quantile(touched, 0.5),
        tenth_days=None if touched is None else days_quantile(touched, 0.1),
        fan=() if isinstance(usable, Unknown) or isinstance(fall, Unknown) else _fan(ours, paths, longest),
    )


def _tank(
    settings: Settings, name: str, room: Room, measured: Answered | None, draw_l_day: float | None
) -> OutlookTank:
    assert settings.reserve is not None
    household = settings.household
    drawn = settings.reserve.tanks[0] if household is None else household.tank
    because = measured.because if isinstance(measured, Unknown) else None if measured else "it has no level sensor"
    fall: Answered
    if draw_l_day is not None and name == drawn:
        fall, by, because = Estimate(draw_l_day, 0.0, draw_l_day, draw_l_day), "typed", None
    elif isinstance(measured, Estimate):
        fall, by = measured, "measured"
    elif household is not None and name == drawn:
        fall, by = estimate(household.draw_l_day, household.draw_u_l_day, floor=0.0), "household"
    elif household is not None or draw_l_day is not None:
        fall, by = Estimate(0.0, 0.0, 0.0, 0.0), "none"
    else:
        fall, by = Unknown(f"{because}; say what the house draws with --draw, or in a [household] table"), "none"
    return OutlookTank(name, name in settings.reserve.tanks, room.usable_l, fall, by, because)


def _sum(parts: Sequence[Answered]) -> Answered:
    """Independent of one another, as tanks are."""
    known = [part for part in parts if isinstance(part, Estimate)]
    if len(known) < len(parts):
        return next(part for part in parts if isinstance(part, Unknown))
    total = estimate(sum(part.value for part in known), math.hypot(*(part.u for part in known)))
    return Estimate(total.value, total.u, total.low, None) if any(part.is_at_least for part in known) else total


def _columns(tanks: Sequence[OutlookTank]) -> tuple[F64, F64, F64, F64]:
    """Usable litres, their uncertainty, fall a day, its uncertainty; 0 where nothing is known."""
    pairs = [(tank.usable_l, tank.fall_l_day) for tank in tanks]
    litres = [part if isinstance(part, Estimate) else _NOUGHT for part, _ in pairs]
    falls = [part if isinstance(part, Estimate) else _NOUGHT for _, part in pairs]
    return (
        np.array([part.value for part in litres]),
        np.array([part.u for part in litres]),
        np.array([max(part.value, 0.0) for part in falls]),
        np.array([part.u for part in falls]),
    )


def _with_rain(
    settings: Settings,
    network: Network,
    tanks: Sequence[OutlookTank],
    record: RainRecord | Unknown,
    as_of_ms: int,
    days: int,
    any_season: bool,
    fitted: Mapping[str, TankFit] | None,
) -> F64 | Unknown:
    """Usable litres in the reserve's tanks, now and in the evening of each day, (days + 1, paths).

    Each path has its own rain, and its own truth about levels, falls, yields and losses.
    """
    if isinstance(record, Unknown):
        return record
    tomorrow = local_date(as_of_ms, settings.site.time_zone) + timedelta(days=1)
    rain_mm = season_paths(
        record.day_of_year(),
        record.rain_mm,
        tomorrow.timetuple().tm_yday,
        days,
        _PATHS,
        seed=_SEED,
        any_season=any_season,
    )
    if isinstance(rain_mm, Unknown):
        return rain_mm
    rng = np.random.default_rng(_SEED + 1)
    usable_l, usable_u_l, fall_l, fall_u_l = (part[:, np.newaxis] for part in _columns(tanks))
    z = rng.standard_normal((2, len(tanks), _PATHS))
    dead_l = np.array([[tank.dead_l] for tank in network.tanks])
    capacity_l = np.array([[tank.capacity_l] for tank in network.tanks])
    start_l = np.minimum(np.maximum(usable_l + usable_u_l * z[0], 0.0) + dead_l, capacity_l)
    month_mm = None if settings.evaporation is None else settings.evaporation.monthly_mm
    daily_mm = np.array([0.0] * 12 if month_mm is None else month_mm) / _MONTH_DAYS
    evaporating_m2 = np.array([[tank.open_area_m2 * tank.evaporation_ratio] for tank in network.tanks])
    measured = np.array([[1.0 if tank.fall_by == "measured" else 0.0] for tank in tanks])
    # A measured fall has this month's evaporation in it, which is put back by the month as it goes.
    inside_l = measured * evaporating_m2 * daily_mm[tomorrow.month - 1]
    falls_l = np.maximum(fall_l - inside_l + fall_u_l * z[1], 0.0)
    pipes = []
    scores = {}
    for feed in feeds_of(network, fitted):
        if feed.source not in scores:
            scores[feed.source] = rng.standard_normal((2, _PATHS))
        of_yield, of_loss = scores[feed.source]
        pipes.append(
            RoofPipe(
                tank=next(row for row, tank in enumerate(tanks) if tank.name == feed.tank),
                yield_l_mm=np.maximum(feed.yield_l_mm + feed.yield_u_l_mm * of_yield, 0.0),
                loss_mm=np.maximum(feed.loss_mm + feed.loss_u_mm * of_loss, 0.0),
            )
        )
    ours = [row for row, tank in enumerate(tanks) if tank.is_reserve]
    # What a dry tank of the reserve can no longer give is taken from the others.
    stores = Stores(
        cascade=cascade_of(network),
        dead_l=dead_l,
        mouth_m2=np.array([[tank.open_area_m2] for tank in network.tanks]),
        evaporating_m2=evaporating_m2,
        pipes=tuple(pipes),
        draws=tuple(Draw((row, *(one for one in ours if row in ours)), falls_l[row]) for row in range(len(tanks))),
        keep=(),
        keep_l=np.zeros(1),
    )
    to_come = [tomorrow + timedelta(days=k) for k in range(days)]
    evaporation_mm = np.array([[daily_mm[day.month - 1]] for day in to_come])
    _, rows = advance_days(start_of(start_l), stores, rain_mm, evaporation_mm)
    held_l = np.concatenate([start_l[np.newaxis], rows.volume_l])
    return np.asarray(np.maximum(held_l[:, ours] - dead_l[ours], 0.0).sum(axis=1))


def _told(record: RainRecord, any_season: bool) -> OutlookRain:
    return OutlookRain(
        source=record.source,
        first_day=str(record.first),
        last_day=str(record.last),
        known_days=record.known_days,
        any_season=any_season,
        paths=_PATHS,
    )


def _fan(ours: Sequence[OutlookTank], paths: F64 | Unknown, days: int) -> tuple[OutlookDay, ...]:
    usable_l, _, fall_l, _ = _columns(ours)
    lines = []
    for day in range(days + 1):
        dry_l = max(float(usable_l.sum() - day * fall_l.sum()), 0.0)
        if isinstance(paths, Unknown):
            lines.append(OutlookDay(day, dry_l, None, None, None))
        else:
            lines.append(OutlookDay(day, dry_l, *(float(q) for q in np.quantile(paths[day], (0.1, 0.5, 0.9)))))
    return tuple(lines)
