"""When a pump run has settled, how much it gives then, and whether it gives less towards its end. All by its pulses."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead.calc.arrays import F64, I64

from .estimate import Estimate, Unknown, estimate
from .latescipy import scipy

__all__ = ["FlowSpan", "SteadyFlow", "Step", "flow_span", "slope_with_memory", "steady_flow"]

_FEWEST_BINS = 8
_PULSES_A_BIN = 200
_SHORTEST_BIN_MS = 5_000
_MOST_BINS = 120
_IN_A_ROW = 3
_BAND = 3.0
_FLOOR_RATIO = 0.003
"""A steady pump is not asked to be steadier than this; common practice."""


@dataclass(frozen=True, slots=True)
class FlowSpan:
    """When water began and ceased to flow, each to `u_s` seconds."""

    start_ms: int
    end_ms: int
    u_s: float


@dataclass(frozen=True, slots=True)
class Step:
    """The flow went from one level to another within the run, as by another nozzle setting."""

    t_ms: int
    before_l_min: float
    after_l_min: float


@dataclass(frozen=True, slots=True)
class SteadyFlow:
    """The settled part of a run, from_ms to upto_ms.

    flow_l_min: its mean, with the K-factor's uncertainty. spread_l_min: standard deviation of short pieces about their
    line. trend_l_min_h: change of flow by the hour. step: a sudden change in it, if there is one.
    """

    from_ms: int
    upto_ms: int
    warm_up_s: float
    run_down_s: float
    flow_l_min: Estimate
    spread_l_min: float
    trend_l_min_h: Estimate
    step: Step | None


@dataclass(frozen=True, slots=True)
class _Bins:
    edge_ms: I64
    flow_l_min: F64

    @property
    def middle_h(self) -> F64:
        middle: F64 = (self.edge_ms[:-1] + self.edge_ms[1:] - 2 * self.edge_ms[0]) / 7_200_000
        return middle


def flow_span(start_ms: I64, t_ms: I64, pulses: I64) -> FlowSpan | Unknown:
    """Beginning and end of the flow in a run's rows: the first and the last row with pulses flowed for a part of it.

    A row counts `pulses` from start_ms to t_ms. How long that part was follows from the rate of the row beside it.
    """
    flows = np.flatnonzero(pulses > 0)
    if len(flows) < 2:
        return Unknown("the meter reported pulses only once")
    first, last = int(flows[0]), int(flows[-1])
    length_ms = t_ms - start_ms

    def part_ms(row: int, beside: int) -> float:
        if pulses[beside] <= 0 or length_ms[beside] <= 0:
            return float(length_ms[row])
        return min(float(length_ms[row]), float(pulses[row]) * float(length_ms[beside]) / float(pulses[beside]))

    begun_ms = int(t_ms[first]) - round(part_ms(first, first + 1))
    ended_ms = int(start_ms[last]) + round(part_ms(last, last - 1))
    usual_s = float(np.median(length_ms[first : last + 1])) / 1000
    return FlowSpan(begun_ms, max(ended_ms, begun_ms), usual_s / math.sqrt(12))


def steady_flow(start_ms: I64, t_ms: I64, pulses: I64, k_per_l: float, k_u_ratio: float) -> SteadyFlow | Unknown:
    """The settled part of one run, from the meter's rows of that run.

    The flow is looked at in pieces of at least 5 s and 200 pulses. A robust line through the later pieces is what it
    settles to; warm-up is over with the first of three pieces in a row that lie within three standard deviations of
    that line, and the run-down begins after the last of three.
    """
    span = flow_span(start_ms, t_ms, pulses)
    if isinstance(span, Unknown):
        return span
    bins = _bins(span, t_ms, pulses, k_per_l)
    if len(bins.flow_l_min) < _FEWEST_BINS:
        shown = len(bins.flow_l_min)
        return Unknown(f"the run is too short: it can be cut into {shown} pieces, and {_FEWEST_BINS} are needed")
    inside = _inside(bins, k_per_l)
    runs_of = np.flatnonzero(np.convolve(inside, np.ones(_IN_A_ROW), "valid") == _IN_A_ROW)
    if not len(runs_of):
        return Unknown("the flow never settled")
    first, last = int(runs_of[0]), int(runs_of[-1]) + _IN_A_ROW
    if last - first < max(_FEWEST_BINS - 2, len(bins.flow_l_min) // 3):
        return Unknown("the flow never settled for long enough")
    from_ms, upto_ms = int(bins.edge_ms[first]), int(bins.edge_ms[last])
    counted = int(pulses[(t_ms > from_ms) & (t_ms <= upto_ms)].sum())
    minutes = (upto_ms - from_ms) / 60_000
    flow = counted / k_per_l / minutes
    # A part pulse at each end, as in calc.pump; what the meter's short pieces scatter is no error of their mean.
    u = math.hypot(flow * k_u_ratio, 1 / (k_per_l * math.sqrt(6)) / minutes)
    middle_h, flows = bins.middle_h[first:last], bins.flow_l_min[first:last]
    slope, residual = slope_with_memory(middle_h, flows)
    # No line through counted pulses is known better than the pulse that is cut at each end of a piece.
    cut_l_min = _cut_pulse_l_min(bins.edge_ms[first : last + 1], k_per_l)
    slope_u = math.hypot(slope.u, cut_l_min / math.sqrt(float(np.sum((middle_h - np.mean(middle_h)) ** 2))))
    return SteadyFlow(
        from_ms=from_ms,
        upto_ms=upto_ms,
        warm_up_s=max(0.0, (from_ms - span.start_ms) / 1000),
        run_down_s=max(0.0, (span.end_ms - upto_ms) / 1000),
        flow_l_min=estimate(flow, u, floor=0.0),
        spread_l_min=float(np.std(residual, ddof=2)),
        trend_l_min_h=estimate(slope.value, slope_u),
        step=_step(bins.edge_ms, bins.flow_l_min),
    )


def slope_with_memory(x: F64, y: F64) -> tuple[Estimate, F64]:
    """Least-squares slope of at least five points and the residuals; neighbours' likeness counts in its uncertainty.

    Of n residuals with lag-one correlation r only n (1 - r) / (1 + r) are worth counting.
    Source: Bayley and Hammersley 1946, first-order form (from memory).
    """
    n = len(x)
    from_middle = x - np.mean(x)
    squares = float(from_middle @ from_middle)
    slope = float(from_middle @ y) / squares
    residual: F64 = y - np.mean(y) - slope * from_middle
    power = float(residual @ residual)
    alike = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
    alike = min(max(alike, 0.0), 0.95)
    worth = max(n * (1 - alike) / (1 + alike), 3.0)
    u = math.sqrt(power / (n - 2) / squares * (1 + alike) / (1 - alike))
    return estimate(slope, u, dof=worth - 2), residual


def _bins(span: FlowSpan, t_ms: I64, pulses: I64, k_per_l: float) -> _Bins:
    """Pieces between ends of rows, the first from the beginning of the flow, each long enough for its pulses."""
    total = int(pulses.sum())
    whole_ms = span.end_ms - span.start_ms
    piece_ms = max(_SHORTEST_BIN_MS, whole_ms / _MOST_BINS, whole_ms * _PULSES_A_BIN / max(total, 1))
    ends = t_ms[(pulses > 0) & (t_ms < span.end_ms)]
    wanted = np.arange(span.start_ms + piece_ms, span.end_ms - piece_ms / 2, piece_ms)
    at = np.unique(np.searchsorted(ends, wanted))
    edges = np.concatenate([[span.start_ms], ends[at[at < len(ends)]], [span.end_ms]]).astype(np.int64)
    edges = np.unique(edges)
    if len(edges) > 2 and edges[-1] - edges[-2] < piece_ms / 2:
        edges = np.delete(edges, -2)
    after = np.concatenate([[0], np.cumsum(pulses)])
    counted = after[np.searchsorted(t_ms, edges[1:-1], side="right")]
    counted = np.diff(np.concatenate([[0], counted, [total]]))
    return _Bins(edges, counted / k_per_l / (np.diff(edges) / 60_000))


def _inside(bins: _Bins, k_per_l: float) -> npt.NDArray[np.bool_]:
    """Pieces that lie on the line which the flow settles to."""
    later = slice(len(bins.flow_l_min) * 3 // 10, len(bins.flow_l_min) - 1)
    line = scipy.stats.theilslopes(bins.flow_l_min[later], bins.middle_h[later])
    off = bins.flow_l_min - (line[1] + line[0] * bins.middle_h)
    scatter = 1.4826 * float(np.median(np.abs(off[later] - np.median(off[later]))))
    coarse = _cut_pulse_l_min(bins.edge_ms, k_per_l)
    floor = _FLOOR_RATIO * float(np.median(bins.flow_l_min))
    near: npt.NDArray[np.bool_] = np.abs(off) <= _BAND * max(scatter, coarse, floor)
    return near


def _step(edge_ms: I64, flow: F64) -> Step | None:
    """The cut that parts the flow best into two levels, if they are 5 % apart and far above its own ripple."""
    n = len(flow)
    best, at = 0.0, 0
    total = np.cumsum(flow)
    for cut in range(4, n - 3):
        gap = total[cut - 1] / cut - (total[-1] - total[cut - 1]) / (n - cut)
        strength = abs(gap) * math.sqrt(cut * (n - cut) / n)
        if strength > best:
            best, at = strength, cut
    if not at:
        return None
    before, after = float(np.mean(flow[:at])), float(np.mean(flow[at:]))
    ripple = 1.4826 * float(np.median(np.abs(np.diff(flow)))) / math.sqrt(2)
    # A slow trend parts into two halves as well; a step crosses at one place.
    across = abs(float(np.mean(flow[at - 3 : at - 1])) - float(np.mean(flow[at + 1 : at + 3])))
    if across < max(0.05 * before, 6 * ripple) or across < 0.6 * abs(before - after):
        return None
    # A pump that is still warming up has no level to step from.
    if max(float(np.std(flow[:at])), float(np.std(flow[at:]))) > 0.3 * abs(before - after):
        return None
    return Step(int(edge_ms[at]), before, after)


def _cut_pulse_l_min(edge_ms: I64, k_per_l: float) -> float:
    """Standard uncertainty of a piece's flow by the part pulse at each of its ends."""
    return 60_000 / (k_per_l * float(np.median(np.diff(edge_ms))) * math.sqrt(6))
