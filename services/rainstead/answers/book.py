"""The water book: each tank and the site by day, week or month, and the rest that nothing explains."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np

from rainstead.calc import desk
from rainstead.calc.desk import Amount, Answered, Balance, Estimate, LevelMean, TankFit, Unknown, estimate
from rainstead.errors import RainsteadError
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.settings import Settings

from .answer import Answer, head
from .bookwater import TankWater, tank_waters
from .days import rain_day_of, rain_day_start_ms
from .fittedyield import fitted_yields
from .typed import Refused, read_day, read_tank

__all__ = ["PERIODS", "BookAnswer", "BookLine", "BookTank", "NoBook", "NotInBook", "book"]

Progress = Callable[[int], None]
PERIODS: Final = {"day": 14, "week": 8, "month": 6}
"""How the book can be cut, and how many periods are shown if nobody says since when."""
_LOOK_BACK_MS: Final = 60 * 86_400_000
"""Seepage and the like are worked out over at least so long."""


class NoBook(RainsteadError, ValueError):
    """There is no tank or no level to keep a book of."""


@dataclass(frozen=True, slots=True)
class BookLine:
    """One period: opening + rain + direct + carted + pumped_in + overflow_in - pumped_out - draw - evaporation -
    seepage - spill + rest = closing.

    label: the rain day, the week's or month's first and last, by the day that each ends. is_whole: neither the log's
    begin nor its end cuts it. gauge_was_deaf: for some of it the gauge could not count, so that rain is a lower bound.
    finding: of the rest: `explained` (its interval holds nought), `came` or `went` (litres that nothing explains),
    `unknown`.
    """

    label: str
    from_ms: int
    upto_ms: int
    is_whole: bool
    gauge_was_deaf: bool
    opening_l: Answered
    rain_l: Estimate
    direct_l: Estimate
    carted_l: Estimate
    pumped_in_l: Estimate
    overflow_in_l: Estimate
    pumped_out_l: Estimate
    draw_l: Estimate
    evaporation_l: Estimate
    seepage_l: Estimate
    spill_l: Estimate
    closing_l: Answered
    rest_l: Answered
    finding: str


@dataclass(frozen=True, slots=True)
class NotInBook:
    """A kind of water that nothing is known of, so that it is in the rest; and why."""

    kind: str
    because: str


@dataclass(frozen=True, slots=True)
class BookTank:
    """One tank's lines, and the whole time as one line."""

    tank: str
    not_in_book: tuple[NotInBook, ...]
    lines: tuple[BookLine, ...]
    total: BookLine


@dataclass(frozen=True, slots=True, kw_only=True)
class BookAnswer(Answer):
    """by: `day`, `week` or `month`. yields: `fitted` (to the log's storms, for tanks
    that had enough of them) or `nominal`. tanks_not_in_book: those without a sensor.

    together: all tanks of the book; what runs from one into another is in it both ways.
    """

    by: str
    yields: str
    rain_day_hour: int
    tanks: tuple[BookTank, ...]
    together: BookTank
    tanks_not_in_book: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Period:
    label: str
    from_ms: int
    upto_ms: int
    is_whole: bool


