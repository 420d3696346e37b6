"""What each tank loses when nothing is taken from it: how much of it evaporates, how much seeps, and since when."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rainstead.calc.desk import (
    Answered,
    Mornings,
    TankMinutes,
    Unknown,
    cut_at_steps,
    dawn_levels,
    draw_steps,
    estimate,
    night_falls,
    spell_slope_l_day,
    standing_spans,
)
from rainstead.derive import shape_in_force
from rainstead.errors import RainsteadError
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.settings import Settings

from .answer import Answer, head
from .days import local
from .evaporating import TankEvaporation
from .leaks import CALM_DAYS, LeakLine, Watched, WatchedDay, watch_mornings, watch_nights
from .lossways import Way, by_mornings, by_nights, narrower
from .undisturbed import DAWN_HOURS, NIGHT_HOURS, disturbed, windows

__all__ = ["LevelLine", "LevelStep", "LossesAnswer", "NoLevels", "SpellLine", "TankLosses", "losses", "losses_of"]

_DAY_MS = 86_400_000
_EMPTY_RATIO = 0.02
"""Of its capacity: a tank that is all but empty loses what it has, not what it would."""
Progress = Callable[[int], None]


class NoLevels(RainsteadError, ValueError):
    """No tank, or not the one that was asked for, has a level sensor."""


@dataclass(frozen=True, slots=True)
class SpellLine:
    """Standing mornings in a row. loss_l_day: the mean fall; evaporation_l_day: of it; None where not known."""

    from_ms: int
    upto_ms: int
    mornings: int
    depth_m: float
    loss_l_day: float
    evaporation_l_day: float | None


@dataclass(frozen=True, slots=True)
class LevelLine:
    """The level of one standing morning; spell: its place in the list of spells, from 0."""

    t_ms: int
    volume_l: float
    spell: int


@dataclass(frozen=True, slots=True)
class LevelStep:
    """A sudden fall (or, below 0, rise) between two mornings that no note explains; left out of the losses."""

    from_ms: int
    upto_ms: int
    fell_l: float


@dataclass(frozen=True, slots=True)
class TankLosses:
    """One tank.

    way: `mornings` (dawn to dawn), `mornings_less_draw` (the same, the household's stated draw taken off), `nights`,
    `none`. evaporation_l_day: of what it lost on those days; for `nights`, the part of it that goes on at night.
    finding: `more_than_expected`, `seeps`, `none_seen`, `gains` or `unknown`; said: the same in words.
    per_metre_l_day_m: by how much the seepage grows for each metre of depth; with_depth: `grows`, `shrinks`,
    `cannot_be_told`. finds_l_day: a new loss of that size would be called after a week of standing days.
    """

    tank: str
    way: str
    finding: str
    said: str
    loss_l_day: Answered
    evaporation_l_day: Answered
    draw_l_day: Answered | None
    seepage_l_day: Answered
    per_metre_l_day_m: Answered
    with_depth: str
    standing_days: float
    days_without_air: int
    finds_l_day: float | None
    calls: tuple[LeakLine, ...]
    spells: tuple[SpellLine, ...]
    levels: tuple[LevelLine, ...]
    days: tuple[WatchedDay, ...]
    steps: tuple[LevelStep, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LossesAnswer(Answer):
    """from_ms: since when was looked. levels_from_ms: the first good level since then, of any tank that was asked for.

    false_calls_a_year: that the watch is set to, for each tank.
    """

    from_ms: int
    levels_from_ms: int | None
    false_calls_a_year: float
    tanks: tuple[TankLosses, ...]


def losses(
    settings: Settings,
    reader: ReadingSource,
    notes: Notes,
    as_of_ms: int,
    *,
    only: str | None = None,
    days: int = 90,
    progress: Progress | None = None,
) -> LossesAnswer:
    """Each measured tank, or one, over the last days. Raises NoLevels."""
    measured = [name for name, tank in settings.tanks.items() if tank.sensor is not None]
    if only is not None and only not in settings.tanks:
        raise NoLevels(f"there is no tank {only!r} in the settings; there are: {', '.join(settings.tanks)}")
    if only is not None and only not in measured:
        raise NoLevels(f"tank {only} has no level sensor, so nothing is known of what it loses")
    if not measured:
        raise NoLevels("no tank in the settings has a level sensor, so nothing is known of what they lose")
    from_ms = as_of_ms - days * _DAY_MS
    evidence = gather(settings, reader, notes, from_ms=from_ms, upto_ms=as_of_ms, progress=progress)
    asked = [name for name in measured if only in (None, name)]
    firsts = [int(evidence.tanks[name].t_ms[0]) for name in asked if len(evidence.tanks[name].t_ms)]
    return LossesAnswer(
        **head(settings, reader, as_of_ms),
        from_ms=from_ms,
        levels_from_ms=min(firsts, default=None),
        false_calls_a_year=365.25 / CALM_DAYS,
        tanks=tuple(losses_of(settings, evidence, name) for name in asked),
    )


def losses_of(settings: Settings, evidence: Evidence, tank: str) -> TankLosses:
    """One measured tank."""
    minutes, network = _not_cut_off(settings, evidence, tank), evidence.network
    if not len(minutes.t_ms):
        return _nothing(tank, f"there is no good level of {tank} in that time")
    if settings.rain is None:
        return _nothing(tank, "the site has no rain gauge, so rain cannot be told from a smaller loss")
    spans = standing_spans(minutes, disturbed(settings, evidence, tank))
    dawn = windows(settings, evidence, DAWN_HOURS)
    found = dawn_levels(minutes, spans, dawn.from_ms, dawn.upto_ms)
    least_l = max(network.tank(tank).dead_l, _EMPTY_RATIO * network.tank(tank).capacity_l)
    found = found.take(found.volume_l > least_l)
    if len(found) >= 3 and np.ptp(minutes.depth_m) == 0:
        return _nothing(tank, "its level has not moved by a millimetre in days: the ranger may be stuck")
    evaporation = TankEvaporation.of(settings, evidence, tank)
    scale = float(np.median(minutes.scale_u_l / np.maximum(minutes.volume_l, 1.0)))
    draw = None
    if settings.household is not None and settings.household.tank == tank:
        draw = estimate(settings.household.draw_l_day, settings.household.draw_u_l_day, floor=0.0)
    shows_draw = draw_steps(minutes).are_draws(spans.from_ms, spans.upto_ms)
    mornings = cut_at_steps(found)
    way = by_mornings(mornings, evaporation, scale, draw)
    watched = watch_mornings(minutes, found, evaporation)
    if draw is not None or shows_draw:
        night = windows(settings, evidence, NIGHT_HOURS)
        nights = night_falls(minutes, spans, night.from_ms, night.upto_ms)
        in_nights = by_nights(nights, evaporation, scale)
        way = in_nights if draw is None else narrower(way, in_nights)
        watched = watch_nights(minutes, nights, evaporation)
    per_metre = way.per_metre_l_day_m
    if watched.calls:
        per_metre = Unknown("a loss that began or ended in that time would pass for an effect of depth")
    elif isinstance(way.seepage_l_day, Unknown) or way.seepage_l_day.low <= 0:
        per_metre = Unknown("no seepage is seen that could grow or shrink with depth")
    finding, said = _finding(way, watched, settings.site.time_zone)
    if draw is None and shows_draw:
        said += "; water is drawn from it in sudden falls, so that only the nights tell"
    return TankLosses(
        tank=tank,
        way=way.name,
        finding=finding,
        said=said,
        loss_l_day=way.loss_l_day,
        evaporation_l_day=way.evaporation_l_day,
        draw_l_day=way.draw_l_day,
        seepage_l_day=way.seepage_l_day,
        per_metre_l_day_m=per_metre,
        with_depth=_with_depth(per_metre),
        standing_days=way.standing_days,
        days_without_air=evaporation.filled,
        finds_l_day=watched.finds_l_day,
        calls=watched.calls,
        spells=_spells(mornings, evaporation),
        levels=tuple(
            LevelLine(t, v, k)
            for t, v, k in zip(mornings.t_ms.tolist(), mornings.volume_l.tolist(), mornings.spell.tolist(), strict=True)
        ),
        days=watched.lines(),
        steps=tuple(LevelStep(*step) for step in mornings.steps) if way.name != "nights" else (),
    )


def _not_cut_off(settings: Settings, evidence: Evidence, tank: str) -> TankMinutes:
    """The tank's minutes, litres going on above the brim as they go at it.

    No tank holds more than at its brim, but a ranger that reads high says so of a full one: with its litres cut off
    there, water that falls would pass for water that stands.
    """
    minutes, known = evidence.tanks[tank], settings.tanks[tank]
    shape = shape_in_force(known, settings.site.time_zone, evidence.upto_ms)
    l_per_m = float(shape.l_per_m(np.array([known.brim_m]))[0])
    return replace(minutes, volume_l=minutes.volume_l + l_per_m * np.maximum(minutes.depth_m - known.brim_m, 0.0))


def _nothing(tank: str, because: str) -> TankLosses:
    unknown = Unknown(because)
    return TankLosses(
        tank=tank,
        way="none",
        finding="unknown",
        said=f"not enough to say, because {because}",
        loss_l_day=unknown,
        evaporation_l_day=unknown,
        draw_l_day=None,
        seepage_l_day=unknown,
        per_metre_l_day_m=unknown,
        with_depth="cannot_be_told",
        standing_days=0.0,
        days_without_air=0,
        finds_l_day=None,
        calls=(),
        spells=(),
        levels=(),
        days=(),
        steps=(),
    )


def _finding(way: Way, watched: Watched, zone: str) -> tuple[str, str]:
    """One word and one sentence."""
    standing = [call for call in watched.calls if call.over_ms is None]
    if standing:
        call = standing[-1]
        more = f"loses about {call.more_l_day:.0f} L a day more than was expected"
        if call.since_ms <= watched.from_ms:
            return "more_than_expected", f"{more}, for as long as it was watched"
        return "more_than_expected", f"{more}, since about {local(call.since_ms, zone):%Y-%m-%d}"
    seepage = way.seepage_l_day
    if isinstance(seepage, Unknown):
        return "unknown", f"not enough to say, because {seepage.because}"
    assert seepage.high is not None
    if seepage.low > 0:
        return "seeps", f"seeps {seepage.value:.1f} L a day ({seepage.low:.1f} to {seepage.high:.1f})"
    if seepage.high < 0:
        return "gains", f"gains {-seepage.value:.1f} L a day that no rain, pump or note explains"
    # Less than 0.0 L would be no loss at all, and nobody has measured that.
    return "none_seen", f"no seepage seen: if there is any, it is less than {max(seepage.high, 0.1):.1f} L a day"


def _with_depth(per_metre: Answered) -> str:
    if isinstance(per_metre, Unknown) or per_metre.high is None or per_metre.low <= 0 <= per_metre.high:
        return "cannot_be_told"
    return "grows" if per_metre.low > 0 else "shrinks"


def _spells(mornings: Mornings, evaporation: TankEvaporation) -> tuple[SpellLine, ...]:
    lines = []
    for spell in np.unique(mornings.spell).tolist():
        rows = np.flatnonzero(mornings.spell == spell)
        ends = mornings.t_ms[rows[[0, -1]]]
        days = float(np.diff(ends)[0]) / _DAY_MS
        dried = float(evaporation.litres(ends[:1], ends[1:])[0]) / days
        lines.append(
            SpellLine(
                from_ms=int(ends[0]),
                upto_ms=int(ends[1]),
                mornings=len(rows),
                depth_m=float(mornings.depth_m[rows].mean()),
                loss_l_day=spell_slope_l_day(mornings, spell),
                evaporation_l_day=None if np.isnan(dried) else dried,
            )
        )
    return tuple(lines)
