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
    at_once = np.abs(np.diff(values)[_SIDE - 1 : len(values) - _SIDE])
    leaps = np.flatnonzero(at_once >= least)
    windows = np.lib.stride_tricks.sliding_window_view(values, _SIDE)
    before, after = np.median(windows[leaps], axis=1), np.median(windows[leaps + _SIDE], axis=1)
    return [
        Step(int(at_ms[k + _SIDE - 1]), int(at_ms[k + _SIDE]), was, now)
        for k, was, now in zip(leaps.tolist(), before.tolist(), after.tolist(), strict=True)
        if abs(now - was) >= least
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
