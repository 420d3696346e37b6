"""The water book of one tank: what stood in it, what came, what went, and the rest that nothing explains.

opening + all in - all out + rest = closing, by construction. All kinds of water are running totals, so that any periods
add up; the levels that bound a period are measured once and bound the next one too.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64, I64

from .course import Amount, Course, Kind, amount_of, sum_of
from .estimate import Unknown
from .levels import AIR_DRIFT_MS, LevelMean, TankMinutes, level_mean

__all__ = ["IN", "OUT", "Balance", "balance", "level_at", "spill_kind"]

IN = ("rain", "direct", "carted", "pumped_in", "overflow_in")
OUT = ("pumped_out", "draw", "evaporation", "seepage", "spill")

_NEAR_MS = (10 * 60_000, 60 * 60_000)
"""A level stands for the water at a time so near to it; where there is none, one a little further off."""
_SPELL_GAP_MS = 6 * 3_600_000
_REACH = 3.0
_ASIDE_MS = 20 * 60_000
_SHORT_MS = 10 * 60_000
_SHAPE_PARTS = 200
_RIPPLE_MS = 30 * 60_000


@dataclass(frozen=True, slots=True)
class Balance:
    """One tank in one period. amounts: by IN and OUT. change: closing less opening, with what both levels share."""

    opening: LevelMean | Unknown
    closing: LevelMean | Unknown
    amounts: Mapping[str, Amount]
    change: Amount | Unknown
    rest: Amount | Unknown


def level_at(minutes: TankMinutes, t_ms: int) -> LevelMean | Unknown:
    """The level about a time."""
    for near_ms in _NEAR_MS:
        level = level_mean(minutes, t_ms - near_ms, t_ms + near_ms)
        if isinstance(level, LevelMean):
            return level
    return Unknown(f"{minutes.tank} has no good level within an hour of its beginning or end")


def balance(minutes: TankMinutes, kinds: Mapping[str, Sequence[Kind]], from_ms: int, upto_ms: int) -> Balance:
    """The period with from_ms < t_ms <= upto_ms."""
    opening, closing = level_at(minutes, from_ms), level_at(minutes, upto_ms)
    amounts = {name: amount_of(kinds.get(name, ()), from_ms, upto_ms) for name in (*IN, *OUT)}
    change = _change(minutes.tank, opening, closing)
    if isinstance(change, Unknown):
        return Balance(opening, closing, amounts, change, change)
    rest = change
    for name in IN:
        rest = rest.plus(amounts[name], -1.0)
    for name in OUT:
        rest = rest.plus(amounts[name])
    return Balance(opening, closing, amounts, change, rest)


def _change(tank: str, first: LevelMean | Unknown, last: LevelMean | Unknown) -> Amount | Unknown:
    """The algebra of levels.volume_change, with its shared parts kept by name."""
    if isinstance(first, Unknown):
        return first
    if isinstance(last, Unknown):
        return last
    alike = math.exp(-abs(last.t_ms - first.t_ms) / AIR_DRIFT_MS)
    sound2 = first.sound_u_l**2 + last.sound_u_l**2 - 2 * alike * first.sound_u_l * last.sound_u_l
    shared = {f"{tank} zero": last.zero_u_l - first.zero_u_l, f"{tank} scale": last.scale_u_l - first.scale_u_l}
    return Amount(last.volume_l - first.volume_l, shared, first.noise_u_l**2 + last.noise_u_l**2 + max(sound2, 0.0))


def spill_kind(minutes: TankMinutes, capacity_l: float, kinds: Mapping[str, Sequence[Kind]]) -> Kind:
    """What came while the tank stood at its brim and found no room: all in, less all out, less what the level rose.

    Worked out for each spell at the brim; what came filled the room first, and ran over then. Its errors are those of
    what came, so that they cancel in the rest: of a full tank nobody can say more than that. A level counts as at the
    brim where three of its uncertainties reach there: a ranger that reads low would else never see its tank full, and
    in a spell that was none all that came finds room.
    """
    ins = [kind for name in IN for kind in kinds.get(name, ())]
    outs = [kind for name in OUT if name != "spill" for kind in kinds.get(name, ())]
    inflow, outflow = (sum_of(kind.litres for kind in some) for some in (ins, outs))
    litres: list[Course] = []
    variances: list[Course] = []
    errors: dict[str, list[Course]] = {}
    for from_ms, upto_ms in _spells(minutes, capacity_l, inflow):
        rose = _change(minutes.tank, *(_level_near(minutes, at_ms) for at_ms in (from_ms, upto_ms)))
        if isinstance(rose, Unknown):
            continue
        came, went = amount_of(ins, from_ms, upto_ms), amount_of(outs, from_ms, upto_ms)
        over = came.plus(went, -1.0).plus(rose, -1.0)
        if over.litres <= 0:
            continue
        shape = _shape(inflow, outflow, from_ms, upto_ms, rose.litres)
        litres.append(shape.times(over.litres))
        variances.append(shape.times(over.variance))
        for name, part in over.errors.items():
            errors.setdefault(name, []).append(shape.times(part))
    return Kind(sum_of(litres), {name: sum_of(parts) for name, parts in errors.items()}, sum_of(variances))


def _spells(minutes: TankMinutes, capacity_l: float, inflow: Course) -> list[tuple[int, int]]:
    """Times that hold what came to a tank at its brim.

    They begin and end aside of where the readings cross the limit: a reading picked for being the first above it, or
    the last, is picked for its error too.
    """
    found: list[tuple[int, int]] = []
    level_u_l = np.sqrt(minutes.noise_u_l**2 + minutes.zero_u_l**2 + minutes.sound_u_l**2)
    rows = np.flatnonzero(minutes.at_brim | (minutes.volume_l >= capacity_l - _REACH * level_u_l))
    if not len(rows) or not len(inflow.t_ms):
        return found
    # A few minutes under the brim, by a ripple, make no second spell; nor does a gap in the readings.
    apart = np.diff(minutes.t_ms[rows]) > np.where(np.diff(rows) > 1, _RIPPLE_MS, _SPELL_GAP_MS)
    wet = np.flatnonzero(np.diff(inflow.total) > 0)
    began_ms, ended_ms = inflow.t_ms[wet], inflow.t_ms[wet + 1]
    for group in np.split(rows, np.flatnonzero(apart) + 1):
        first_ms, last_ms = int(minutes.t_ms[group[0]]), int(minutes.t_ms[group[-1]])
        inside = (ended_ms > first_ms) & (began_ms < last_ms)
        if not inside.any():
            continue
        from_ms = max(first_ms, int(began_ms[inside][0])) - _ASIDE_MS
        upto_ms = min(last_ms, int(ended_ms[inside][-1])) + _ASIDE_MS
        if found and from_ms < found[-1][1]:
            from_ms = found.pop()[0]
        found.append((from_ms, upto_ms))
    return found


def _level_near(minutes: TankMinutes, t_ms: int) -> LevelMean | Unknown:
    """The mean of the readings of a few minutes about a time: a minute's row stands at its end."""
    half_ms = _SHORT_MS // 2
    level = level_mean(minutes, t_ms - half_ms + 30_000, t_ms + half_ms + 30_000)
    return level if isinstance(level, LevelMean) else level_at(minutes, t_ms)


def _shape(inflow: Course, outflow: Course, from_ms: int, upto_ms: int, room_l: float) -> Course:
    """From 0 to 1 as it ran over: once what came, less what went, is more than the room."""
    inside: I64 = inflow.t_ms[(inflow.t_ms > from_ms) & (inflow.t_ms < upto_ms)]
    between = np.linspace(from_ms, upto_ms, _SHAPE_PARTS + 1).astype(np.int64)
    marks = np.unique(np.concatenate([inside, between]))
    came, went = inflow.at(marks), outflow.at(marks)
    over: F64 = came - came[0] - (went - went[0]) - room_l
    total = over[-1]
    ran = np.maximum.accumulate(np.clip(over, 0.0, total)) / total
    ran[0] = 0.0
    return Course(marks, ran)
