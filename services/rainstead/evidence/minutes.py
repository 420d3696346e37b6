"""Level readings to a row a minute: the median, and how far chance alone moves it.

What is carried from batch to batch is the unfinished minute and whole numbers, so that the cut decides nothing.
"""

import math
from dataclasses import dataclass

import numpy as np

from rainstead import calc
from rainstead.calc.desk import TankMinutes
from rainstead.derive import LevelRows, MeasuredTank, air_or_assumed, litres_of
from rainstead.readings import F64, I64, Quality

__all__ = ["MinuteFold"]

_MINUTE_MS = 60_000
_BIN_M = 0.0001
_BINS = 2000
_STEP_U_M = float(calc.resolution_u(0.001))


@dataclass(frozen=True, slots=True)
class _Rows:
    """Readings that give a level, or say that the water is too near for one (depth NaN)."""

    t_ms: I64
    depth_m: F64
    air_c: F64


class MinuteFold:
    """One tank's readings, batch by batch, to its TankMinutes."""

    def __init__(self, tank: MeasuredTank) -> None:
        self._tank = tank
        self._carried = _Rows(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))
        self._minutes: list[tuple[I64, I64, F64, F64]] = []
        self._steps = np.zeros(_BINS, dtype=np.int64)
        self._last: tuple[int, float] | None = None
        self._near_ms = 3 * round(tank.ranger.every_s * 1000)

    def add(self, rows: LevelRows, after_ms: int) -> None:
        """Take in readings later than `after_ms`, in order of time."""
        told = (rows.t_ms > after_ms) & (
            ((rows.quality == Quality.OK) & ~np.isnan(rows.depth_m)) | (rows.quality == Quality.BLANKED)
        )
        if not told.any():
            return
        fresh = _Rows(
            rows.t_ms[told],
            np.where(rows.quality[told] == Quality.BLANKED, np.nan, rows.depth_m[told]),
            rows.air_c[told],
        )
        self._count_steps(fresh)
        all_rows = _Rows(
            np.concatenate([self._carried.t_ms, fresh.t_ms]),
            np.concatenate([self._carried.depth_m, fresh.depth_m]),
            np.concatenate([self._carried.air_c, fresh.air_c]),
        )
        minute = (all_rows.t_ms - 1) // _MINUTE_MS
        cut = int(np.searchsorted(minute, minute[-1]))
        self._fold(_Rows(all_rows.t_ms[:cut], all_rows.depth_m[:cut], all_rows.air_c[:cut]))
        self._carried = _Rows(all_rows.t_ms[cut:], all_rows.depth_m[cut:], all_rows.air_c[cut:])

    def finish(self) -> TankMinutes:
        """The minutes so far, the unfinished one too."""
        self._fold(self._carried)
        self._carried = _Rows(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))
        tank = self._tank
        t_ms = np.concatenate([m[0] for m in self._minutes] or [np.zeros(0, dtype=np.int64)])
        readings = np.concatenate([m[1] for m in self._minutes] or [np.zeros(0, dtype=np.int64)])
        told_m = np.concatenate([m[2] for m in self._minutes] or [np.zeros(0)])
        air_c = np.concatenate([m[3] for m in self._minutes] or [np.zeros(0)])
        blanked = np.isnan(told_m)
        depth_m = np.where(blanked, tank.tank.brim_m, told_m)
        noise_u_m = np.where(blanked, 0.0, self._noise_u_m(np.maximum(readings, 1)))
        zero_u_m = np.full(len(t_ms), math.hypot(tank.tank.face_height_u_m, tank.ranger.range_u_m))
        sound_u_m = _sound_u_m(tank, depth_m, air_c)
        held, u_ratio = litres_of(tank, t_ms, depth_m)
        all_u_m = np.sqrt(noise_u_m**2 + zero_u_m**2 + sound_u_m**2)
        return TankMinutes(
            tank=tank.name,
            t_ms=t_ms,
            readings=readings,
            depth_m=depth_m,
            depth_noise_u_m=noise_u_m,
            depth_zero_u_m=zero_u_m,
            depth_sound_u_m=sound_u_m,
            volume_l=held.volume_l,
            noise_u_l=held.l_per_m * noise_u_m,
            zero_u_l=held.l_per_m * zero_u_m,
            sound_u_l=held.l_per_m * sound_u_m,
            scale_u_l=held.volume_l * u_ratio,
            at_brim=blanked | (depth_m >= tank.tank.brim_m - 2 * all_u_m),
        )

    def _count_steps(self, fresh: _Rows) -> None:
        """Differences of neighbours tell the scatter, whatever the level does over minutes."""
        seen = ~np.isnan(fresh.depth_m)
        t_ms, depth_m = fresh.t_ms[seen], fresh.depth_m[seen]
        if not len(t_ms):
            return
        if self._last is not None:
            t_ms, depth_m = np.insert(t_ms, 0, self._last[0]), np.insert(depth_m, 0, self._last[1])
        near = np.diff(t_ms) <= self._near_ms
        bins = np.minimum(np.rint(np.abs(np.diff(depth_m))[near] / _BIN_M).astype(np.int64), _BINS - 1)
        self._steps += np.bincount(bins, minlength=_BINS)
        self._last = (int(t_ms[-1]), float(depth_m[-1]))

    def _scatter_m(self) -> float:
        """Standard deviation of one reading: the steps' root mean square, those far out left away."""
        count = self._steps
        if not count.sum():
            return _STEP_U_M
        size_m = np.arange(_BINS) * _BIN_M
        middle_m = size_m[np.searchsorted(np.cumsum(count), count.sum() / 2)]
        inside = size_m <= max(6 * 1.4826 * middle_m, 0.003)
        return math.sqrt(float((count[inside] * size_m[inside] ** 2).sum()) / float(count[inside].sum()) / 2)

    def _noise_u_m(self, readings: I64) -> F64:
        """Of a median of n: sigma sqrt(pi / (2 n + pi - 2)), which is sigma for one and the known limit for many.

        Below half a step of scatter all readings of still water round alike, and their number no longer helps.
        """
        scatter_m = self._scatter_m()
        of_median: F64 = scatter_m * np.sqrt(np.pi / (2 * readings + np.pi - 2))
        return np.maximum(of_median, _STEP_U_M) if scatter_m < 0.0005 else of_median

    def _fold(self, rows: _Rows) -> None:
        if not len(rows.t_ms):
            return
        minute = (rows.t_ms - 1) // _MINUTE_MS
        order = np.lexsort((rows.depth_m, minute))  # NaN sorts last
        minute, depth_m, air_c = minute[order], rows.depth_m[order], rows.air_c[order]
        starts = np.flatnonzero(np.diff(minute, prepend=minute[0] - 1))
        ends = np.append(starts[1:], len(minute))
        seen = np.add.reduceat((~np.isnan(depth_m)).astype(np.int64), starts)
        # A minute in which the water blanked the sensor more often than not stands at the brim.
        mostly = 2 * seen > ends - starts
        low = depth_m[starts + np.maximum(seen - 1, 0) // 2]
        high = depth_m[starts + np.minimum(seen // 2, np.maximum(seen - 1, 0))]
        middle_m = np.where(mostly, (low + high) / 2, np.nan)
        self._minutes.append(((minute[starts] + 1) * _MINUTE_MS, np.where(mostly, seen, 0), middle_m, air_c[starts]))


def _sound_u_m(tank: MeasuredTank, depth_m: F64, air_c: F64) -> F64:

    at_c, u_c = air_or_assumed(tank.ranger, air_c)
    return np.abs(tank.face_height_m - depth_m) * calc.sound_u_ratio(at_c, u_c, tank.ranger.humidity_ratio)
