"""Cutting a series of counted things into spells: storms of tips, pump runs of pulses."""

from dataclasses import dataclass

import numpy as np

from .arrays import I64

__all__ = ["Spell", "spells"]


@dataclass(frozen=True, slots=True)
class Spell:
    """Counts with no gap longer than the limit between them; one count for each calibration period."""

    start_ms: int
    end_ms: int
    counts: tuple[int, ...]


def spells(
    carried: Spell | None, t_ms: I64, begun_ms: I64, counts: I64, period: I64, periods: int, gap_ms: int
) -> list[Spell]:
    """All spells of the carried one and these rows, in order; the last may go on.

    Rows have counts above 0. begun_ms: when the counting of each row began (its own stamp for a tip). A gap of exactly
    gap_ms between one row's stamp and the next row's beginning does not end a spell.
    """
    found = [] if carried is None else [carried]
    if not len(t_ms):
        return found
    last_ms = np.empty(len(t_ms), dtype=np.int64)
    last_ms[1:] = t_ms[:-1]
    last_ms[0] = begun_ms[0] if carried is None else carried.end_ms
    starts = begun_ms - last_ms > gap_ms
    starts[0] = carried is None or bool(starts[0])
    edges = np.append(np.flatnonzero(starts), len(t_ms))
    if not starts[0]:
        edges = np.insert(edges, 0, 0)
    running = np.zeros((periods, len(t_ms) + 1), dtype=np.int64)
    for k in range(periods):
        np.cumsum(np.where(period == k, counts, 0), out=running[k, 1:])
    for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        part = tuple((running[:, high] - running[:, low]).tolist())
        if low == 0 and not starts[0]:
            assert carried is not None
            joined = tuple(a + b for a, b in zip(carried.counts, part, strict=True))
            found[-1] = Spell(carried.start_ms, int(t_ms[high - 1]), joined)
        else:
            found.append(Spell(int(begun_ms[low]), int(t_ms[high - 1]), part))
    return found
