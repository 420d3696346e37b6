"""The watch over one tank's losses: what it is set to, day by day, and what it called."""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rainstead.calc.desk import LeakWatch, Mornings, Nights, TankMinutes, WatchPlan, WatchRows, leak_watch
from rainstead.readings import F64, I64

from .evaporating import TankEvaporation
from .lossways import NIGHT_PART, NIGHT_PART_U_RATIO

__all__ = [
    "CALM_DAYS",
    "SOUND_MM_DAY",
    "LeakLine",
    "Watched",
    "WatchedDay",
    "litres_per_mm",
    "watch_mornings",
    "watch_nights",
]

_DAY_MS = 86_400_000
CALM_DAYS = 730.0
"""Mean time between two false calls that the limit is set to, in standing days: two years of them at least."""
SOUND_MM_DAY = 10 / 7
"""A tank passes the standing-level test if it falls by less than 10 mm in 7 days (BS 5337, as quoted)."""
_LEAST_LIMIT_MM = 5.0
_UNSEEN_MM_DAY = 0.25
"""What a day's loss scatters by where nothing else is known: condensation, a spider, a cup (common practice)."""
_UNSEEN_RATIO = 0.2
"""Scatter of a day's true evaporation about its estimate (common practice; the formula is poor for single days)."""


@dataclass(frozen=True, slots=True)
class LeakLine:
    """A loss that was not there before. since_ms: about when it began. over_ms: when the call was taken back, or None.

    more_l_day: lost more than was expected, up to the call.
    """

    called_ms: int
    since_ms: int
    more_l_day: float
    over_ms: int | None


@dataclass(frozen=True, slots=True)
class WatchedDay:
    """A day up to t_ms: what it lost, what of it evaporated, what was expected, the sum."""

    t_ms: int
    loss_l_day: float
    evaporation_l_day: float
    expected_l_day: float
    sum_l: float
    limit_l: float


@dataclass(frozen=True, slots=True)
class Watched:
    """What the watch saw. loss, evaporation: of each row, L a day."""

    rows: WatchRows
    loss_l_day: F64
    evaporation_l_day: F64
    calls: tuple[LeakLine, ...]

    def lines(self) -> tuple[WatchedDay, ...]:
        """A row a day."""
        rows = self.rows
        columns = (rows.t_ms, self.loss_l_day, self.evaporation_l_day, rows.expected_l_day, rows.sum_l, rows.limit_l)
        return tuple(WatchedDay(*row) for row in zip(*(column.tolist() for column in columns), strict=True))

    @property
    def from_ms(self) -> int:
        """End of the first day that was watched."""
        return int(self.rows.t_ms[0]) if len(self.rows.t_ms) else 0

    @property
    def finds_l_day(self) -> float | None:
        """A new loss of this size fills the sum within a week of standing days, as things stand."""
        if not len(self.rows.t_ms):
            return None
        return float(self.rows.limit_l[-1]) / 7 + float(self.rows.allowed_l_day[-1])


def watch_mornings(minutes: TankMinutes, mornings: Mornings, evaporation: TankEvaporation) -> Watched:
    """From dawn to dawn; days of unknown evaporation are left out."""
    days = np.diff(mornings.t_ms) / _DAY_MS
    lost, dried = -np.diff(mornings.volume_l), evaporation.litres(mornings.t_ms[:-1], mornings.t_ms[1:])
    follows = np.diff(mornings.spell) == 0
    used = follows & ~np.isnan(dried)
    before = np.concatenate([[False], used[:-1]])[: len(used)]
    loss_l_day, dried_l_day = lost[used] / days[used], dried[used] / days[used]
    plan = _plan(minutes, dried_l_day, evaporation.u_ratio)
    return _watched(mornings.t_ms[1:][used], days[used], loss_l_day, dried_l_day, (before & follows)[used], plan)


def watch_nights(minutes: TankMinutes, nights: Nights, evaporation: TankEvaporation) -> Watched:
    """By each night's slope, where water is drawn by day: what the air feigns night after night is learnt."""
    dried_l_day = NIGHT_PART * evaporation.l_day(nights.t_ms)
    used = ~np.isnan(dried_l_day)
    dried_l_day, count = dried_l_day[used], int(used.sum())
    plan = replace(
        _plan(minutes, dried_l_day, math.hypot(evaporation.u_ratio, NIGHT_PART_U_RATIO)),
        level_u_l=0.0,
        drift_u_l_day=nights.shared_u_l_day,
        offset_u_l_day=nights.shared_u_l_day,
    )
    follows = np.zeros(count, dtype=np.bool_)
    return _watched(nights.t_ms[used], np.ones(count), nights.loss_l_day[used], dried_l_day, follows, plan)


def _watched(
    t_ms: I64, days: F64, loss_l_day: F64, dried_l_day: F64, follows: npt.NDArray[np.bool_], plan: WatchPlan
) -> Watched:
    _, rows, calls = leak_watch(LeakWatch(), t_ms, days, loss_l_day, dried_l_day, follows, plan=plan)
    lines: list[LeakLine] = []
    for call in calls:
        if call.is_over:
            lines[-1] = replace(lines[-1], over_ms=call.t_ms)
        else:
            lines.append(LeakLine(call.t_ms, call.since_ms, call.over_l_day, None))
    return Watched(rows, loss_l_day, dried_l_day, tuple(lines))


def _plan(minutes: TankMinutes, dried_l_day: F64, u_ratio: float) -> WatchPlan:
    l_per_mm = litres_per_mm(minutes)
    dried = float(dried_l_day.mean()) if len(dried_l_day) else 0.0
    return WatchPlan(
        reference_l_day=SOUND_MM_DAY * l_per_mm,
        least_limit_l=_LEAST_LIMIT_MM * l_per_mm,
        calm_days=CALM_DAYS,
        level_u_l=float(np.median(minutes.sound_u_l)),
        drift_u_l_day=math.hypot(_UNSEEN_MM_DAY * l_per_mm, _UNSEEN_RATIO * dried),
        offset_u_l_day=0.0,
        factor_u=u_ratio,
    )


def litres_per_mm(minutes: TankMinutes) -> float:
    """About where the water stands: litres and millimetres of the same uncertainty."""
    some = minutes.depth_zero_u_m > 0
    if some.any():
        return float(np.median(minutes.zero_u_l[some] / minutes.depth_zero_u_m[some])) / 1000
    some = minutes.depth_sound_u_m > 0
    return float(np.median(minutes.sound_u_l[some] / minutes.depth_sound_u_m[some])) / 1000 if some.any() else 1.0
