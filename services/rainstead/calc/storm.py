"""Storms: rain with no dry gap longer than the minimum inter-event time."""

import math
from dataclasses import dataclass

from .arrays import I64
from .spells import Spell, spells

__all__ = ["STORM_START", "Storm", "StormState", "open_storm", "storms"]


@dataclass(frozen=True, slots=True)
class StormState:
    """The storm that may go on; None between storms."""

    open: Spell | None


STORM_START = StormState(None)


@dataclass(frozen=True, slots=True)
class Storm:
    """One storm, from its first tip to its last; `complete` once the dry gap after it is long enough.

    rain_u_mm: standard uncertainty of two unknown bucket residues (d / sqrt 6) and of the gauge's calibration.
    """

    start_ms: int
    end_ms: int
    tips: int
    rain_mm: float
    rain_u_mm: float
    complete: bool


def storms(
    state: StormState,
    t_ms: I64,
    tips: I64,
    period: I64,
    upto_ms: int,
    *,
    depth_per_tip_mm: tuple[float, ...],
    u_ratio: tuple[float, ...],
    gap_ms: int,
) -> tuple[StormState, list[Storm]]:
    """The storms that are over by `upto_ms`: the next tip, or upto_ms, is later than gap_ms after their last tip.

    A dry gap of exactly gap_ms does not end a storm. period: index into the calibrations for each row.
    """
    tipped = tips > 0
    at_ms = t_ms[tipped]
    found = spells(state.open, at_ms, at_ms, tips[tipped], period[tipped], len(depth_per_tip_mm), gap_ms)
    still = found.pop() if found and upto_ms - found[-1].end_ms <= gap_ms else None
    return StormState(still), [_storm(spell, depth_per_tip_mm, u_ratio, complete=True) for spell in found]


def open_storm(state: StormState, *, depth_per_tip_mm: tuple[float, ...], u_ratio: tuple[float, ...]) -> Storm | None:
    """The storm that may go on, as it stands."""
    return None if state.open is None else _storm(state.open, depth_per_tip_mm, u_ratio, complete=False)


def _storm(spell: Spell, depth_mm: tuple[float, ...], u_ratio: tuple[float, ...], *, complete: bool) -> Storm:
    rain_mm = spread_mm = 0.0
    for count, depth, ratio in zip(spell.counts, depth_mm, u_ratio, strict=True):
        rain_mm += count * depth
        spread_mm += count * depth * ratio
    residue_mm = max(d for count, d in zip(spell.counts, depth_mm, strict=True) if count) / math.sqrt(6)
    u_mm = math.sqrt(residue_mm * residue_mm + spread_mm * spread_mm)
    return Storm(spell.start_ms, spell.end_ms, sum(spell.counts), rain_mm, u_mm, complete)
