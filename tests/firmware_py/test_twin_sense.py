"""The twin's history against its truth, by a few lines of arithmetic of the test's own."""

import tomllib

import numpy as np
import pytest

from rainstead.readings import Quality
from rainstead.settings import Settings
from rainstead_board.twin import (
    Block,
    PumpRun,
    Truth,
    TwinSite,
    demo_settings_text,
    generated_weather,
    history,
    simulate,
    tip_times_ms,
)
from rainstead_board.twin.sense import said_mm

START_MS = 1_767_571_200_000  # 2026-01-05 00:00 UTC
DAY_MS = 86_400_000
# Dry air, so that the plain formula of the test is the whole of it.
SITE_DATA = tomllib.loads(demo_settings_text())
for sensor in SITE_DATA["sensors"].values():
    if "air" in sensor:
        sensor["humidity_ratio"] = 0.0
SITE = Settings.model_validate(SITE_DATA)
RUNS = (
    PumpRun(START_MS + 3 * DAY_MS + 1_234, START_MS + 3 * DAY_MS + 601_734, 55.0),
    PumpRun(START_MS + 5 * DAY_MS, START_MS + 5 * DAY_MS + 60_000, 24.3),
)


@pytest.fixture(scope="module")
def truth() -> Truth:
    site = TwinSite.from_settings(SITE, seed=5)
    return simulate(site, generated_weather(START_MS, 20, seed=5, latitude_deg=39.4), pump_runs=RUNS)


@pytest.fixture(scope="module")
def blocks(truth: Truth) -> dict[str, Block]:
    return {block.sensor: block for block in history(truth, SITE, seed=9)}


def test_every_sensor_has_a_block_in_order_of_time(blocks: dict[str, Block]) -> None:
    assert set(blocks) == set(SITE.sensors)
    for block in blocks.values():
        assert np.all(np.diff(block.t_ms) > 0)
        assert len({len(column) for column in block[1:]}) == 1
    assert len(blocks["pool_level"].t_ms) == 20 * 8640


def test_tips_times_their_depth_are_the_rain_within_one_tip(truth: Truth, blocks: dict[str, Block]) -> None:
    gauge = blocks["rain_gauge"]
    counted_mm = np.cumsum(gauge.value) * 0.2
    fell_mm = np.interp(gauge.t_ms, truth.t_ms, truth.rain_mm)
    assert truth.rain_mm[-1] > 20
    assert np.abs(counted_mm - fell_mm).max() <= 0.2 + 1e-3  # a stamp is a whole millisecond
    assert np.all(gauge.value == np.round(gauge.value))
    np.testing.assert_array_equal(gauge.t_ms[gauge.value > 0], tip_times_ms(truth))
    assert np.diff(gauge.t_ms).max() <= 600_000


@pytest.mark.parametrize(("sensor", "tank"), [("upper_level", 0), ("house_level", 1), ("pool_level", 2)])
def test_a_level_turns_back_into_the_true_depth(truth: Truth, blocks: dict[str, Block], sensor: str, tank: int) -> None:
    """Speed of sound in dry air by ISO 9613-1:1993; 2 mm an echo and eight echoes make about 0.9 mm."""
    block, true = blocks[sensor], truth.site.tanks[tank]
    gap_k = np.interp(block.t_ms, truth.t_ms[:-1] + 30_000, truth.weather.air_c) + 0.5 + 273.15
    ullage_m = block.value / 1000 * np.sqrt(gap_k / 293.15)
    depth_m = true.face_height_m + true.sensor_offset_m - ullage_m
    error_mm = (depth_m - np.interp(block.t_ms, truth.t_ms, truth.depths_m[:, tank])) * 1000
    good = block.quality == Quality.OK
    assert abs(np.median(error_mm[good])) < 0.1
    assert np.quantile(np.abs(error_mm[good]), 0.6827) == pytest.approx(0.93, abs=0.08)
    assert np.mean(np.abs(error_mm[good]) > 6) < 3e-4
    assert 0 < abs(true.sensor_offset_m) <= 0.0015


def test_faults_are_flagged_and_rare(blocks: dict[str, Block]) -> None:
    for sensor in ("upper_level", "house_level", "pool_level"):
        block = blocks[sensor]
        np.testing.assert_array_equal(np.isnan(block.value), block.quality == Quality.NO_ECHO)
        assert 0 < np.mean(block.quality == Quality.NO_ECHO) < 2e-3
        noisy = block.quality == Quality.NOISY
        assert 0 < np.mean(noisy) < 1e-3
        assert block.spread[noisy].min() > 20
        assert block.spread[block.quality == Quality.OK].max() < 20
        good = block.value[block.quality == Quality.OK]
        assert np.all(good == np.round(good))


def test_warm_air_makes_the_water_seem_higher() -> None:
    """2 m of air at 30 deg C, taken for 20: the reading is 33.3 mm short (ISO 9613-1:1993, by arithmetic)."""
    site = TwinSite.from_settings(SITE, seed=1, gap_warmer_c=0.0, sensor_offset_m=0.0)
    ranger = SITE.sensors["upper_level"]
    assert ranger.kind == "ranger-binary"
    said = said_mm(site.tanks[0], ranger, site, np.array([0.45]), np.array([30.0]))
    assert said == pytest.approx([2000 - 33.3], abs=0.05)


def test_pulses_add_up_to_the_litres_pumped(truth: Truth, blocks: dict[str, Block]) -> None:
    meter = blocks["pump_meter"]
    assert truth.pump_l[-1] == pytest.approx(55 * 600.5 / 60 + 24.3)
    assert meter.value.sum() == pytest.approx(truth.pump_l[-1] * 390, abs=1)
    for run in RUNS:
        inside = (meter.t_ms >= run.start_ms) & (meter.t_ms <= run.stop_ms + 2000)
        assert meter.value[inside][0] == 0 and meter.value[inside][-1] == 0
        assert meter.t_ms[inside][0] == run.start_ms
        assert np.all(np.diff(meter.t_ms[inside]) == 1000)
        assert np.abs(meter.value[inside][1:-2] - run.flow_l_min * 6.5).max() <= 1
    outside = meter.t_ms < RUNS[0].start_ms
    assert np.all(meter.value[outside] == 0) and np.diff(meter.t_ms[outside]).max() <= 600_000


def test_the_probe_follows_the_air_in_its_own_steps(truth: Truth, blocks: dict[str, Block]) -> None:
    probe = blocks["gap_air"]
    np.testing.assert_array_equal(probe.value * 16, np.round(probe.value * 16))
    air_c = np.interp(probe.t_ms, truth.t_ms[:-1] + 30_000, truth.weather.air_c)
    assert np.abs(probe.value - air_c).max() < 0.4
    assert np.ptp(air_c) > 5


def test_the_same_seed_gives_the_same_history(truth: Truth, blocks: dict[str, Block]) -> None:
    again = {block.sensor: block for block in history(truth, SITE, seed=9)}
    other = {block.sensor: block for block in history(truth, SITE, seed=10)}
    np.testing.assert_array_equal(again["pool_level"].value, blocks["pool_level"].value)
    assert np.any(other["pool_level"].value != blocks["pool_level"].value)
