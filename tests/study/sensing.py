"""What the sensors of a drawn site said, written into a log as a logger would have left it."""

from pathlib import Path

import numpy as np
from happening import MINUTE_MS, Happened, run_volume_l
from scipy.signal import lfilter

from rainstead.log import Columns, LogWriter
from rainstead.readings import F64, I64, Quality
from rainstead.settings import Ranger, sensor_kind
from rainstead_board.twin.truth import sound_m_s

__all__ = ["air_error_c", "columns", "write_log"]

_BURST = 8
_NO_ECHO_RATIO = 4e-4
_SPIKE_RATIO = 2e-4
_IDLE_MS = 1_800_000
_AIR_MEMORY_MIN = 360.0


def write_log(path: Path, happened: Happened) -> int:
    """A new log of all that was said; returns how many readings."""
    settings = happened.site.settings
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers({name: sensor_kind(sensor) for name, sensor in settings.sensors.items()})
        segment = writer.begin_segment(writer.begin_boot("twin", "study", 0), 0, trusted=True)
        return writer.append_columns(segment, numbers, columns(happened))


def columns(happened: Happened) -> list[Columns]:
    """Readings of each sensor. The same site gives the same readings."""
    site = happened.site
    rng = np.random.default_rng([site.seed, 303])
    told = [_temperature("gap_air", 300, happened, rng), _temperature("shade_air", 600, happened, rng)]
    for name in site.errors:
        told.append(_level(name, happened, rng))
    told.append(_tips(happened))
    told.append(_pulses(happened, rng))
    return told