def book(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    *,
    only: str | None = None,
    by: str = "day",
    since: str | None = None,
    until: str | None = None,
    nominal: bool = False,
    progress: Progress | None = None,
) -> BookAnswer:
    """Of all measured tanks, or one.

    since, until: days that rain days end on. nominal: yields by the settings, not as the log's own storms show them.
    Raises NoBook, TankUnknown, Refused.
    """
    name_only = None if only is None else read_tank(only, settings)
    if name_only is not None and settings.tanks[name_only].sensor is None:
        raise NoBook(f"tank {name_only} has no level sensor, so there is nothing to keep a book of")
    if not any(tank.sensor is not None for tank in settings.tanks.values()):
        raise NoBook("no tank in the settings has a level sensor, so there is nothing to keep a book of")
    span = reader.span_ms()
    if span is None or span[0] > as_of_ms:
        raise NoBook("the log has no readings up to then, so there is nothing to keep a book of")
    last_ms = min(span[1], as_of_ms)
    first_day, last_day = (
        None if text is None else read_day(text, option) for text, option in ((since, "--since"), (until, "--until"))
    )
    periods = _periods(settings, by, first_day, last_day, span[0], last_ms)
    if not periods:
        raise NoBook("all readings up to then are of one moment, so there is nothing to keep a book of")
    from_ms = max(min(periods[0].from_ms, last_ms - _LOOK_BACK_MS), span[0] - 1)
    evidence = gather(settings, reader, notes, from_ms=from_ms, upto_ms=last_ms, progress=progress)
    fitted: Mapping[str, TankFit] = {}
    if not nominal and settings.rain is not None and any(roof.shares for roof in settings.catchments.values()):
        fitted = fitted_yields(settings, reader, notes, as_of_ms, progress=progress)
    all_waters = tank_waters(settings, evidence, fitted)
    # One tank's book still needs the others: what they spill may run into it.
    waters = {name: all_waters[name] for name in settings.tanks if name in all_waters and name_only in (None, name)}
    whole = _Period(
        f"{periods[0].label.split(' ')[-1]} to {periods[-1].label.split(' ')[-1]}",
        periods[0].from_ms,
        periods[-1].upto_ms,
        is_whole=all(period.is_whole for period in periods),
    )
    tanks = []
    balances: list[list[Balance]] = []
    for name, water in waters.items():
        rows = [desk.balance(evidence.tanks[name], water.kinds, one.from_ms, one.upto_ms) for one in [*periods, whole]]
        balances.append(rows)
        lines = tuple(_line(evidence, one, row) for one, row in zip([*periods, whole], rows, strict=True))
        tanks.append(BookTank(name, _left_out(water), lines[:-1], lines[-1]))
    site_rows = [_together([rows[k] for rows in balances]) for k in range(len(periods) + 1)]
    site_lines = tuple(_line(evidence, one, row) for one, row in zip([*periods, whole], site_rows, strict=True))
    return BookAnswer(
        **head(settings, reader, as_of_ms),
        by=by,
        yields="fitted" if fitted else "nominal",
        rain_day_hour=settings.site.rain_day_hour,
        tanks=tuple(tanks),
        together=BookTank("all", (), site_lines[:-1], site_lines[-1]),
        tanks_not_in_book=tuple(name for name in settings.tanks if name not in all_waters),
    )


def _periods(
    settings: Settings, by: str, since: date | None, until: date | None, first_ms: int, last_ms: int
) -> list[_Period]:
    """Cut at the site's rain-day hour; the first and the last are cut short by the log."""
    if by not in PERIODS:
        raise Refused(f"--by {by!r}: must be one of {', '.join(PERIODS)}")
    last_day = rain_day_of(last_ms, settings)
    last = last_day if until is None else min(until, last_day)
    begin = _first_of(last, by)
    if since is not None:
        begin = _first_of(since, by)
    else:
        for _ in range(PERIODS[by] - 1):
            begin = _first_of(begin - timedelta(days=1), by)
    begin = max(begin, _first_of(rain_day_of(first_ms, settings), by))
    if begin > last:
        raise Refused(f"--since and --until leave no {by} of which the log has readings")
    found = []
    while begin <= last:
        after = _next_of(begin, by)
        # A book that is asked to end within a period is cut there too.
        ends = min(after, last + timedelta(days=1)) if until is not None else after
        from_ms, upto_ms = rain_day_start_ms(begin, settings), rain_day_start_ms(ends, settings)
        kept_from, kept_upto = max(from_ms, first_ms), min(upto_ms, last_ms)
        if kept_upto > kept_from:
            whole = (kept_from, kept_upto) == (from_ms, upto_ms) and ends == after
            found.append(_Period(_label(begin, by), kept_from, kept_upto, whole))
        begin = after
    return found


