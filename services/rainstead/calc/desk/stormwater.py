"""What one storm left in one tank: the rise of its level, with all that went on besides put back.

What a tank does on a dry day at the same hours (the household's draw, evaporation, the day-shaped error of a ranger) is
what it would have done without the storm. Where too few dry days are in the log, the household's figure stands in.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import I64

from .estimate import Unknown
from .levels import AIR_DRIFT_MS, LevelMean, TankMinutes, level_mean
from .moves import WaterMove, moved_l

__all__ = ["DryDays", "Household", "StormWindow", "TankGain", "dry_days", "storm_window", "tank_gain"]

_MINUTE_MS = 60_000
_HOUR_MS = 3_600_000
_DAY_MS = 86_400_000
_LEVEL_MS = 20 * _MINUTE_MS
"""A level is the mean of so long."""
_SETTLE_MS = 10 * _MINUTE_MS
_LONGEST_DRAIN_MS = 4 * _HOUR_MS
_LONGEST_LOOK_MS = 3 * _HOUR_MS
_DRY_DAYS = 14
_FEWEST_DRY_DAYS = 4
_WET_BEFORE_MS = 6 * _HOUR_MS
_DRAW_SCATTER_RATIO = 0.85
_DRAW_MEMORY_H = 2.0
"""A household's draw at one moment differs from its mean by so much, and for so long (common practice)."""


@dataclass(frozen=True, slots=True)
class Household:
    """What the house draws from one tank, as the owner knows it."""

    tank: str
    draw_l_day: float
    draw_u_l_day: float

    def drawn_l(self, lasted_ms: int) -> tuple[float, float]:
        """Litres in a time, and their standard uncertainty: of the mean, and of use that comes in bursts."""
        hours = lasted_ms / _HOUR_MS
        rate_l_h = self.draw_l_day / 24
        tau = _DRAW_MEMORY_H
        bursts_h = math.sqrt(2 * tau * (hours - tau * (1 - math.exp(-hours / tau)))) * _DRAW_SCATTER_RATIO
        # A day's use differs from the mean by a quarter or so; over more days that evens out (common practice).
        u_l = math.hypot(rate_l_h * min(bursts_h, 6.0), self.draw_u_l_day * hours / 24)
        return rate_l_h * hours, u_l


@dataclass(frozen=True, slots=True)
class StormWindow:
    """The times between which a storm's water is read: level before the first tip, and once the roofs have drained.

    still: the water had come to rest by then; if not, it was still rising after the longest wait.
    """

    before_ms: int
    after_ms: int
    still: bool


@dataclass(frozen=True, slots=True)
class DryDays:
    """What a tank does by itself between the same hours on dry days: mean litres, scatter from day to day, days."""

    change_l: float
    scatter_l: float
    days: int

    @property
    def u_l(self) -> float:
        """Standard uncertainty of one more such day, by Student's t for few days."""
        return self.scatter_l * math.sqrt((1 + 1 / self.days) * (self.days - 1) / max(self.days - 3, 1))


@dataclass(frozen=True, slots=True)
class TankGain:
    """Litres that came into one tank by the storm.

    rise_l: of the level. moved_l: carted, pumped and poured in, less what was pumped out. besides_l: what it would have
    done without the storm, by `besides`: `dry days`, `household`, or `nothing`. gain_l = rise - moved - besides.
    own_u_l: new in each storm. shared_u_l: of the tank's litres per depth, the same way in each storm.
    at_brim: it may have spilt in that time. first, last: the levels.
    """

    tank: str
    rise_l: float
    moved_l: float
    besides_l: float
    besides: str
    dry_days: int
    gain_l: float
    own_u_l: float
    shared_u_l: float
    at_brim: bool
    first: LevelMean
    last: LevelMean


def storm_window(
    tanks: Sequence[TankMinutes], moves: Sequence[WaterMove], start_ms: int, end_ms: int, upto_ms: int
) -> StormWindow:
    """When to read: before the first tip with nothing moved meanwhile, and after the last once no tank rises any more.

    upto_ms: nothing later is known, or the next storm begins.
    """
    before_ms = start_ms - _SETTLE_MS
    while before_ms > start_ms - _LONGEST_LOOK_MS and any(m.touches(before_ms - _LEVEL_MS, before_ms) for m in moves):
        before_ms -= _SETTLE_MS
    latest_ms = min(upto_ms, end_ms + _LONGEST_DRAIN_MS)
    after_ms = end_ms + _SETTLE_MS + _LEVEL_MS
    while after_ms <= latest_ms:
        disturbed = any(m.touches(after_ms - _LEVEL_MS, after_ms) for m in moves)
        if not disturbed and not any(_rises(tank, after_ms) for tank in tanks):
            return StormWindow(before_ms, after_ms, still=True)
        after_ms += _SETTLE_MS
    return StormWindow(before_ms, max(latest_ms, before_ms + 1), still=False)


def _rises(tank: TankMinutes, after_ms: int) -> bool:
    """Whether the level goes up from the ten minutes before the reading to its last ten, by more than chance."""
    early = level_mean(tank, after_ms - 2 * _LEVEL_MS, after_ms - _LEVEL_MS)
    late = level_mean(tank, after_ms - _LEVEL_MS, after_ms)
    if isinstance(early, Unknown) or isinstance(late, Unknown):
        return False
    return late.volume_l - early.volume_l > 3 * math.hypot(early.noise_u_l, late.noise_u_l)


