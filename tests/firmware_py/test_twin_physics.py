"""The twin's own books: water is neither made nor lost, and goes where pipes let it."""

import tomllib
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rainstead.settings import Settings
from rainstead_board.twin import (
    ByHand,
    PumpRun,
    Truth,
    TwinSite,
    Weather,
    demo_history,
    demo_settings_text,
    generated_weather,
    recorded_weather,
    simulate,
)
from rainstead_board.twin.truth import sound_m_s

JANUARY_MS = 1_767_571_200_000  # 2026-01-05 00:00 UTC
JULY_MS = 1_783_209_600_000  # 2026-07-05 00:00 UTC
DAY_MS = 86_400_000
TEXT = demo_settings_text()
SITE = Settings.model_validate(tomllib.loads(TEXT))
UPPER, HOUSE, POOL = range(3)


def still(**physics: Any) -> TwinSite:
    """The demo's site with nobody home and no sun."""
    return TwinSite.from_settings(SITE, seed=1, **{"draw_l_day": {}, "evaporation_mm_day": 0.0, **physics})


def steady(days: float, mm_h: float = 0.0, start_ms: int = JANUARY_MS) -> Weather:
    minutes = round(days * 1440)
    return Weather(start_ms, np.full(minutes, mm_h / 60), np.full(minutes, 15.0))


def unexplained_l(truth: Truth) -> float:
    """What the site gained less what it kept and lost, at the worst moment."""
    came = truth.roof_l + truth.catch_l + truth.link_l + truth.hand_l
    went = truth.spill_l + truth.draw_l + truth.evaporation_l + truth.seepage_l
    rest = came - went - (truth.volumes_l - truth.volumes_l[0])
    rest[:, POOL] -= truth.pump_l
    return float(np.abs(rest).max())


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_water_is_made_or_lost_whatever_the_weather(seed: int) -> None:
    rng = np.random.default_rng(seed)
    start_ms = JANUARY_MS + int(rng.integers(0, 360)) * DAY_MS
    weather = generated_weather(start_ms, 12, seed=seed, latitude_deg=39.4)
    begin_ms = start_ms + int(rng.integers(0, 10 * DAY_MS))
    truth = simulate(
        TwinSite.from_settings(SITE, seed=seed, seepage_l_day={"pool": 300.0, "house": 5.0}, gutter_l_s=0.3),
        weather,
        full_ratio=rng.uniform(0, 1, 3).tolist(),
        pump_runs=[PumpRun(begin_ms, begin_ms + 5_432_100, 61.3)],
        by_hand=[
            ByHand("upper", begin_ms, begin_ms + 3_333_333, 200.0),
            ByHand("house", begin_ms, begin_ms + 9_999_999, -150.0),
        ],
    )
    assert unexplained_l(truth) < 1e-6
    losses = truth.roof_wetting_l + truth.roof_shed_l + truth.roof_flush_l + truth.roof_gutter_l
    np.testing.assert_allclose(truth.roof_in_l, losses + truth.roof_out_l, atol=1e-6)
    np.testing.assert_allclose(truth.roof_in_l, [74 * truth.rain_mm[-1], 138 * truth.rain_mm[-1]], atol=1e-6)
    np.testing.assert_allclose(truth.roof_out_l.sum(), truth.roof_l[-1].sum(), atol=1e-6)
    assert np.all(truth.volumes_l >= 0)


def test_a_tank_spills_only_at_its_brim() -> None:
    truth = simulate(still(), generated_weather(JANUARY_MS, 30, seed=3, latitude_deg=39.4), full_ratio=0.95)
    spilt = np.diff(truth.spill_l, axis=0) > 0
    brims = np.array([tank.brim_l for tank in truth.site.tanks])
    assert spilt[:, UPPER].any() and spilt[:, HOUSE].any() and spilt[:, POOL].any()
    assert np.all((truth.volumes_l[1:] == brims)[spilt])
    assert np.all(truth.volumes_l <= brims)
    assert np.all(truth.depths_m[1:][spilt[:, POOL], POOL] == pytest.approx(1.05, abs=1e-9))