def air_error_c(rng: np.random.Generator, t_ms: I64, u_c: float, day_ratio: float, utc_offset_s: int) -> F64:
    """How much warmer a tank's gap is than its probe says, at each time.

    A part goes round with the day, warmest at two in the afternoon, and stays for the whole log; the rest wanders and
    has lost its memory after some six hours.
    """
    minutes = int((t_ms[-1] - t_ms[0]) // MINUTE_MS) + 2
    keep = float(np.exp(-1 / _AIR_MEMORY_MIN))
    kicks = rng.normal(0, np.sqrt(1 - keep**2), minutes)
    kicks[0] = rng.normal()
    wander = np.interp(t_ms, t_ms[0] + np.arange(minutes) * MINUTE_MS, lfilter([1.0], [1.0, -keep], kicks))
    hour = ((t_ms + utc_offset_s * 1000) % 86_400_000) / 3_600_000
    round_c = rng.normal() * np.sqrt(2) * np.cos(2 * np.pi * (hour - 14) / 24)
    return np.asarray(u_c * (np.sqrt(1 - day_ratio) * wander + np.sqrt(day_ratio) * round_c))


def _grid(happened: Happened, every_ms: int, shift_ms: int) -> I64:
    return np.arange(happened.t_ms[0] + shift_ms, happened.t_ms[-1] + 1, every_ms, dtype=np.int64)


def _temperature(name: str, every_s: int, happened: Happened, rng: np.random.Generator) -> Columns:
    t_ms = _grid(happened, every_s * 1000, 2_000)
    air_c = np.interp(t_ms, happened.t_ms[:-1] + MINUTE_MS // 2, happened.outdoor_c)
    return _plain(name, t_ms, np.round((air_c + rng.normal(0, 0.05, len(t_ms))) * 16) / 16)


def _level(name: str, happened: Happened, rng: np.random.Generator) -> Columns:
    site = happened.site
    tank, settings, error = site.settings.tanks[name], site.settings, site.errors[name]
    ranger = settings.sensors[f"{name}_level"]
    assert isinstance(ranger, Ranger) and tank.face_height_m is not None
    t_ms = _grid(happened, round(ranger.every_s * 1000), 3_000 + int(rng.integers(40_000)))
    depth_m = np.interp(t_ms, happened.t_ms, happened.depths_m[:, happened.column(name)])
    probe_c = np.interp(t_ms, happened.t_ms[:-1] + MINUTE_MS // 2, happened.outdoor_c)
    wrong_c = air_error_c(rng, t_ms, error.air_u_c, error.air_day_ratio, site.true.utc_offset_s)
    ullage_m = tank.face_height_m + error.face_m - depth_m
    if ranger.compensation == "internal":
        # Its own thermometer is wrong by as much; the vapour it does not see.
        believed_m_s, air_c = sound_m_s(probe_c + wrong_c, 0.0), probe_c
    else:
        believed_m_s, air_c = sound_m_s(np.asarray(ranger.assumed_air_c), 0.0), probe_c + wrong_c
    said_mm = (ullage_m * believed_m_s / sound_m_s(air_c, ranger.humidity_ratio) + error.range_m) * 1000
    count = len(t_ms)
    gusts = np.exp(rng.normal(0, 0.4, count // 60 + 1)).repeat(60)[:count]
    echo_mm = error.echo_mm * gusts
    said_mm += rng.normal(0, 1, count) * echo_mm * np.sqrt(np.pi / 2 / _BURST)
    spread = np.round(echo_mm * np.sqrt(rng.chisquare(_BURST - 1, count) / (_BURST - 1)), 1)
    quality = np.full(count, Quality.OK, dtype=np.uint8)
    luck = rng.random(count)
    spikes = np.flatnonzero(luck < _SPIKE_RATIO)
    said_mm[spikes] += rng.uniform(-400, 400, len(spikes))
    quality[spikes[::2]] = Quality.NOISY
    said_mm = np.round(said_mm)
    quality[said_mm < ranger.blanking_m * 1000] = Quality.BLANKED
    quality[said_mm > ranger.max_range_m * 1000] = Quality.OUT_OF_RANGE
    lost = luck > 1 - _NO_ECHO_RATIO
    quality[lost] = Quality.NO_ECHO
    said_mm[lost] = np.nan
    spread[lost] = np.nan
    return Columns(f"{name}_level", t_ms, said_mm, quality, spread)


def _tips(happened: Happened) -> Columns:
    true = happened.site.true
    rain_mm = np.concatenate([[0.0], np.cumsum(happened.weather.rain_mm)])
    full_mm = np.arange(1, int((true.bucket_start_mm + rain_mm[-1]) // true.tip_mm) + 1) * true.tip_mm
    full_mm -= true.bucket_start_mm
    wet = np.concatenate([[True], np.diff(rain_mm) > 0])
    # Between two minutes rain falls evenly; where it stands still the tip was at the end of what fell before.
    at_ms = np.ceil(np.interp(full_mm, rain_mm[wet], happened.t_ms[wet])).astype(np.int64)
    tip_ms, tips = np.unique(at_ms, return_counts=True)
    return _counted("gauge", tip_ms, tips, happened)


def _pulses(happened: Happened, rng: np.random.Generator) -> Columns:
    t_parts, counts = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for run in happened.runs:
        t_ms = run.start_ms + np.arange(int(np.ceil(run.lasts_s)) + 3, dtype=np.int64) * 1000
        turned = run_volume_l(run, (t_ms - run.start_ms) / 1000) * happened.site.true.pulses_per_l
        # The flow is never quite even: what is ahead now is behind a little later.
        uneven = lfilter([1.0], [1.0, -0.8], rng.normal(0, 0.004 * run.flow_l_min / 60, len(t_ms)))
        running = (t_ms - run.start_ms < run.lasts_s * 1000) & (t_ms > run.start_ms)
        turned = np.maximum.accumulate(turned + np.where(running, uneven, 0.0) * happened.site.true.pulses_per_l)
        total = np.floor(turned + rng.random()).astype(np.int64)
        t_parts.append(t_ms)
        counts.append(np.diff(total, prepend=0))
    return _counted("meter", np.concatenate(t_parts), np.concatenate(counts), happened)


def _counted(name: str, t_ms: I64, counts: I64, happened: Happened) -> Columns:
    idle_ms = np.setdiff1d(_grid(happened, _IDLE_MS, 5_000), t_ms)
    at_ms = np.concatenate([t_ms, idle_ms])
    value = np.concatenate([counts, np.zeros(len(idle_ms))]).astype(np.float64)
    order = np.argsort(at_ms, kind="stable")
    return _plain(name, at_ms[order], value[order])


def _plain(name: str, t_ms: I64, value: F64) -> Columns:
    return Columns(name, t_ms, value, np.zeros(len(t_ms), dtype=np.uint8), np.full(len(t_ms), np.nan))
