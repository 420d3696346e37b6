"""A site of two tanks under two roofs and the log of some showers, whose every litre is counted here.

All invented. Tank `high` (2 m by 1 m: 2000 L a metre, brim at 2 m) overflows into `low` (as wide, brim at 1.5 m, open
to the sky); the house draws from `low`. Dry air at the temperature that the ranger assumes: ullage is its millimetres.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rainstead.log import Columns, LogWriter
from rainstead.readings import Quality
from rainstead.settings import parse_settings, sensor_kind

__all__ = ["DAY_MS", "HIGH_L_MM", "LOW_L_MM", "ROOF_SETTINGS", "START_MS", "Shower", "Water", "make_roof_site"]

DAY_MS = 86_400_000
START_MS = 1_767_225_600_000
"""2026-01-01T00:00Z."""
HIGH_L_MM, LOW_L_MM = 45.0, 27.0
LOSS_MM = 0.5
_STEP_MS = 600_000
_DRAW_L_DAY = 150.0

ROOF_SETTINGS = """
[site]
name = "Two roofs (invented)"
time_zone = "Europe/Lisbon"
latitude_deg = 39.0

[sensors.high_level]
kind = "ranger-text"
port = "/nowhere/a"
every = "600 s"
humidity_ratio = 0.0
air_u_c = 0.2
median_of = 1

[sensors.low_level]
kind = "ranger-text"
port = "/nowhere/b"
every = "600 s"
humidity_ratio = 0.0
air_u_c = 0.2
median_of = 1

[sensors.gauge]
kind = "tipping-bucket"
gpio = 17
calibrations = [{ depth_per_tip = "0.2 mm" }]

[tanks.high]
sensor = "high_level"
face_height = "2.5 m"
brim = "2.0 m"
outlet = "0.1 m"
calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m", volume_u_ratio = 0.01 }]

[tanks.low]
sensor = "low_level"
face_height = "2.0 m"
brim = "1.5 m"
outlet = "0.1 m"
covered = false
calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m", volume_u_ratio = 0.01 }]

[catchments.barn]
area = "50 m2"
runoff_ratio = 0.9
initial_loss = "0.5 mm"
shares = { high = 1.0 }

[catchments.lean_to]
area = "30 m2"
runoff_ratio = 0.9
initial_loss = "0.5 mm"
shares = { low = 1.0 }

[[overflows]]
from = "high"
to = "low"

[rain]
gauge = "gauge"
"""


@dataclass(frozen=True, slots=True)
class Shower:
    """Rain that falls evenly. ratio: of it that the barn's roof delivers, 1 where its gutter is free."""

    start_ms: int
    rain_mm: float
    lasts_h: float = 3.0
    ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class Water:
    """What a shower really brought: off each roof, straight into `low`, and lost over the last brim."""

    high_l: float
    low_l: float
    direct_l: float
    lost_l: float


def make_roof_site(
    folder: Path,
    showers: Sequence[Shower],
    *,
    days: int,
    start_l: tuple[float, float] = (1000.0, 800.0),
    emptied: bool = True,
    text: str = ROOF_SETTINGS,
    noise_m: float = 0.0005,
    seed: int = 0,
    pulses: Sequence[tuple[int, int]] = (),
) -> tuple[Path, list[Water]]:
    """Settings and log in a folder, and the truth of each shower.

    emptied: the tanks are set back to `start_l` half a day after each shower, so that none but the asked-for spill.
    pulses: stamps and counts of a meter, which move no water here.
    """
    t_ms = START_MS + np.arange(days * DAY_MS // _STEP_MS + 1, dtype=np.int64) * _STEP_MS
    high, low = start_l
    levels = np.zeros((len(t_ms), 2))
    water = [[0.0] * 4 for _ in showers]
    for k, at_ms in enumerate(t_ms.tolist()):
        low -= _DRAW_L_DAY * _STEP_MS / DAY_MS
        for one, shower in zip(water, showers, strict=True):
            before, after = _fallen_mm(shower, at_ms - _STEP_MS), _fallen_mm(shower, at_ms)
            ran_mm = max(after - LOSS_MM, 0.0) - max(before - LOSS_MM, 0.0)
            gained = (ran_mm * HIGH_L_MM * shower.ratio, ran_mm * LOW_L_MM, (after - before) * 2.0)
            high, low = high + gained[0], low + gained[1] + gained[2]
            low, high = low + max(high - 4000.0, 0.0), min(high, 4000.0)
            lost, low = max(low - 3000.0, 0.0), min(low, 3000.0)
            for part, litres in enumerate((*gained, lost)):
                one[part] += litres
            reset_ms = shower.start_ms + round(shower.lasts_h * 3_600_000) + DAY_MS // 2
            if emptied and reset_ms <= at_ms < reset_ms + _STEP_MS:
                high, low = start_l
        levels[k] = high, low
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(text, encoding="utf-8")
    rng = np.random.default_rng(seed)
    settings = parse_settings(text, "site.toml")
    blocks = []
    for column, (name, face_m) in enumerate((("high_level", 2.5), ("low_level", 2.0))):
        range_mm = np.round(1000 * (face_m - levels[:, column] / 2000) + rng.normal(0, 1000 * noise_m, len(t_ms)))
        blocks.append(_columns(name, t_ms, range_mm))
    tips = [_tips_ms(shower) for shower in showers]
    tips_ms = np.concatenate([*tips, np.zeros(0, dtype=np.int64)])
    quiet_ms = np.setdiff1d(t_ms, tips_ms)
    gauge_ms = np.concatenate([tips_ms, quiet_ms])
    order = np.argsort(gauge_ms, kind="stable")
    counts = np.concatenate([np.ones(len(tips_ms)), np.zeros(len(quiet_ms))])
    blocks.append(_columns("gauge", gauge_ms[order], counts[order]))
    if pulses:
        pulse_ms, counts = np.array(pulses, dtype=np.int64).T
        blocks.append(_columns("meter", pulse_ms, counts.astype(np.float64)))
    with LogWriter(folder / "readings.db") as writer:
        numbers = writer.sensor_numbers({name: sensor_kind(sensor) for name, sensor in settings.sensors.items()})
        segment = writer.begin_segment(writer.begin_boot("a test", "history", 0), 0, trusted=True)
        writer.append_columns(segment, numbers, blocks)
    return folder, [Water(*one) for one in water]


def _fallen_mm(shower: Shower, at_ms: int) -> float:
    part = (at_ms - shower.start_ms) / (shower.lasts_h * 3_600_000)
    return shower.rain_mm * min(max(part, 0.0), 1.0)


def _tips_ms(shower: Shower) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """A tip as each 0.2 mm is full, the bucket half full at first."""
    full_mm = np.arange(0.1, shower.rain_mm, 0.2)
    return np.asarray(shower.start_ms + full_mm / shower.rain_mm * shower.lasts_h * 3_600_000).astype(np.int64)


def _columns(
    sensor: str, t_ms: np.ndarray[tuple[int], np.dtype[np.int64]], value: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> Columns:
    return Columns(sensor, t_ms, value, np.full(len(t_ms), Quality.OK, dtype=np.uint8), np.full(len(t_ms), np.nan))
