"""A gauge that counts nothing while rain falls, and what only looks like that. The twin makes rain and water."""

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from rainstead import answers
from rainstead.log import Columns, LogReader
from rainstead.readings import Quality
from rainstead.settings import parse_settings
from rainstead.sickness import Sickness, find_sickness
from rainstead_board.twin import demo_settings_text
from rainstead_board.twin.demo import fill_log
from rainstead_board.twin.invented import demo_site
from rainstead_board.twin.physics import ByHand, PumpRun, simulate
from rainstead_board.twin.sense import Block, history
from rainstead_board.twin.weather import Weather, air_cycle_c

HOUR_MS = 3_600_000
START_MS = 1_780_012_800_000
"""Midnight; what happens begins at noon."""
NOON_MS = START_MS + 12 * HOUR_MS
TEXT = demo_settings_text(every="20 s")
SETTINGS = parse_settings(TEXT, "test")
HALF_FULL = (0.5, 0.5, 0.5)


@cache
def blocks(
    rain_mm_h: float,
    hours: float,
    *,
    by_hand: tuple[ByHand, ...] = (),
    pump: tuple[PumpRun, ...] = (),
    full: Sequence[float] = HALF_FULL,
    warming_c: float = 0.0,
) -> list[Block]:
    """A day of the demo's site with rain from noon on."""
    site, minutes = demo_site(SETTINGS), 20 * 60
    rain_mm = np.zeros(minutes)
    rain_mm[720 : 720 + round(hours * 60)] = rain_mm_h / 60
    t_ms = START_MS + 60_000 * np.arange(minutes)
    air_c = air_cycle_c(t_ms, site.latitude_deg, site.utc_offset_s)
    air_c = air_c + warming_c * np.clip((t_ms - NOON_MS) / (3 * HOUR_MS), 0, 1)
    weather = Weather(START_MS, rain_mm, air_c)
    truth = simulate(site, weather, full_ratio=full, by_hand=by_hand, pump_runs=pump)
    return history(truth, SETTINGS, 5, 20.0)


def muted(block: Block) -> Block:
    """Only what a gauge says that hears nothing: noughts."""
    if block.sensor != "rain_gauge":
        return block
    keep = block.value == 0
    return Block(block.sensor, block.t_ms[keep], block.value[keep], block.quality[keep], block.spread[keep])


def log_of(folder: Path, made: list[Block], *, mute: bool, text: str = TEXT) -> Path:
    columns = [Columns(*(muted(block) if mute else block)) for block in made]
    fill_log(folder / "readings.db", text, parse_settings(text, "test"), columns)
    return folder / "readings.db"


def told(path: Path, hours: Sequence[float], text: str = TEXT) -> list[Sickness | None]:
    """What is told of the gauge, so many hours after noon."""
    settings = parse_settings(text, "test")
    with LogReader(path) as reader:
        return [find_sickness(settings, reader, NOON_MS + round(h * HOUR_MS)).get("rain_gauge") for h in hours]


@pytest.mark.parametrize(("rain_mm_h", "hours", "by_h"), [(20.0, 1.5, 1.0), (4.0, 4.0, 3.0)])
def test_a_gauge_that_is_silent_while_tanks_gain_is_told_within_the_storm(
    tmp_path: Path, rain_mm_h: float, hours: float, by_h: float
) -> None:
    path = log_of(tmp_path, blocks(rain_mm_h, hours), mute=True)
    before, sick = told(path, [-0.5, by_h])
    assert before is None
    assert sick is not None and sick.state == "no_rain" and "it told 0.0 mm; is its funnel blocked" in sick.because
    assert sick.since_ms is not None and sick.since_ms < NOON_MS + by_h * HOUR_MS
    as_of_ms = NOON_MS + round(by_h * HOUR_MS)
    with LogReader(path) as reader:
        now = answers.now(SETTINGS, reader, as_of_ms)
        health = answers.health(SETTINGS, reader, as_of_ms, site=tmp_path, run_folder=tmp_path)
    assert now.rain is not None and now.rain.is_at_least and now.rain.because == sick.because
    (gauge,) = (one.health for one in health.sensors if one.health.name == "rain_gauge")
    assert (gauge.state, gauge.is_in_trouble) == ("no_rain", True)


