"""Rain by the rain day and by the month, and storm by storm."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from rainstead import calc
from rainstead.derive import Deriver, State
from rainstead.errors import RainsteadError
from rainstead.evidence import Unheard
from rainstead.log import ReadingSource
from rainstead.readings import I64
from rainstead.settings import Settings

from .answer import Answer, head
from .days import rain_day_of, rain_day_start_ms
from .ghosttips import DoubtfulTips, TipDoubts, TipGathering
from .levels import Z_95

__all__ = ["NoGauge", "RainAnswer", "RainDay", "RainMonth", "StormLine", "StormsAnswer", "rain", "storms"]

Progress = Callable[[int], None]


class NoGauge(RainsteadError, ValueError):
    """The settings have no rain gauge."""


@dataclass(frozen=True, slots=True)
class RainDay:
    """Rain of the rain day that ends on `ends_on`. rain_mm is None where the log has nothing of the gauge then.

    is_at_least: some of that day the gauge said that it could not count, or nothing of it was logged. doubtful_tips,
    doubtful_mm: what of tips and rain_mm may be no rain.
    """

    ends_on: str
    start_ms: int
    end_ms: int
    tips: int
    rain_mm: float | None
    is_at_least: bool
    doubtful_tips: int
    doubtful_mm: float


@dataclass(frozen=True, slots=True)
class RainMonth:
    """Rain of the rain days that end in a month, of those that were asked for."""

    month: str
    days_with_readings: int
    rain_mm: float
    is_at_least: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RainAnswer(Answer):
    """Days in order, the newest still going on. total_mm has doubtful_mm in it; doubtful: why."""

    gauge: str
    rain_day_hour: int
    days: tuple[RainDay, ...]
    months: tuple[RainMonth, ...]
    total_mm: float
    doubtful_mm: float
    doubtful: tuple[DoubtfulTips, ...]


@dataclass(frozen=True, slots=True)
class StormLine:
    """One storm. dry_before_s: since the storm before; None for the first.

    is_at_least: during it the gauge could not count, or nothing of it was logged; rain_high_mm is then None.
    doubtful_tips: of the storm's, those that may be no rain.
    """

    storm: calc.Storm
    rain_low_mm: float
    rain_high_mm: float | None
    is_at_least: bool
    duration_s: float
    dry_before_s: float | None
    doubtful_tips: int
    doubtful_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StormsAnswer(Answer):
    """Storms in order of time; the last may be going on."""

    gauge: str
    storm_gap_s: float
    storms: tuple[StormLine, ...]
    total_mm: float


def rain(
    settings: Settings, reader: ReadingSource, as_of_ms: int, *, days: int = 14, progress: Progress | None = None
) -> RainAnswer:
    """The last rain days. Raises NoGauge."""
    gauge = _gauge(settings)
    last = rain_day_of(as_of_ms, settings)
    dates = [last - timedelta(days=back) for back in reversed(range(days))]
    starts = [rain_day_start_ms(day, settings) for day in [*dates, last + timedelta(days=1)]]
    tips = [0] * days
    millimetres = [0.0] * days
    seen = [False] * days
    # The tips before the first day tell whether its own are alone.
    from_ms = starts[0] - calc.ALONE_MS
    unheard = Unheard(gauge, reader, from_ms)
    deriver, ghosts = Deriver(settings), TipGathering(settings)
    state = deriver.start()
    for batch in reader.batches(after_ms=from_ms, upto_ms=as_of_ms, sensors=ghosts.sensors):
        state, derived = deriver.advance(state, batch)
        ghosts.take(batch, derived)
        if progress is not None:
            progress(len(batch))
        for rows in derived.rain:
            for k in range(days):
                # A reading on the boundary belongs to the day that it ends.
                inside = (rows.t_ms > starts[k]) & (rows.t_ms <= starts[k + 1])
                tips[k] += int(rows.tips[inside].sum())
                millimetres[k] += float(rows.rain_mm[inside].sum())
                seen[k] = seen[k] or bool(inside.any())
        unheard.take(batch)
    doubts = _finished(ghosts, deriver, state, as_of_ms)
    deaf_ms = unheard.stamps_ms(as_of_ms)
    lines = tuple(
        RainDay(
            str(day),
            starts[k],
            starts[k + 1],
            tips[k],
            round(millimetres[k], 6) if seen[k] else None,
            _any_within(deaf_ms, starts[k], starts[k + 1]),
            *doubts.count(starts[k], starts[k + 1]),
        )
        for k, day in enumerate(dates)
    )
    months: dict[str, list[RainDay]] = {}
    for line in lines:
        months.setdefault(line.ends_on[:7], []).append(line)
    return RainAnswer(
        **head(settings, reader, as_of_ms),
        gauge=gauge,
        rain_day_hour=settings.site.rain_day_hour,
        days=lines,
        months=tuple(_month(month, parts) for month, parts in months.items()),
        total_mm=round(sum(line.rain_mm or 0.0 for line in lines), 6),
        doubtful_mm=round(sum(line.doubtful_mm for line in lines), 6),
        doubtful=doubts.by_doubt(starts[0]),
    )


def storms(
    settings: Settings,
    reader: ReadingSource,
    as_of_ms: int,
    *,
    since_ms: int | None = None,
    least_mm: float = 0.0,
    progress: Progress | None = None,
) -> StormsAnswer:
    """Storms that end after a time, of at least so many millimetres. Raises NoGauge."""
    gauge = _gauge(settings)
    assert settings.rain is not None
    gap_s = settings.rain.storm_gap_s
    deriver, ghosts = Deriver(settings), TipGathering(settings)
    state = deriver.start()
    found: list[calc.Storm] = []
    unheard = Unheard(gauge, reader)
    for batch in reader.batches(upto_ms=as_of_ms, sensors=ghosts.sensors):
        state, derived = deriver.advance(state, batch)
        ghosts.take(batch, derived)
        found += derived.storms
        unheard.take(batch)
        if progress is not None:
            progress(len(batch))
    last = deriver.open_storm(state)
    if last is not None:
        # Whether it is over is a matter of the time asked for, not of the gauge's next word.
        over = as_of_ms - last.end_ms > gap_s * 1000
        found.append(replace(last, complete=over))
    deaf_ms = unheard.stamps_ms(as_of_ms)
    doubts = _finished(ghosts, deriver, state, as_of_ms)
    lines = [_line(storm, before, deaf_ms, doubts) for storm, before in zip(found, [None, *found], strict=False)]
    kept = tuple(
        line for line in lines if line.storm.rain_mm >= least_mm and (since_ms is None or line.storm.end_ms >= since_ms)
    )
    return StormsAnswer(
        **head(settings, reader, as_of_ms),
        gauge=gauge,
        storm_gap_s=gap_s,
        storms=kept,
        total_mm=round(sum(line.storm.rain_mm for line in kept), 6),
    )


def _finished(ghosts: TipGathering, deriver: Deriver, state: State, as_of_ms: int) -> TipDoubts:
    run = deriver.open_run(state)
    if run is not None:
        ghosts.switched(run)
    return ghosts.finish(as_of_ms)


def _line(storm: calc.Storm, before: calc.Storm | None, deaf_ms: I64, doubts: TipDoubts) -> StormLine:
    doubtful_tips, doubtful_mm = doubts.count(storm.start_ms - 1, storm.end_ms)
    at_least = _any_within(deaf_ms, storm.start_ms - 1, storm.end_ms)
    return StormLine(
        storm=storm,
        rain_low_mm=max(0.0, storm.rain_mm - Z_95 * storm.rain_u_mm),
        rain_high_mm=None if at_least else storm.rain_mm + Z_95 * storm.rain_u_mm,
        is_at_least=at_least,
        duration_s=(storm.end_ms - storm.start_ms) / 1000,
        dry_before_s=None if before is None else (storm.start_ms - before.end_ms) / 1000,
        doubtful_tips=doubtful_tips,
        doubtful_mm=doubtful_mm,
    )


def _month(month: str, days: list[RainDay]) -> RainMonth:
    known = [day.rain_mm for day in days if day.rain_mm is not None]
    return RainMonth(month, len(known), round(sum(known), 6), any(day.is_at_least for day in days))


def _any_within(stamps_ms: I64, after_ms: int, upto_ms: int) -> bool:
    first, behind = np.searchsorted(stamps_ms, [after_ms, upto_ms], side="right")
    return bool(first != behind)


def _gauge(settings: Settings) -> str:
    if settings.rain is None:
        raise NoGauge("the settings have no [rain] table with a gauge; add one to ask about rain")
    return settings.rain.gauge
