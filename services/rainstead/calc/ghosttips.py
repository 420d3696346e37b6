"""Tips that may be no rain: wind on the post, lightning on the cable, a pump's switching, an insect, servicing."""

from enum import IntEnum
from typing import Final

import numpy as np

from .arrays import BOOL, F64, I64, U8

__all__ = ["ALONE_MS", "TipDoubt", "tip_doubts"]

ALONE_MS: Final = 3 * 3_600_000
TOGETHER_MS: Final = 5
SWITCH_MS: Final = 10_000
NEAR_MS: Final = 1_800_000


class TipDoubt(IntEnum):
    """Why a tip may be no rain."""

    NONE = 0
    ALONE = 1
    """No other for hours; drizzle, dew and the end of a slow rain do that too."""
    SWITCHING = 2
    """As the pump began or ended, with no other near."""
    TOO_HARD = 3
    """So soon after the one before as no rain makes it."""
    TOGETHER = 4
    """In the same moment as another gauge's."""


def tip_doubts(t_ms: I64, depth_mm: F64, *, others_ms: I64, switched_ms: I64, upto_ms: int, hardest_mm_h: float) -> U8:
    """A TipDoubt for each tip, in order of time.

    depth_mm: rain of each tip. others_ms: tips of other gauges, switched_ms: when the pump began and ended, both in
    order. upto_ms: until when there would be later tips; a tip is not alone before ALONE_MS have passed after it.
    hardest_mm_h: harder than any rain. Windows are rules of thumb; what they find and miss is measured on rain that is
    made, with tips that are no rain among it (`tests/faults/test_ghost_tip_faults.py`).
    """
    doubts = np.full(len(t_ms), TipDoubt.NONE, dtype=np.uint8)
    if not len(t_ms):
        return doubts
    gap_ms = np.diff(t_ms, prepend=t_ms[0] - ALONE_MS)
    good = np.ones(len(t_ms), dtype=bool)
    for doubt, found in (
        (TipDoubt.TOGETHER, _near(t_ms, others_ms, TOGETHER_MS)),
        (TipDoubt.TOO_HARD, gap_ms * hardest_mm_h < depth_mm * 3_600_000),
    ):
        doubts[good & found] = doubt
        good &= ~found
    switching = good & _near(t_ms, switched_ms, SWITCH_MS) & ~_has_neighbour(t_ms, good, NEAR_MS)
    doubts[switching] = TipDoubt.SWITCHING
    good &= ~switching
    alone = good & ~_has_neighbour(t_ms, good, ALONE_MS) & (t_ms + ALONE_MS <= upto_ms)
    doubts[alone] = TipDoubt.ALONE
    return doubts


def _near(t_ms: I64, marks_ms: I64, within_ms: int) -> BOOL:
    """Which times have a mark within so long."""
    first = np.searchsorted(marks_ms, t_ms - within_ms, side="left")
    after = np.searchsorted(marks_ms, t_ms + within_ms, side="right")
    near: BOOL = after > first
    return near


def _has_neighbour(t_ms: I64, good: BOOL, within_ms: int) -> BOOL:
    """Which times have another good one within so long."""
    known = t_ms[good]
    first = np.searchsorted(known, t_ms - within_ms, side="left")
    after = np.searchsorted(known, t_ms + within_ms, side="right")
    others: BOOL = after - first > good
    return others
