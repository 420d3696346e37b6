"""One level sensor's readings from the log, with what the calculation makes of each: its quality, and the air gap."""

from dataclasses import dataclass

import numpy as np

from rainstead.derive import Deriver
from rainstead.log import ReadingSource
from rainstead.readings import F64, I64, U8
from rainstead.settings import Ranger, Settings

__all__ = ["JudgedLevels", "judged_levels"]


@dataclass(frozen=True, slots=True)
class JudgedLevels:
    """Columns of one length. raw_mm: as it is in the log. ullage_m: corrected for the air; NaN where there is none."""

    t_ms: I64
    raw_mm: F64
    quality: U8
    ullage_m: F64


def judged_levels(
    settings: Settings, reader: ReadingSource, sensor: str, *, after_ms: int, upto_ms: int, size: int
) -> JudgedLevels | None:
    """The readings of a time, in pieces of `size`; None for a sensor of no tank, of which nothing is made."""
    deriver = Deriver(settings)
    tanks = [tank for tank in deriver.tanks if tank.sensor_name == sensor]
    if not tanks:
        return None
    ranger = settings.sensors[sensor]
    assert isinstance(ranger, Ranger)
    names = [sensor, *([] if ranger.air is None else [ranger.air])]
    t_ms, raw_mm = [np.empty(0, dtype=np.int64)], [np.empty(0)]
    quality, ullage_m = [np.empty(0, dtype=np.uint8)], [np.empty(0)]
    state = deriver.start()
    for batch in reader.batches(after_ms=after_ms, upto_ms=upto_ms, sensors=names, size=size):
        state, derived = deriver.advance(state, batch)
        (rows,) = (one for one in derived.levels if one.tank == tanks[0].name)
        t_ms.append(rows.t_ms)
        raw_mm.append(batch.of(sensor).value)
        quality.append(rows.quality)
        ullage_m.append(tanks[0].face_height_m - rows.depth_m)
    return JudgedLevels(np.concatenate(t_ms), np.concatenate(raw_mm), np.concatenate(quality), np.concatenate(ullage_m))
