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


def spill_kind(minutes: TankMinutes, kinds: Mapping[str, Sequence[Kind]]) -> Kind:
    """What came while the tank stood at its brim and found no room: all in, less all out, less what the level rose.

    Worked out for each spell at the brim and laid over it as the water came. Its errors are those of what came, so that
    they cancel in the rest: of a full tank nobody can say more than that.
    """
    ins = [kind for name in IN for kind in kinds.get(name, ())]
    outs = [kind for name in OUT if name != "spill" for kind in kinds.get(name, ())]
    inflow = sum_of(kind.litres for kind in ins)
    litres: list[Course] = []
    variances: list[Course] = []
    errors: dict[str, list[Course]] = {}
    for first, last in _spells(minutes):
        from_ms, upto_ms = int(minutes.t_ms[first]), int(minutes.t_ms[last])
        came = amount_of(ins, from_ms, upto_ms)
        if came.litres <= 0:
            continue
        net = came.plus(amount_of(outs, from_ms, upto_ms), -1.0)
        rose_l = float(minutes.volume_l[last] - minutes.volume_l[first])
        over_l = min(net.litres - rose_l, came.litres)
        if over_l <= 0:
            continue
        shape = _shape(inflow, from_ms, upto_ms)
        litres.append(shape.times(over_l))
        noise2 = float(minutes.noise_u_l[first] ** 2 + minutes.noise_u_l[last] ** 2)
        variances.append(shape.times(noise2 + net.variance))
        for name, part in net.errors.items():
            errors.setdefault(name, []).append(shape.times(part))
    return Kind(sum_of(litres), {name: sum_of(parts) for name, parts in errors.items()}, sum_of(variances))


def _spells(minutes: TankMinutes) -> list[tuple[int, int]]:
    """Rows between which the tank stood at its brim: from the row before, if it is near, to the last one there."""
    found: list[tuple[int, int]] = []
    rows = np.flatnonzero(minutes.at_brim)
    if not len(rows):
        return found
    # A few minutes under the brim, by a ripple, make no second spell; nor does a gap in the readings.
    apart = np.diff(minutes.t_ms[rows]) > np.where(np.diff(rows) > 1, _RIPPLE_MS, _SPELL_GAP_MS)
    for group in np.split(rows, np.flatnonzero(apart) + 1):
        first, last = int(group[0]), int(group[-1])
        if first > 0 and minutes.t_ms[first] - minutes.t_ms[first - 1] <= _SPELL_GAP_MS:
            first -= 1
        if last > first:
            found.append((first, last))
    return found


def _shape(inflow: Course, from_ms: int, upto_ms: int) -> Course:
    """From 0 to 1 as the water came."""
    inside: I64 = inflow.t_ms[(inflow.t_ms > from_ms) & (inflow.t_ms < upto_ms)]
    marks = np.concatenate([[from_ms], inside, [upto_ms]]).astype(np.int64)
    total: F64 = inflow.at(marks)
    return Course(marks, (total - total[0]) / (total[-1] - total[0]))