def test_tanks_fill_one_after_the_other_down_the_cascade() -> None:
    """Rain on the shed's roof alone: the upper tank feeds the house tank, that the pool, that the ground."""
    dry_house = Settings.model_validate(
        tomllib.loads(TEXT.replace("shares = { house = 0.7, pool = 0.3 }", "shares = { house = 0.0 }"))
    )
    site = TwinSite.from_settings(dry_house, seed=1, draw_l_day={}, evaporation_mm_day=0.0)
    truth = simulate(site, steady(6, mm_h=10), full_ratio=0.3)
    first = [int(np.argmax(truth.spill_l[:, k] > 0)) for k in range(3)]
    assert 0 < first[UPPER] < first[HOUSE] < first[POOL]
    assert np.all(truth.volumes_l[: first[UPPER], HOUSE] == truth.volumes_l[0, HOUSE])
    np.testing.assert_array_equal(truth.link_l[:, HOUSE], truth.spill_l[:, UPPER])
    np.testing.assert_array_equal(truth.link_l[:, POOL], truth.spill_l[:, HOUSE])
    np.testing.assert_array_equal(truth.ground_l, truth.spill_l[:, POOL])


def test_seepage_alone_lowers_a_tank_by_its_litres_a_day() -> None:
    truth = simulate(still(seepage_l_day={"pool": 37.0}), steady(10))
    assert truth.volumes_l[0] - truth.volumes_l[-1] == pytest.approx([0, 0, 370.0], abs=1e-6)


@pytest.mark.parametrize(("start_ms", "mm_day"), [(JANUARY_MS, 3.4 * 0.4), (JULY_MS, 3.4 * 1.6)])
def test_only_the_open_tank_evaporates_more_in_summer_and_not_at_night(start_ms: int, mm_day: float) -> None:
    truth = simulate(still(evaporation_mm_day=3.4), steady(10, start_ms=start_ms))
    fell_m = truth.depths_m[0] - truth.depths_m[-1]
    assert fell_m[UPPER] == fell_m[HOUSE] == 0
    assert fell_m[POOL] * 1000 == pytest.approx(10 * mm_day, rel=0.02)
    night = truth.evaporation_l[1440 + 6 * 60, POOL] - truth.evaporation_l[1440, POOL]
    assert night == 0


def test_the_household_draws_its_litres_and_leaves_dead_storage() -> None:
    drawn = simulate(still(draw_l_day={"house": 400.0}), steady(8))
    assert drawn.draw_l[-1, HOUSE] == pytest.approx(8 * 400, rel=0.15)
    empty = simulate(still(draw_l_day={"house": 4000.0}), steady(8))
    assert empty.depths_m[-1, HOUSE] == pytest.approx(0.08)


def test_a_roof_is_wetted_and_flushed_again_only_after_a_dry_gap() -> None:
    rain_mm = np.zeros(3 * 1440)
    rain_mm[100:200] = 0.05  # 5 mm
    rain_mm[260:360] = 0.05  # an hour later: the roof is wet still
    rain_mm[2000:2100] = 0.05  # a day later: dry again
    truth = simulate(still(), Weather(JANUARY_MS, rain_mm, np.full(len(rain_mm), 15.0)))
    shed_roof = truth.roof_l[:, UPPER]
    full_l = 5 * 74 * 0.88
    first_l = (5 - 0.4) * 74 * 0.88 - 10
    assert shed_roof[230] == pytest.approx(first_l)
    assert shed_roof[400] - shed_roof[230] == pytest.approx(full_l)
    assert shed_roof[-1] - shed_roof[400] == pytest.approx(first_l)
    assert [storm.rain_mm for storm in truth.storms] == pytest.approx([10, 5])
    assert truth.storms[0].start_ms == JANUARY_MS + 100 * 60_000
    assert truth.storms[0].stop_ms == JANUARY_MS + 360 * 60_000
    assert truth.storms[1].roof_l[0] == pytest.approx(first_l)


def test_a_gutter_carries_no_more_than_its_limit() -> None:
    truth = simulate(still(gutter_l_s=0.5), steady(1 / 24, mm_h=120))
    per_minute = np.diff(truth.roof_l, axis=0)
    assert per_minute.sum(axis=1).max() == pytest.approx(2 * 0.5 * 60)
    assert truth.roof_gutter_l.min() > 0


