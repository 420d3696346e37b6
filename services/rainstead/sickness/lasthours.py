"""The last hours of the log in even steps: what each tank held, what gauge and meter counted, to hold one against
the other."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead.derive import Deriver, FlowRows, LevelRows, RainRows
from rainstead.log import ReadingSource
from rainstead.readings import F64, I64, U8, Quality
from rainstead.settings import Settings

__all__ = ["ROOF_LAG_MS", "STEP_MS", "WINDOWS", "LastHours", "TankSteps", "last_hours"]

STEP_MS: Final = 600_000
WINDOWS: Final = (6, 18)
"""Steps that are looked at, the newest: much water shows within an hour, little in three."""
ROOF_LAG_MS: Final = 1_800_000
"""Tips so long before a window count: the roofs' water comes later than they."""
_STEPS: Final = max(WINDOWS) + 1 + ROOF_LAG_MS // STEP_MS
FEWEST: Final = 3
"""Levels in a step whose median stands for it."""
AT_ONCE: Final = 5_000


@dataclass(frozen=True, slots=True)
class TankSteps:
    """Medians of each step; NaN where there were too few levels. depth_u_m: of the newest level.

    was_blanked: in which steps the water was too near to be measured.
    """

    depth_m: F64
    volume_l: F64
    was_blanked: F64
    depth_u_m: float


@dataclass(frozen=True, slots=True)
class LastHours:
    """Steps end at edges_ms[1:]. Rows of gauge and meter as they are; empty where the site has none."""

    edges_ms: I64
    tanks: Mapping[str, TankSteps]
    tipped_ms: I64
    rain_mm: F64
    flow_began_ms: I64
    """When the counting of each of the meter's rows began."""
    flowed_ms: I64
    pulses: I64
    flowed_l: F64
    gauge_quality: int | None
    """Of its newest row; None where there is none."""

    def rain_since_mm(self, from_ms: int) -> float:
        """What the gauge told after a time."""
        return float(self.rain_mm[self.tipped_ms > from_ms].sum())

    def flow_since_l(self, from_ms: int) -> float:
        """What the meter told after a time."""
        return float(self.flowed_l[self.flowed_ms > from_ms].sum())


def last_hours(settings: Settings, reader: ReadingSource, as_of_ms: int) -> LastHours:
    """The longest window up to a time, with what must be known before it."""
    deriver = Deriver(settings)
    state = deriver.start()
    edges_ms = as_of_ms - STEP_MS * np.arange(_STEPS, -1, -1, dtype=np.int64)
    levels: dict[str, list[_Level]] = {name: [] for name in deriver.tank_names}
    rain, flow = list[RainRows](), list[FlowRows]()
    # An air temperature of the hour before stands for the first levels.
    from_ms = int(edges_ms[0]) - 6 * STEP_MS
    for batch in reader.batches(after_ms=from_ms, upto_ms=as_of_ms, sensors=deriver.sensor_names(), size=AT_ONCE):
        state, derived = deriver.advance(state, batch)
        for rows in derived.levels:
            levels[rows.tank].append(_Level.of(rows))
        rain += derived.rain
        flow += derived.flow
    no_times, nothing = np.empty(0, np.int64), np.empty(0)
    return LastHours(
        edges_ms=edges_ms,
        tanks={name: _steps(parts, edges_ms) for name, parts in levels.items()},
        tipped_ms=np.concatenate([no_times, *(rows.t_ms for rows in rain)]),
        rain_mm=np.concatenate([nothing, *(rows.rain_mm for rows in rain)]),
        flow_began_ms=np.concatenate([no_times, *(rows.start_ms for rows in flow)]),
        flowed_ms=np.concatenate([no_times, *(rows.t_ms for rows in flow)]),
        pulses=np.concatenate([no_times, *(rows.pulses for rows in flow)]),
        flowed_l=np.concatenate([nothing, *(rows.volume_l for rows in flow)]),
        gauge_quality=None if state.gauge is None else state.gauge.last_quality,
    )


@dataclass(frozen=True, slots=True)
class _Level:
    """What is kept of a tank's rows: the logger looks every ten minutes, and keeps the memory that this takes."""

    t_ms: I64
    quality: U8
    depth_m: F64
    volume_l: F64
    newest_u_m: float

    @staticmethod
    def of(rows: LevelRows) -> "_Level":
        known = rows.depth_u_m[(rows.quality == Quality.OK) & ~np.isnan(rows.depth_u_m)]
        newest_u_m = float(known[-1]) if len(known) else float("nan")
        return _Level(rows.t_ms, rows.quality, rows.depth_m, rows.volume_l, newest_u_m)


def _steps(parts: list[_Level], edges_ms: I64) -> TankSteps:
    t_ms = np.concatenate([np.empty(0, np.int64), *(part.t_ms for part in parts)])
    quality = np.concatenate([np.empty(0, np.uint8), *(part.quality for part in parts)])
    depth_m = np.concatenate([np.empty(0), *(part.depth_m for part in parts)])
    volume_l = np.concatenate([np.empty(0), *(part.volume_l for part in parts)])
    known = (quality == Quality.OK) & ~np.isnan(volume_l)
    steps = len(edges_ms) - 1
    depths, volumes, blanked = np.full(steps, np.nan), np.full(steps, np.nan), np.zeros(steps)
    bounds = np.searchsorted(t_ms, edges_ms, side="right")
    for k, (low, high) in enumerate(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True)):
        inside = known[low:high]
        blanked[k] = float((quality[low:high] == Quality.BLANKED).any())
        if np.count_nonzero(inside) >= FEWEST:
            depths[k] = np.median(depth_m[low:high][inside])
            volumes[k] = np.median(volume_l[low:high][inside])
    newest = [part.newest_u_m for part in parts if not np.isnan(part.newest_u_m)]
    return TankSteps(depths, volumes, blanked, newest[-1] if newest else float("nan"))
