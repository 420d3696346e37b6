"""Whether two level sensors have changed places: each says, from some moment on, what the other said before."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from .arrays import F64, I64

__all__ = ["Step", "crossed_since_ms", "lasting_steps"]

_SIDE: Final = 5
"""Readings on each side of a step, whose medians are compared."""


@dataclass(frozen=True, slots=True)
class Step:
    """A level that was `before` until last_ms and is `after` from first_ms on."""

    last_ms: int
    first_ms: int
    before: float
    after: float


def lasting_steps(t_ms: I64, value: F64, least: float) -> list[Step]:
    """Where the value changes by `least` or more from one reading to the next, and stays there for five readings.

    Readings without a value count for nothing, however long they last.
    """
    known = ~np.isnan(value)
    at_ms, values = t_ms[known], value[known]
    if len(values) < 2 * _SIDE:
        return []
    medians = np.median(np.lib.stride_tricks.sliding_window_view(values, _SIDE), axis=1)
    before, after = medians[:-_SIDE], medians[_SIDE:]
    at_once = np.abs(np.diff(values)[_SIDE - 1 : len(values) - _SIDE])
    return [
        Step(int(at_ms[k + _SIDE - 1]), int(at_ms[k + _SIDE]), float(before[k]), float(after[k]))
        for k in np.flatnonzero((at_once >= least) & (np.abs(after - before) >= least)).tolist()
    ]


def crossed_since_ms(one: list[Step], other: list[Step], within: float, apart_ms: int) -> int | None:
    """Since when two sensors have been in each other's place; None where they are not.

    one, other: their steps in order of time. Two steps belong together where each ends within `within` of where the
    other began, and their times lie no more than apart_ms apart. Crossing back ends it.
    """
    since_ms, first_way = None, 0.0
    for mine in one:
        for theirs in other:
            is_near = mine.last_ms - apart_ms <= theirs.first_ms and theirs.last_ms - apart_ms <= mine.first_ms
            if is_near and abs(mine.after - theirs.before) <= within and abs(theirs.after - mine.before) <= within:
                way = np.sign(mine.after - mine.before)
                if first_way == 0.0:
                    since_ms, first_way = max(mine.first_ms, theirs.first_ms), way
                elif way != first_way:
                    since_ms = None
                elif since_ms is None:
                    since_ms = max(mine.first_ms, theirs.first_ms)
    return since_ms
