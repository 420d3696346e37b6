"""What this log has of one boot of the machine, by the boot clock: however its stamps were corrected, that stays."""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from rainstead.errors import LogDamaged
from rainstead.readings import I64

from ..rows import ROW, Rows, from_tuples, in_order
from ..sealed import Found, blocks_over, read_block
from ..thinning import MINUTE_MS, read_minutes

__all__ = ["OfBoot", "keys_of", "place_of"]

_MOST_SENSORS = 2**15
_FRESH = (
    "SELECT t_ms, sensor, segment, value, quality, spread, count FROM reading"
    " WHERE t_ms >= ? AND t_ms <= ? ORDER BY t_ms, sensor, segment"
)


def keys_of(rows: Rows) -> I64:
    """Boot clock and sensor as one number: what a reading is known by. rows: with boot clocks for stamps."""
    keys: I64 = rows["t_ms"] * _MOST_SENSORS + rows["sensor"]
    return keys


def place_of(keys: I64, sought: I64) -> tuple[I64, npt.NDArray[np.bool_]]:
    """For each number sought where it stands among the keys, which ascend, and whether it does."""
    place = np.searchsorted(keys, sought)
    there = place < len(keys)
    there[there] = keys[place[there]] == sought[there]
    return place, there


@dataclass(slots=True)
class OfBoot:
    """Of one boot. offsets: of each of its segments. unreadable: sealed hours of it that are damaged, and how many
    readings were brought in within each."""

    db: sqlite3.Connection
    offsets: dict[int, int]
    has_summaries: bool
    unreadable: dict[Found, int] = field(default_factory=dict)

    def readings(self, first_ms: int, last_ms: int) -> Rows:
        """Those with a boot clock within these, by it and by sensor, each once; stamps are boot clocks."""
        parts = []
        for offset_ms, segments in self._by_offset():
            low_ms, high_ms = first_ms + offset_ms, last_ms + offset_ms
            fresh = from_tuples(self.db.execute(_FRESH, (low_ms, high_ms)).fetchall())
            here = [fresh[np.isin(fresh["segment"], segments)]]
            for found in blocks_over(self.db, low_ms - 1, high_ms):
                if found.segment in segments:
                    here.append(self._readings_of(found, offset_ms))
            for rows in here:
                within = rows[(rows["t_ms"] >= low_ms) & (rows["t_ms"] <= high_ms)].copy()
                within["t_ms"] -= offset_ms
                parts.append(within)
        rows = in_order(parts)
        keys = keys_of(rows)
        return rows[np.concatenate([[True], keys[1:] != keys[:-1]])] if len(rows) else rows

    def _by_offset(self) -> Iterable[tuple[int, list[int]]]:
        groups: dict[int, list[int]] = {}
        for number, offset_ms in self.offsets.items():
            groups.setdefault(offset_ms, []).append(number)
        return groups.items()

    def _readings_of(self, found: Found, offset_ms: int) -> Rows:
        try:
            return read_block(self.db, found, offset_ms)
        except LogDamaged:
            self.unreadable.setdefault(found, 0)
            return np.empty(0, dtype=ROW)

    def brought(self, boot_ms: I64) -> None:
        """Count what was brought in where a sealed hour is damaged."""
        for found in self.unreadable:
            offset_ms = self.offsets[found.segment]
            within = (boot_ms >= found.first_ms - offset_ms) & (boot_ms <= found.last_ms - offset_ms)
            self.unreadable[found] += int(np.count_nonzero(within))

    def is_minutes_alone(self, boot_ms: I64, sensor: npt.NDArray[np.integer]) -> npt.NDArray[np.bool_]:
        """Which readings stand in minutes of which this log has let the full resolution go."""
        gone = np.zeros(len(boot_ms), dtype=bool)
        if not self.has_summaries or not len(boot_ms):
            return gone
        low_ms, high_ms = int(boot_ms.min()), int(boot_ms.max())
        for offset_ms, segments in self._by_offset():
            for found, origin_ms, groups in read_minutes(self.db, low_ms + offset_ms - MINUTE_MS, high_ms + offset_ms):
                if found.segment not in segments:
                    continue
                for group in groups:
                    begins = group.ms + origin_ms - offset_ms
                    at = np.searchsorted(begins, boot_ms, side="right") - 1
                    within = (at >= 0) & (boot_ms - begins[np.maximum(at, 0)] < MINUTE_MS)
                    gone |= within & (sensor == group.sensor)
        return gone
