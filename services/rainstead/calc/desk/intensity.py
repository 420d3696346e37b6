"""How hard it rained: tips with what their bucket missed, and the hardest few minutes of a storm."""

import math

import numpy as np

from rainstead.calc.arrays import F64, I64

from .estimate import Estimate, estimate

__all__ = ["MOST_MISSED_RATIO", "caught_mm", "peak_mm_h"]

MOST_MISSED_RATIO = 0.5
"""No more of the time between two tips than this is taken for the bucket's movement."""


def caught_mm(t_ms: I64, tips: I64, rain_mm: F64, dead_time_s: float) -> F64:
    """Rain of each row with tips, with what fell past the bucket while it moved put back.

    t_ms: in order. The first row has nothing before it and stays as it is; so do all where dead_time_s is 0.
    Source: I = Im / (1 - Im tau / 3600 d), which for the time dt between two tips is d dt / (dt - tau); the lost time
    is measured by Duchon, Fiebrich & Grimsley, J. Atmos. Oceanic Technol. 31(6), 2014.
    """
    if dead_time_s <= 0 or len(t_ms) < 2:
        return rain_mm.copy()
    between_s = np.diff(t_ms) / 1000
    with np.errstate(divide="ignore", invalid="ignore"):
        missed = np.where(between_s > 0, dead_time_s * tips[1:] / between_s, MOST_MISSED_RATIO)
    caught = rain_mm.copy()
    caught[1:] /= 1 - np.minimum(missed, MOST_MISSED_RATIO)
    return caught


def peak_mm_h(t_ms: I64, rain_mm: F64, window_s: float, *, tip_mm: float, u_ratio: float) -> Estimate:
    """Most rain of any `window_s` of one storm, as mm/h.

    t_ms, rain_mm: the storm's rows with tips. A tip's rain fell evenly since the tip before (the first one's as fast as
    the next one's), so that the sum over a window runs in straight lines and is most with a tip at one of its ends. A
    storm shorter than the window is its own sum over the window. Uncertainty: two part buckets and the calibration.
    Source of the reading between tips: I = 3600 d / dt (Dunkerley, Water 2024, 16(7), 998).
    """
    window_ms = window_s * 1000
    fell_mm = np.concatenate([[0.0], np.cumsum(rain_mm)])
    at_ms = t_ms.astype(np.float64)
    has_next = len(t_ms) > 1 and at_ms[1] > at_ms[0]
    lead_ms = (at_ms[1] - at_ms[0]) * rain_mm[0] / rain_mm[1] if has_next else 1.0
    edge_ms = np.concatenate([[at_ms[0] - lead_ms], at_ms])
    starts = np.concatenate([edge_ms, edge_ms - window_ms])
    inside = np.interp(starts + window_ms, edge_ms, fell_mm) - np.interp(starts, edge_ms, fell_mm)
    per_h = 3600 / window_s
    most_mm = float(inside.max())
    return estimate(most_mm * per_h, math.hypot(tip_mm / math.sqrt(6), most_mm * u_ratio) * per_h, floor=0.0)
