"""Pulses to flow, and to pump runs."""

import math
from dataclasses import dataclass

import numpy as np

from .arrays import F64, I64
from .spells import Spell, spells

__all__ = ["FLOW_START", "RUN_START", "FlowState", "PumpRun", "RunState", "flow_rows", "open_run", "runs"]


@dataclass(frozen=True, slots=True)
class FlowState:
    """Stamp of the newest row; None before the first."""

    last_ms: int | None


@dataclass(frozen=True, slots=True)
class RunState:
    """Stamp of the newest row, and the run that may go on."""

    last_ms: int | None
    open: Spell | None


FLOW_START = FlowState(None)
RUN_START = RunState(None, None)


@dataclass(frozen=True, slots=True)
class PumpRun:
    """One continuous time of flow. `complete` once the pause after it is long enough.

    volume_u_l: standard uncertainty of a part pulse at each end (1/sqrt 6 pulse) and of the K-factor.
    flow_l_min: mean over the run; NaN, with its uncertainty, for a run that has no length.
    """

    start_ms: int
    end_ms: int
    pulses: int
    volume_l: float
    volume_u_l: float
    flow_l_min: float
    flow_u_l_min: float
    complete: bool


def flow_rows(state: FlowState, t_ms: I64, pulses: I64, k_per_l: F64) -> tuple[FlowState, I64, F64, F64]:
    """Start of each row's interval, its litres, and its flow in litres a minute.

    A row counts pulses since the row before. The first row of all has no interval: its flow is NaN.
    Source: Q = 60 f / K.
    """
    if not len(t_ms):
        return state, t_ms, np.zeros(0), np.zeros(0)
    start_ms = _since(state.last_ms, t_ms)
    volume_l = pulses / k_per_l
    length_ms = np.where(t_ms > start_ms, (t_ms - start_ms).astype(np.float64), np.nan)
    return FlowState(int(t_ms[-1])), start_ms, volume_l, volume_l * 60_000.0 / length_ms


def runs(
    state: RunState,
    t_ms: I64,
    pulses: I64,
    period: I64,
    upto_ms: int,
    *,
    k_per_l: tuple[float, ...],
    u_ratio: tuple[float, ...],
    gap_ms: int,
) -> tuple[RunState, list[PumpRun]]:
    """The pump runs that are over by `upto_ms`.

    A run begins at the row before its first pulses, but at most gap_ms before them, and ends at the last row with
    pulses. A pause of exactly gap_ms does not end it.
    """
    start_ms = np.maximum(_since(state.last_ms, t_ms), t_ms - gap_ms)
    flows = pulses > 0
    found = spells(state.open, t_ms[flows], start_ms[flows], pulses[flows], period[flows], len(k_per_l), gap_ms)
    last_ms = int(t_ms[-1]) if len(t_ms) else state.last_ms
    # A row that is still to come may have begun as early as this; closing sooner would make the cut decide.
    earliest_ms = upto_ms - gap_ms if last_ms is None else max(upto_ms - gap_ms, last_ms)
    still = found.pop() if found and earliest_ms - found[-1].end_ms <= gap_ms else None
    return RunState(last_ms, still), [_run(spell, k_per_l, u_ratio, complete=True) for spell in found]


def open_run(state: RunState, *, k_per_l: tuple[float, ...], u_ratio: tuple[float, ...]) -> PumpRun | None:
    """The run that may go on, as it stands."""
    return None if state.open is None else _run(state.open, k_per_l, u_ratio, complete=False)


def _since(last_ms: int | None, t_ms: I64) -> I64:
    start_ms = np.empty(len(t_ms), dtype=np.int64)
    if len(t_ms):
        start_ms[1:] = t_ms[:-1]
        start_ms[0] = t_ms[0] if last_ms is None else last_ms
    return start_ms


def _run(spell: Spell, k_per_l: tuple[float, ...], u_ratio: tuple[float, ...], *, complete: bool) -> PumpRun:
    volume_l = shared_l = 0.0
    for count, k, ratio in zip(spell.counts, k_per_l, u_ratio, strict=True):
        volume_l += count / k
        shared_l += count / k * ratio
    part_l = max(1 / k for count, k in zip(spell.counts, k_per_l, strict=True) if count) / math.sqrt(6)
    u_l = math.sqrt(part_l * part_l + shared_l * shared_l)
    per_min = 60_000 / (spell.end_ms - spell.start_ms) if spell.end_ms > spell.start_ms else math.nan
    return PumpRun(
        spell.start_ms,
        spell.end_ms,
        sum(spell.counts),
        volume_l,
        u_l,
        volume_l * per_min,
        u_l * per_min,
        complete,
    )