def _first_of(day: date, by: str) -> date:
    return {"day": day, "week": day - timedelta(days=day.weekday()), "month": day.replace(day=1)}[by]


def _next_of(first: date, by: str) -> date:
    if by == "month":
        return (first + timedelta(days=31)).replace(day=1)
    return first + timedelta(days=1 if by == "day" else 7)


def _label(first: date, by: str) -> str:
    return {"day": f"{first}", "week": f"week of {first}", "month": f"{first:%Y-%m}"}[by]


def _together(rows: list[Balance]) -> Balance:
    """The site: levels and amounts of all tanks added, errors of one source as one error."""
    unknown = next((one for row in rows for one in (row.opening, row.closing) if isinstance(one, Unknown)), None)
    amounts = {name: _sum([row.amounts[name] for row in rows]) for name in (*desk.IN, *desk.OUT)}
    if unknown is not None:
        return Balance(unknown, unknown, amounts, unknown, unknown)
    return Balance(
        _levels([row.opening for row in rows]),
        _levels([row.closing for row in rows]),
        amounts,
        _sum([row.change for row in rows]),
        _sum([row.rest for row in rows]),
    )


def _sum(parts: list[Amount | Unknown] | list[Amount]) -> Amount:
    total = Amount(0.0, {}, 0.0)
    for part in parts:
        assert isinstance(part, Amount)
        total = total.plus(part)
    return total


def _levels(levels: list[LevelMean | Unknown]) -> LevelMean:
    """As if all water stood in one tank; tanks err independently of one another."""
    known = [level for level in levels if isinstance(level, LevelMean)]
    return LevelMean(
        t_ms=known[0].t_ms,
        depth_m=float("nan"),
        volume_l=sum(level.volume_l for level in known),
        noise_u_l=float(np.sqrt(sum(level.u_l**2 for level in known))),
        zero_u_l=0.0,
        sound_u_l=0.0,
        scale_u_l=0.0,
        at_brim=any(level.at_brim for level in known),
    )


def _line(evidence: Evidence, period: _Period, row: Balance) -> BookLine:
    amounts = {name: amount.estimate for name, amount in row.amounts.items()}
    rest: Answered = row.rest if isinstance(row.rest, Unknown) else row.rest.estimate
    deaf = evidence.rain is not None and bool(
        ((evidence.rain.deaf_ms > period.from_ms) & (evidence.rain.deaf_ms <= period.upto_ms)).any()
    )
    return BookLine(
        label=period.label,
        from_ms=period.from_ms,
        upto_ms=period.upto_ms,
        is_whole=period.is_whole,
        gauge_was_deaf=deaf,
        opening_l=_level(row.opening),
        rain_l=amounts["rain"],
        direct_l=amounts["direct"],
        carted_l=amounts["carted"],
        pumped_in_l=amounts["pumped_in"],
        overflow_in_l=amounts["overflow_in"],
        pumped_out_l=amounts["pumped_out"],
        draw_l=amounts["draw"],
        evaporation_l=amounts["evaporation"],
        seepage_l=amounts["seepage"],
        spill_l=amounts["spill"],
        closing_l=_level(row.closing),
        rest_l=rest,
        finding=_finding(rest),
    )


def _level(level: LevelMean | Unknown) -> Answered:
    return level if isinstance(level, Unknown) else estimate(level.volume_l, level.u_l, floor=0.0)


def _finding(rest: Answered) -> str:
    if isinstance(rest, Unknown) or rest.high is None:
        return "unknown"
    if rest.low <= 0 <= rest.high:
        return "explained"
    return "came" if rest.value > 0 else "went"


def _left_out(water: TankWater) -> tuple[NotInBook, ...]:
    return tuple(NotInBook(kind, because) for kind, because in water.left_out.items())