def test_a_gauge_that_tells_the_rain_is_well(tmp_path: Path) -> None:
    path = log_of(tmp_path, blocks(20.0, 1.5), mute=False)
    assert told(path, np.arange(-1, 5, 0.5).tolist()) == [None] * 12


def test_water_that_is_carted_in_pumped_over_or_runs_over_a_brim_is_no_silent_gauge(tmp_path: Path) -> None:
    minute = 60_000
    carted = tuple(
        ByHand(tank, NOON_MS + start * minute, NOON_MS + (start + 25) * minute, 180.0)
        for tank, start in (("upper", 0), ("house", 40), ("pool", 90))
    )
    hose = (ByHand("upper", NOON_MS, NOON_MS + 240 * minute, 30.0),)
    pumped = (PumpRun(NOON_MS, NOON_MS + 100 * minute, 50.0),)
    for name, made in {
        "carted": blocks(0.0, 0.0, by_hand=carted, full=(0.2, 0.2, 0.2)),
        "a hose over the brim": blocks(0.0, 0.0, by_hand=hose, full=(0.9, 0.97, 0.4)),
        "pumped": blocks(0.0, 0.0, pump=pumped),
    }.items():
        folder = tmp_path / name
        folder.mkdir()
        path = log_of(folder, made, mute=True)
        assert told(path, np.arange(0, 7.5, 0.5).tolist()) == [None] * 15, name


def test_levels_that_rise_with_the_warmth_of_the_air_alone_are_no_silent_gauge(tmp_path: Path) -> None:
    """No probe stands for the air, and it warms by 12 degrees: all levels seem to rise together."""
    text = TEXT.replace('air = "gap_air"\n', "", 3)
    path = log_of(tmp_path, blocks(0.0, 0.0, warming_c=12.0), mute=True, text=text)
    with LogReader(path) as reader:
        depths = [
            answers.now(parse_settings(text, "test"), reader, NOON_MS + h * HOUR_MS).tanks[0].depth_m for h in (0, 3)
        ]
    assert depths[0] is not None and depths[1] is not None and depths[1] - depths[0] > 0.015
    assert told(path, np.arange(0, 5, 0.5).tolist(), text) == [None] * 10


def test_a_gauge_that_says_itself_that_it_cannot_count_is_not_told_twice(tmp_path: Path) -> None:
    made = []
    for block in blocks(20.0, 1.5):
        if block.sensor == "rain_gauge":
            t_ms = NOON_MS + np.arange(10, 90, dtype=np.int64) * 60_000
            unknown = np.full(len(t_ms), np.nan)
            made.append(Block(block.sensor, t_ms, unknown, np.full(len(t_ms), Quality.STUCK, np.uint8), unknown))
        else:
            made.append(block)
    assert told(log_of(tmp_path, made, mute=False), [1.0, 1.4]) == [None, None]


def test_a_tank_that_is_sick_itself_is_no_witness(tmp_path: Path) -> None:
    """Two of three levels say nothing for hours: with one tank alone nothing tells rain from a hose."""
    made = [
        replace_values(block) if block.sensor in ("upper_level", "house_level") else block
        for block in blocks(20.0, 1.5)
    ]
    assert told(log_of(tmp_path, made, mute=True), [1.0, 1.5, 2.0]) == [None] * 3


def replace_values(block: Block) -> Block:
    late = block.t_ms > NOON_MS - 2 * HOUR_MS
    return block._replace(
        value=np.where(late, np.nan, block.value),
        quality=np.where(late, np.uint8(Quality.NO_ECHO), block.quality).astype(np.uint8),
    )
