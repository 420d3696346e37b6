"""What the shared calculation makes of the readings: minutes of tanks, storms, pump runs. One pass over the log."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from rainstead import calc
from rainstead.calc.desk import TankMinutes
from rainstead.derive import Deriver, MeasuredTank, gauge_of, meter_of
from rainstead.evidence import MinuteFold
from rainstead.log import LogReader
from rainstead.readings import I64
from rainstead.replay import resume
from rainstead.settings import Settings

from .months import months, months_of
from .partitions import Partitions
from .tables import NO_TIME, Chunk

__all__ = ["write_worked_out"]

Progress = Callable[[int], None]
_MINUTE_MS = 60_000
_ALWAYS_MS = -(10**15)
"""A calibration from before this has no date."""


def write_worked_out(
    settings: Settings,
    reader: LogReader,
    tables: Mapping[str, Partitions],
    from_ms: int,
    upto_ms: int,
    progress: Progress,
    size: int = 200_000,
) -> None:
    """Those of `minutes`, `storms` and `runs` that are asked for, of from_ms < t_ms <= upto_ms.

    Storms and runs are those that ended in the time or may go on, whole; as they stand at its end.
    """
    deriver = Deriver(settings)
    state = resume(reader, deriver, upto_ms=from_ms)
    spells = _Spells(settings, tables, from_ms)
    for month in [None, *months(from_ms, upto_ms)]:
        # Up to where the time begins, for what the calculation remembers from before it.
        after_ms, until_ms = (state.upto_ms, from_ms) if month is None else (month.from_ms, month.upto_ms)
        folds = {tank.name: MinuteFold(tank) for tank in deriver.tanks}
        for batch in reader.batches(after_ms=after_ms, upto_ms=until_ms, size=size):
            state, derived = deriver.advance(state, batch)
            progress(len(batch))
            if month is None:
                continue
            if "minutes" in tables:
                for levels in derived.levels:
                    folds[levels.tank].add(levels, month.from_ms)
            spells.storms(derived.storms)
            spells.runs(derived.runs)
        if "minutes" in tables:
            parts = [_minutes(tank, folds[tank.name].finish()) for tank in deriver.tanks]
            _write_minutes(tables["minutes"], parts)
    storm, run = deriver.open_storm(state), deriver.open_run(state)
    spells.storms([] if storm is None else [storm])
    spells.runs([] if run is None else [run])


def _write_minutes(table: Partitions, parts: list[Chunk]) -> None:
    parts = [part for part in parts if len(part["utc"])]
    if not parts:
        return
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    order = np.argsort(columns["utc"], kind="stable")
    chunk = {name: values[order] for name, values in columns.items()}
    table.add(chunk, months_of(chunk["utc"]))


def _minutes(tank: MeasuredTank, minutes: TankMinutes) -> Chunk:
    return {
        "utc": minutes.t_ms - _MINUTE_MS,
        "tank": np.full(len(minutes.t_ms), minutes.tank, dtype=object),
        "readings": minutes.readings,
        "depth_m": minutes.depth_m,
        "depth_noise_u_m": minutes.depth_noise_u_m,
        "depth_zero_u_m": minutes.depth_zero_u_m,
        "depth_sound_u_m": minutes.depth_sound_u_m,
        "depth_u_m": np.sqrt(minutes.depth_noise_u_m**2 + minutes.depth_zero_u_m**2 + minutes.depth_sound_u_m**2),
        "volume_l": minutes.volume_l,
        "noise_u_l": minutes.noise_u_l,
        "zero_u_l": minutes.zero_u_l,
        "sound_u_l": minutes.sound_u_l,
        "scale_u_l": minutes.scale_u_l,
        "volume_u_l": np.sqrt(minutes.noise_u_l**2 + minutes.zero_u_l**2 + minutes.sound_u_l**2 + minutes.scale_u_l**2),
        "at_brim": minutes.at_brim,
        "calibration_from_utc": _dated(tank.since_ms, minutes.t_ms),
    }


class _Spells:
    """Storms and runs, as they end."""

    def __init__(self, settings: Settings, tables: Mapping[str, Partitions], from_ms: int) -> None:
        self._gauge, self._meter, self._pump = gauge_of(settings), meter_of(settings), settings.pump
        self._tables, self._from_ms = tables, from_ms

    def storms(self, found: Sequence[calc.Storm]) -> None:
        """Write those that ended in the time."""
        some = [storm for storm in found if storm.end_ms > self._from_ms]
        if self._gauge is None or "storms" not in self._tables or not some:
            return
        start_ms, end_ms = _stamps(some, "start_ms"), _stamps(some, "end_ms")
        chunk: Chunk = {
            "utc": start_ms,
            "end_utc": end_ms,
            "gauge": np.full(len(some), self._gauge.name, dtype=object),
            "duration_s": (end_ms - start_ms) / 1000,
            "tips": _stamps(some, "tips"),
            "rain_mm": np.array([storm.rain_mm for storm in some]),
            "rain_u_mm": np.array([storm.rain_u_mm for storm in some]),
            "complete": np.array([storm.complete for storm in some]),
            "calibration_from_utc": _dated(self._gauge.since_ms, start_ms),
        }
        self._tables["storms"].add(chunk, months_of(start_ms))

    def runs(self, found: Sequence[calc.PumpRun]) -> None:
        """Write those that ended in the time."""
        some = [run for run in found if run.end_ms > self._from_ms]
        if self._meter is None or "runs" not in self._tables or not some:
            return
        start_ms, end_ms = _stamps(some, "start_ms"), _stamps(some, "end_ms")
        source = None if self._pump is None else self._pump.source
        chunk: Chunk = {
            "utc": start_ms,
            "end_utc": end_ms,
            "meter": np.full(len(some), self._meter.name, dtype=object),
            "source": np.full(len(some), source, dtype=object),
            "duration_s": (end_ms - start_ms) / 1000,
            "pulses": _stamps(some, "pulses"),
            "volume_l": np.array([run.volume_l for run in some]),
            "volume_u_l": np.array([run.volume_u_l for run in some]),
            "flow_l_min": np.array([run.flow_l_min for run in some]),
            "flow_u_l_min": np.array([run.flow_u_l_min for run in some]),
            "complete": np.array([run.complete for run in some]),
            "calibration_from_utc": _dated(self._meter.since_ms, start_ms),
        }
        self._tables["runs"].add(chunk, months_of(start_ms))


def _stamps(rows: Sequence[Any], name: str) -> I64:
    return np.array([getattr(row, name) for row in rows], dtype=np.int64)


def _dated(since_ms: tuple[int, ...], t_ms: I64) -> I64:
    """From when on the calibration in force holds."""
    began = np.array(since_ms, dtype=np.int64)[calc.in_force(since_ms, t_ms)]
    dated: I64 = np.where(began < _ALWAYS_MS, NO_TIME, began)
    return dated
