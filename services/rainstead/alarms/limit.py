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
    bad_runs, good_runs = _Runs(bad), _Runs(good)
    active, since_ms, pending_ms, at = state.active, state.since_ms, state.pending_ms, 0
    while at < len(values):
        # From here on one condition matters: the one that would change the state.
        runs, delay_ms = (good_runs, rule.off_delay_ms) if active else (bad_runs, rule.on_delay_ms)
        if pending_ms is None or not runs.holds(at):
            pending_ms = None
            at = runs.next_start(at)
            if at >= len(values):
                break
            pending_ms = int(at_ms[at])
        end = runs.end(at)
        hit = at + int(np.searchsorted(at_ms[at:end], pending_ms + delay_ms, side="left"))
        if hit >= end:
            if end < len(values):
                pending_ms = None
            at = end
            continue
        active, since_ms, pending_ms = not active, int(at_ms[hit]), None
        changes.append(Change(int(at_ms[hit]), active, float(values[hit])))
        # The same reading cannot fulfil both conditions, unless there is no deadband: then it is the next one's turn.
        at = hit + 1
    return LimitState(active, since_ms, pending_ms), changes


class _Runs:
    """The stretches in which a condition holds."""

    def __init__(self, condition: npt.NDArray[np.bool_]) -> None:
        self._condition = condition
        edges = np.diff(condition.astype(np.int8), prepend=np.int8(0), append=np.int8(0))
        self._starts, self._ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)

    def holds(self, at: int) -> bool:
        return bool(self._condition[at])

    def next_start(self, at: int) -> int:
        """The first reading from `at` on at which the condition holds; the length if there is none."""
        if self._condition[at]:
            return at
        k = int(np.searchsorted(self._starts, at))
        return int(self._starts[k]) if k < len(self._starts) else len(self._condition)

    def end(self, at: int) -> int:
        """One past the last reading of the stretch that `at` is in."""
        return int(self._ends[int(np.searchsorted(self._ends, at, side="right"))])