def _level(tank: TankMinutes, at_ms: int, *, back: bool) -> LevelMean | Unknown:
    """The mean level of the minutes up to a time; where there are none, of older ones (back) or newer ones."""
    for wait_ms in range(0, _LONGEST_LOOK_MS, _LEVEL_MS):
        shift_ms = -wait_ms if back else wait_ms
        found = level_mean(tank, at_ms + shift_ms - _LEVEL_MS, at_ms + shift_ms)
        if not isinstance(found, Unknown):
            return found
    return Unknown(f"there is no good level of {tank.tank} {'before' if back else 'after'} the storm")


def tank_gain(
    tank: TankMinutes,
    window: StormWindow,
    moves: Sequence[WaterMove],
    dry: DryDays | None,
    household: Household | None,
    upto_ms: int,
) -> TankGain | Unknown:
    """One tank's part. upto_ms: no level after it is looked at."""
    if window.after_ms - window.before_ms < _SETTLE_MS + _LEVEL_MS:
        # The minutes that are read must all be minutes after the rain began.
        return Unknown("it has only just begun")
    first = _level(tank, window.before_ms, back=True)
    last = _level(
        tank.between(first.t_ms, upto_ms) if isinstance(first, LevelMean) else tank, window.after_ms, back=False
    )
    if isinstance(first, Unknown):
        return first
    if isinstance(last, Unknown):
        return last
    # A level that had to be taken elsewhere spans another time: what is put back is of that time.
    lasted_ms = last.t_ms - first.t_ms
    moved, moved_u = moved_l(moves, tank.tank, first.t_ms, last.t_ms)
    besides_l, besides_u, besides = 0.0, 0.0, "nothing"
    if dry is not None:
        part = lasted_ms / max(window.after_ms - window.before_ms, 1)
        besides_l, besides_u, besides = dry.change_l * part, dry.u_l * part, "dry days"
    elif household is not None and household.tank == tank.tank:
        drawn_l, besides_u = household.drawn_l(lasted_ms)
        besides_l, besides = -drawn_l, "household"
    at_brim = bool(tank.between(window.before_ms - _LEVEL_MS, last.t_ms + _LEVEL_MS).at_brim.any())
    alike = math.exp(-abs(lasted_ms) / AIR_DRIFT_MS)
    sound2 = first.sound_u_l**2 + last.sound_u_l**2 - 2 * alike * first.sound_u_l * last.sound_u_l
    # At its brim the table is cut off, so that the zero no longer cancels.
    zero = max(first.zero_u_l, last.zero_u_l) if at_brim else last.zero_u_l - first.zero_u_l
    rise_l = last.volume_l - first.volume_l
    measuring_u = math.sqrt(first.noise_u_l**2 + last.noise_u_l**2 + max(sound2, 0.0))
    # The scatter of dry days has the levels' own noise and the air's drift in it already.
    around_u = max(measuring_u, besides_u) if dry is not None else math.hypot(measuring_u, besides_u)
    own_u = math.sqrt(around_u**2 + zero**2 + moved_u**2)
    return TankGain(
        tank=tank.tank,
        rise_l=rise_l,
        moved_l=moved,
        besides_l=besides_l,
        besides=besides,
        dry_days=0 if dry is None else dry.days,
        gain_l=rise_l - moved - besides_l,
        own_u_l=own_u,
        shared_u_l=abs(last.scale_u_l - first.scale_u_l),
        at_brim=at_brim,
        first=first,
        last=last,
    )


def dry_days(
    tank: TankMinutes, window: StormWindow, tips_ms: I64, moves: Sequence[WaterMove], not_before_ms: int, upto_ms: int
) -> DryDays | None:
    """The same hours on the nearest dry days, two weeks either way; None where fewer than four of them are whole.

    A day is dry where no tip fell in those hours or in the six before them, nothing was moved, and the tank was not at
    its brim. Days far from the median (five robust standard deviations) are left out.
    """
    changes: list[float] = []
    for away in sorted(range(-_DRY_DAYS, _DRY_DAYS + 1), key=abs):
        from_ms, to_ms = window.before_ms + away * _DAY_MS, window.after_ms + away * _DAY_MS
        if away == 0 or from_ms - _WET_BEFORE_MS < not_before_ms or to_ms > upto_ms:
            continue
        wet = np.searchsorted(tips_ms, [from_ms - _WET_BEFORE_MS, to_ms], side="right")
        if wet[0] != wet[1] or any(m.touches(from_ms - _LEVEL_MS, to_ms) for m in moves):
            continue
        first = level_mean(tank, from_ms - _LEVEL_MS, from_ms)
        last = level_mean(tank, to_ms - _LEVEL_MS, to_ms)
        if isinstance(first, Unknown) or isinstance(last, Unknown) or first.at_brim or last.at_brim:
            continue
        changes.append(last.volume_l - first.volume_l)
    if len(changes) < _FEWEST_DRY_DAYS:
        return None
    found = np.array(changes)
    middle = float(np.median(found))
    robust = 1.4826 * float(np.median(np.abs(found - middle)))
    kept = found[np.abs(found - middle) <= 5 * robust] if robust > 0 else found
    if len(kept) < _FEWEST_DRY_DAYS:
        kept = found
    return DryDays(float(kept.mean()), float(kept.std(ddof=1)), len(kept))
