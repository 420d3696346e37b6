"""Tanks that are drawn from by day: how they fall in nights that are left to themselves.

A night's slope keeps what of the air's error turns within the night, the same night after night.
"""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64, I64

from .draws import binned
from .levels import AIR_DRIFT_MS, TankMinutes
from .standing import Spans

__all__ = ["Nights", "night_falls"]

_DAY_MS = 86_400_000
_FEWEST_LEVELS = 6


@dataclass(frozen=True, slots=True)
class Nights:
    """How fast the level fell in each night that was left to itself.

    loss_l_day, loss_u_l_day: slope and its standard uncertainty by chance alone. shared_u_l_day: what the air's turn
    within a night may feign, the same night after night. steps: draws that were recognised and cut out.
    """

    t_ms: I64
    depth_m: F64
    loss_l_day: F64
    loss_u_l_day: F64
    hours: F64
    shared_u_l_day: float
    steps: I64

    def __len__(self) -> int:
        return len(self.t_ms)


def night_falls(
    minutes: TankMinutes,
    spans: Spans,
    window_from_ms: I64,
    window_upto_ms: I64,
    *,
    bin_min: int = 5,
    least_hours: float = 3.0,
) -> Nights:
    """One slope a night, common to the pieces between whatever small draws fell into it.

    Medians of a few minutes; a fall between two of them that stands out is a draw, and parts the night there.
    """
    rows: list[tuple[int, float, float, float, float, float, int]] = []
    held = spans.holding(window_from_ms, window_upto_ms)
    for k in np.flatnonzero(held >= 0).tolist():
        some = minutes.between(int(window_from_ms[k]), int(window_upto_ms[k]))
        slope = _night(some, bin_min)
        if slope is None or slope.hours < least_hours:
            continue
        span_ms = int(window_upto_ms[k] - window_from_ms[k])
        turn = math.sqrt(2 * (1 - math.exp(-span_ms / AIR_DRIFT_MS))) / (span_ms / _DAY_MS)
        shared = float(np.median(some.sound_u_l)) * turn
        rows.append(
            (
                int(window_from_ms[k] + window_upto_ms[k]) // 2,
                float(np.median(some.depth_m)),
                slope.loss_l_day,
                slope.u_l_day,
                slope.hours,
                shared,
                slope.steps,
            )
        )
    columns = list(zip(*rows, strict=True)) or [()] * 7
    return Nights(
        t_ms=np.array(columns[0], dtype=np.int64),
        depth_m=np.array(columns[1], dtype=np.float64),
        loss_l_day=np.array(columns[2], dtype=np.float64),
        loss_u_l_day=np.array(columns[3], dtype=np.float64),
        hours=np.array(columns[4], dtype=np.float64),
        shared_u_l_day=float(np.median(columns[5])) if rows else 0.0,
        steps=np.array(columns[6], dtype=np.int64),
    )


@dataclass(frozen=True, slots=True)
class _Slope:
    loss_l_day: float
    u_l_day: float
    hours: float
    steps: int


def _night(some: TankMinutes, bin_min: int) -> _Slope | None:
    if len(some.t_ms) < _FEWEST_LEVELS:
        return None
    volume_l, place, size = binned(some.t_ms, some.volume_l, bin_min)
    at_d = (place - place[0]) * (bin_min / 1440)
    noise_l = float(np.median(some.noise_u_l)) / math.sqrt(max(float(np.median(size)) * 2 / math.pi, 1.0))
    if len(at_d) < 8:
        return None
    fell = -np.diff(volume_l)
    middle = float(np.median(fell))
    scatter = max(1.4826 * float(np.median(np.abs(fell - middle))), noise_l * math.sqrt(2) / 2)
    draws = fell - middle > 5 * scatter
    piece = np.concatenate([[0], np.cumsum(draws.astype(np.int64))])
    sxx = sxy = rss = hours = 0.0
    used = pieces = 0
    residuals: list[F64] = []
    inside = [np.flatnonzero(piece == k) for k in range(int(piece[-1]) + 1)]
    for rows in inside:
        if len(rows) < 4:
            continue
        x, y = at_d[rows] - at_d[rows].mean(), volume_l[rows] - volume_l[rows].mean()
        sxx += float(x @ x)
        sxy += float(x @ y)
        hours += float(np.ptp(at_d[rows])) * 24
        used += len(rows)
        pieces += 1
        residuals.append(y)
    if used - pieces - 1 < 3 or sxx <= 0:
        return None
    slope = sxy / sxx
    for rows in inside:
        if len(rows) >= 4:
            x, y = at_d[rows] - at_d[rows].mean(), volume_l[rows] - volume_l[rows].mean()
            rss += float(((y - slope * x) ** 2).sum())
    sigma = max(math.sqrt(rss / (used - pieces - 1)), noise_l)
    return _Slope(-slope, sigma / math.sqrt(sxx), hours, int(draws.sum()))
