"""A limit alarm: raised and cleared by delay and deadband, evaluated at each reading."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["LIMIT_START", "Change", "LimitRule", "LimitState", "advance"]

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class LimitRule:
    """Active at or under `limit` (with `high`, at or over it); clears at or beyond the limit and the deadband."""

    limit: float
    deadband: float
    on_delay_ms: int
    off_delay_ms: int
    high: bool = False


@dataclass(frozen=True, slots=True)
class LimitState:
    """Whether it is active, since when, and since when the condition for a change has held without a break."""

    active: bool
    since_ms: int | None
    pending_ms: int | None


LIMIT_START = LimitState(False, None, None)


@dataclass(frozen=True, slots=True)
class Change:
    """The alarm became active, or normal, at this reading."""

    t_ms: int
    active: bool
    value: float


def advance(state: LimitState, rule: LimitRule, t_ms: I64, value: F64) -> tuple[LimitState, list[Change]]:
    """The changes that these readings bring.

    A change comes at the first reading at which its condition has held, at every reading, for the whole delay, by
    time and not by number of readings. A NaN reading starts, breaks and clears nothing: what is missing is no news.
    Source of the terms: OPC 10000-9, B.1.5 (on-delay, off-delay, deadband).
    """
    known = ~np.isnan(value)
    at_ms, values = t_ms[known], value[known]
    changes: list[Change] = []
    if not len(values):
        return state, changes
    if rule.high:
        bad, good = values >= rule.limit, values <= rule.limit - rule.deadband
    else:
        bad, good = values <= rule.limit, values >= rule.limit + rule.deadband
    to_raise, to_clear = _Held(bad, at_ms, rule.on_delay_ms), _Held(good, at_ms, rule.off_delay_ms)
    active, since_ms, pending_ms, at = state.active, state.since_ms, state.pending_ms, 0
    while True:
        # One condition matters at a time: the one that would change the state.
        hit, pending_ms = (to_clear if active else to_raise).long_enough(at, pending_ms)
        if hit == len(values):
            return LimitState(active, since_ms, pending_ms), changes
        active, since_ms, pending_ms = not active, int(at_ms[hit]), None
        changes.append(Change(since_ms, active, float(values[hit])))
        # Without a deadband one reading can fulfil both conditions: it changes the state once.
        at = hit + 1


class _Held:
    """The stretches in which a condition holds, and those of them that outlast a delay."""

    def __init__(self, condition: npt.NDArray[np.bool_], at_ms: I64, delay_ms: int) -> None:
        edges = np.diff(condition.astype(np.int8), prepend=np.int8(0), append=np.int8(0))
        self._condition, self._at_ms, self._delay_ms = condition, at_ms, delay_ms
        self._starts, self._ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        hits = np.searchsorted(at_ms, at_ms[self._starts] + delay_ms)
        outlast = hits < self._ends
        self._long_starts, self._hits = self._starts[outlast], hits[outlast]

    def long_enough(self, at: int, pending_ms: int | None) -> tuple[int, int | None]:
        """The first reading from `at` on at which the condition has held for the delay.

        pending_ms: since when it holds already, if it does. Where there is no such reading, their number, and since
        when the condition has held at the last of them, if it has.
        """
        n = len(self._condition)
        if at < n and self._condition[at]:
            end = int(self._ends[np.searchsorted(self._ends, at, side="right")])
            begun_ms = int(self._at_ms[at]) if pending_ms is None else pending_ms
            hit = at + int(np.searchsorted(self._at_ms[at:end], begun_ms + self._delay_ms))
            if hit < end:
                return hit, begun_ms
            if end == n:
                return n, begun_ms
            at = end
        k = int(np.searchsorted(self._long_starts, at))
        if k < len(self._hits):
            return int(self._hits[k]), None
        holds_at_last = len(self._ends) > 0 and self._ends[-1] == n and self._starts[-1] >= at
        return n, int(self._at_ms[self._starts[-1]]) if holds_at_last else None
