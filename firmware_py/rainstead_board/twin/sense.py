"""What the drivers would have reported of a history: the truth through noisy sensors, as columns."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rainstead.readings import F64, I64, Quality
from rainstead.settings import FlowPulse, OneWireProbe, Ranger, Settings, TippingBucket
from rainstead_board.twin.physics import Truth
from rainstead_board.twin.truth import TrueTank, TwinSite, sound_m_s

__all__ = ["ECHO_NOISE_MM", "Block", "echo_s", "history", "said_mm", "tip_times_ms"]

IDLE_MS = 600_000
"""A counter that counts nothing says so this often."""
ECHO_NOISE_MM = 2.0
_BURST = 8
_NO_ECHO_RATIO = 4e-4
_SPIKE_RATIO = 2e-4


class Block(NamedTuple):
    """Readings of one sensor as columns, in order of time."""

    sensor: str
    t_ms: I64
    value: F64
    quality: npt.NDArray[np.uint8]
    spread: F64


def echo_s(tank: TrueTank, site: TwinSite, depth_m: F64, air_c: F64) -> F64:
    """Seconds that the echo takes to the water and back. air_c: what the probe feels; the gap is warmer."""
    ullage_m = tank.face_height_m - np.asarray(depth_m) + tank.sensor_offset_m
    return np.asarray(2 * ullage_m / sound_m_s(np.asarray(air_c) + site.gap_warmer_c, tank.humidity_ratio))


def said_mm(tank: TrueTank, ranger: Ranger, site: TwinSite, depth_m: F64, air_c: F64) -> F64:
    """Millimetres that the ranger makes of the echo, before noise and rounding."""
    if ranger.compensation == "internal":
        return np.asarray((tank.face_height_m - np.asarray(depth_m) + tank.sensor_offset_m) * 1000)
    # A trigger/echo ranger has no idea of its own: its driver writes the time down at 343.2 m/s, whatever is set.
    bare = ranger.kind == "ranger-echo"
    assumed_m_s = 343.2 if bare else float(sound_m_s(np.asarray(ranger.assumed_air_c), 0.0))
    return np.asarray(echo_s(tank, site, depth_m, air_c) / 2 * assumed_m_s * 1000)


def history(truth: Truth, settings: Settings, seed: int, level_every_s: float = 10.0) -> list[Block]:
    """One block for each sensor of the settings that the twin knows how to feel.

    Level bursts every `level_every_s`, rounded to 1 mm, with lost echoes (NaN, NO_ECHO), ragged bursts (NOISY)
    and a few spikes that no flag gives away. Tips and pulses as counts since the row before, temperature in the
    probe's steps of 1/16 deg C. The same arguments give the same rows to the bit.
    """
    blocks = []
    for number, (name, sensor) in enumerate(settings.sensors.items()):
        rng = np.random.default_rng([seed, number])
        if isinstance(sensor, Ranger):
            for k, tank in enumerate(truth.site.tanks):
                if tank.sensor == name:
                    blocks.append(_level(name, sensor, truth, k, every_s=level_every_s, rng=rng))
        elif isinstance(sensor, TippingBucket):
            if settings.rain and settings.rain.gauge == name:
                blocks.append(_tips(name, truth))
        elif isinstance(sensor, FlowPulse):
            if settings.pump and settings.pump.meter == name:
                blocks.append(_pulses(name, round(sensor.every_s * 1000), truth))
        elif isinstance(sensor, OneWireProbe):
            blocks.append(_temperature(name, sensor, truth, rng))
    return blocks


def _grid(truth: Truth, every_ms: int) -> I64:
    return np.arange(truth.t_ms[0] + every_ms, truth.t_ms[-1] + 1, every_ms, dtype=np.int64)


def _air(truth: Truth, t_ms: I64) -> F64:
    return np.interp(t_ms, truth.t_ms[:-1] + 30_000, truth.weather.air_c)


def _level(name: str, ranger: Ranger, truth: Truth, k: int, *, every_s: float, rng: np.random.Generator) -> Block:
    t_ms = _grid(truth, round(every_s * 1000))
    depth_m = np.interp(t_ms, truth.t_ms, truth.depths_m[:, k])
    gap_c = _air(truth, t_ms) + truth.site.gap_extra_c(t_ms)
    value = said_mm(truth.site.tanks[k], ranger, truth.site, depth_m, gap_c)
    echo_mm = np.hypot(ECHO_NOISE_MM, truth.site.ripple_at_mm(t_ms))
    count = len(t_ms)
    # The median of n echoes is noisier than their mean by the root of pi/2.
    value += rng.normal(0.0, echo_mm * np.sqrt(np.pi / 2 / _BURST), count)
    spread = echo_mm * np.sqrt(rng.chisquare(_BURST - 1, count) / (_BURST - 1))
    quality = np.full(count, Quality.OK, dtype=np.uint8)
    luck = rng.random(count)
    spikes = np.flatnonzero(luck < _SPIKE_RATIO)
    value[spikes] += rng.uniform(-600, 600, len(spikes))
    ragged = spikes[rng.random(len(spikes)) < 0.7]
    spread[ragged] = rng.uniform(1.5, 10, len(ragged)) * ranger.noisy_above_m * 1000
    quality[ragged] = Quality.NOISY
    value = np.round(value)
    blanked = value < ranger.blanking_m * 1000
    value[blanked] = np.ceil(ranger.blanking_m * 1000)
    quality[blanked] = Quality.BLANKED
    quality[value > ranger.max_range_m * 1000] = Quality.OUT_OF_RANGE
    lost = luck > 1 - _NO_ECHO_RATIO
    quality[lost] = Quality.NO_ECHO
    value[lost] = np.nan
    spread = np.round(spread, 1)
    spread[lost] = np.nan
    return Block(name, t_ms, value, quality, spread)


def tip_times_ms(truth: Truth) -> I64:
    """Moments at which the bucket tipped, UTC milliseconds."""
    site = truth.site
    made = int((site.bucket_start_mm + truth.rain_mm[-1]) // site.tip_mm)
    full_mm = np.arange(1, made + 1) * site.tip_mm - site.bucket_start_mm
    step = np.searchsorted(truth.rain_mm, full_mm, side="left")
    fell = truth.rain_mm[step] - truth.rain_mm[step - 1]
    part = (full_mm - truth.rain_mm[step - 1]) / fell
    before_ms = truth.t_ms[step - 1]
    return np.asarray(before_ms + np.ceil(part * (truth.t_ms[step] - before_ms)).astype(np.int64))


def _counts(name: str, t_ms: I64, value: F64) -> Block:
    return Block(name, t_ms, value, np.zeros(len(t_ms), dtype=np.uint8), np.full(len(t_ms), np.nan, dtype=np.float64))


def _tips(name: str, truth: Truth) -> Block:
    # The sum over equal stamps, should a cloudburst tip twice within a millisecond.
    tips_ms, tips = np.unique(tip_times_ms(truth), return_counts=True)
    idle_ms = np.setdiff1d(_grid(truth, IDLE_MS), tips_ms)
    t_ms = np.concatenate([tips_ms, idle_ms])
    value = np.concatenate([tips.astype(np.float64), np.zeros(len(idle_ms))])
    order = np.argsort(t_ms)
    return _counts(name, t_ms[order], value[order])


def _pulses(name: str, every_ms: int, truth: Truth) -> Block:
    """Rows while water flows, one of nought before and after each run, and one now and then when idle."""
    t_parts, v_parts = [], []
    litres = 0.0
    made = 0
    for run in sorted(truth.pump_runs, key=lambda run: run.start_ms):
        rows = -((run.start_ms - run.stop_ms) // every_ms)
        t_run = run.start_ms + np.arange(rows + 2, dtype=np.int64) * every_ms
        ran_min = (np.minimum(t_run, run.stop_ms) - run.start_ms) / 60_000
        total = np.floor((litres + ran_min * run.flow_l_min) * truth.site.pulses_per_l).astype(np.int64)
        t_parts.append(t_run)
        v_parts.append(np.diff(total, prepend=made))
        litres += (run.stop_ms - run.start_ms) / 60_000 * run.flow_l_min
        made = int(total[-1])
    idle_ms = _grid(truth, IDLE_MS)
    for t_run in t_parts:
        idle_ms = idle_ms[(idle_ms < t_run[0]) | (idle_ms > t_run[-1])]
    t_ms = np.concatenate([*t_parts, idle_ms])
    value = np.concatenate([*v_parts, np.zeros(len(idle_ms))]).astype(np.float64)
    order = np.argsort(t_ms, kind="stable")
    return _counts(name, t_ms[order], value[order])


def _temperature(name: str, probe: OneWireProbe, truth: Truth, rng: np.random.Generator) -> Block:
    t_ms = _grid(truth, round(probe.every_s * 1000))
    felt_c = _air(truth, t_ms) - probe.offset_c + rng.normal(0, 0.05, len(t_ms))
    return _counts(name, t_ms, np.round(felt_c * 16) / 16)