def test_the_pump_stops_where_its_suction_draws_air() -> None:
    run = PumpRun(JANUARY_MS + 61_500, JANUARY_MS + DAY_MS, 50.0)
    truth = simulate(still(), steady(1), full_ratio=0.2, pump_runs=[run])
    assert truth.depths_m[-1, POOL] == pytest.approx(0.12)
    (real,) = truth.pump_runs
    assert real.start_ms == run.start_ms and real.stop_ms < run.stop_ms
    assert (real.stop_ms - real.start_ms) / 60_000 * 50 == pytest.approx(truth.pump_l[-1], abs=0.01)


def test_a_record_gives_its_own_rain_where_it_fell() -> None:
    t_ms = np.array([0, 1, 4], dtype=np.int64) * 3_600_000 + JANUARY_MS
    weather = recorded_weather(t_ms, np.array([1.2, np.nan, 3.0]), period_s=3600, latitude_deg=40.0)
    hourly = weather.rain_mm.reshape(-1, 60).sum(axis=1)
    assert hourly == pytest.approx([1.2, 0, 0, 0, 3.0])
    assert weather.start_ms == JANUARY_MS
    with pytest.raises(ValueError, match="overlap"):
        recorded_weather(t_ms, np.zeros(3), period_s=7200, latitude_deg=40.0)


def test_generated_weather_is_the_same_for_the_same_seed_and_wetter_in_winter() -> None:
    def year_mm(seed: int, start_ms: int) -> float:
        return float(generated_weather(start_ms, 90, seed=seed, latitude_deg=39.4).rain_mm.sum())

    winter = [year_mm(seed, JANUARY_MS - 30 * DAY_MS) for seed in range(12)]
    summer = [year_mm(seed, JULY_MS - 30 * DAY_MS) for seed in range(12)]
    assert winter[3] == year_mm(3, JANUARY_MS - 30 * DAY_MS) != winter[4]
    assert np.mean(winter) > np.mean(summer) > 0


def test_the_demo_ends_with_the_upper_tank_nearly_full() -> None:
    for days, seed in ((1, 7), (30, 2)):
        truth = demo_history(SITE, end_ms=JULY_MS + 12_345, days=days, seed=seed)
        assert truth.site.tanks[UPPER].brim_l - truth.end.volumes_l[UPPER] == pytest.approx(270, abs=1)
        assert truth.end.t_ms == JULY_MS + 12_345
        assert unexplained_l(truth) < 1e-6


def test_a_lying_tank_is_integrated_to_its_published_form() -> None:
    """D 1.5 m, L 3.0 m: 275.91 L at 0.15 m and 2650.72 L at 0.75 m.

    Source: flat-ended horizontal cylinder, form of JRC RAPID-N property estimator 655; figures by that formula.
    """
    lying = TEXT.replace(
        'shape = "cylinder", diameter = "2.86 m"',
        'shape = "horizontal-cylinder", diameter = "1.5 m", length = "3 m"',
    ).replace('brim = "2.05 m"', 'brim = "1.4 m"')
    site = TwinSite.from_settings(Settings.model_validate(tomllib.loads(lying)), seed=1)
    assert site.tanks[UPPER].depth_at(np.array([275.91, 2650.72])) == pytest.approx([0.15, 0.75], abs=1e-4)


def test_the_twins_air_carries_sound_as_published() -> None:
    """Dry: ISO 9613-1:1993, 331.286, 343.200, 349.005 m/s at 0, 20, 30 deg C. Saturated: Cramer (1993), +0.365 %
    at 20 deg C and +0.665 % at 30 deg C. The twin's own formula is a simpler one."""
    dry = sound_m_s(np.array([0.0, 20.0, 30.0]), 0.0)
    assert dry == pytest.approx([331.286, 343.200, 349.005], abs=0.03)
    wet = sound_m_s(np.array([20.0, 30.0]), 1.0)
    assert (wet / dry[1:] - 1) * 100 == pytest.approx([0.365, 0.665], abs=0.02)
