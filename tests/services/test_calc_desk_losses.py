"""Standing water, its fits and its watch on made-up levels whose truth is known."""

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from any_cut import pieces, same_bits
from hypothesis import given
from hypothesis import strategies as st

from rainstead.calc.arrays import F64, I64
from rainstead.calc.desk import (
    Estimate,
    EvaporationDays,
    LeakCall,
    LeakWatch,
    LossFit,
    Mornings,
    Nights,
    Spans,
    TankMinutes,
    Unknown,
    WatchPlan,
    WatchRows,
    air_range_c,
    cut_at_steps,
    dawn_levels,
    draw_steps,
    fit_mornings,
    fit_nights,
    leak_watch,
    loss_against_depth,
    night_falls,
    standing_spans,
    with_gaps_filled,
    without_evaporation,
)

DAY_MS = 86_400_000
MINUTE_MS = 60_000
AREA_M2 = 4.0
NOTHING = Spans(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


def minutes_of(depth_m: F64, *, first_ms: int = 0, blanked: int | None = None, noise_mm: float = 0.4) -> TankMinutes:
    """A row a minute of a tank of 4 m2 with upright walls."""
    n = len(depth_m)
    readings = np.full(n, 6, dtype=np.int64)
    if blanked is not None:
        readings[blanked] = 0
    same = np.ones(n)
    return TankMinutes(
        tank="tank",
        t_ms=first_ms + (np.arange(n, dtype=np.int64) + 1) * MINUTE_MS,
        readings=readings,
        depth_m=depth_m,
        depth_noise_u_m=same * noise_mm / 1000,
        depth_zero_u_m=same * 0.003,
        depth_sound_u_m=same * 0.002,
        volume_l=depth_m * AREA_M2 * 1000,
        noise_u_l=same * noise_mm * AREA_M2,
        zero_u_l=same * 3 * AREA_M2,
        sound_u_l=same * 2 * AREA_M2,
        scale_u_l=depth_m * AREA_M2 * 10,
        at_brim=readings == 0,
    )


def falling(days: int, l_day: float, *, seed: int = 1, noise_mm: float = 0.4, sun_mm: float = 0.0) -> F64:
    """A metre of water that falls evenly, seen with noise and, by day, with the sun's error."""
    at_d = (np.arange(days * 1440) + 1) / 1440
    sun = sun_mm * np.maximum(np.sin(2 * np.pi * (at_d - 0.25)), 0.0)
    noise = np.random.default_rng(seed).normal(0, noise_mm, len(at_d))
    return 1.0 - l_day * at_d / (1000 * AREA_M2) + (sun + noise) / 1000


def dawns(days: int) -> tuple[I64, I64]:
    zero = np.arange(days, dtype=np.int64) * DAY_MS
    return zero + 2 * 3_600_000, zero + 5 * 3_600_000


def nights(days: int) -> tuple[I64, I64]:
    zero = np.arange(days, dtype=np.int64) * DAY_MS
    return zero - 3_600_000, zero + 5 * 3_600_000


def span_list(spans: Spans) -> list[tuple[float, float]]:
    """In hours."""
    return [(a / 3_600_000, b / 3_600_000) for a, b in zip(spans.from_ms.tolist(), spans.upto_ms.tolist(), strict=True)]


# --- standing spans ----------------------------------------------------------------------------------------------


def test_what_disturbs_is_cut_out_however_it_overlaps() -> None:
    minutes = minutes_of(np.ones(24 * 60))
    hour = 3_600_000
    told = Spans(np.array([10, 3, 4], dtype=np.int64) * hour, np.array([11, 6, 5], dtype=np.int64) * hour)
    assert span_list(standing_spans(minutes, told)) == [(0, 3), (6, 10), (11, 24)]
    assert span_list(standing_spans(minutes, NOTHING)) == [(0, 24)]


def test_a_long_gap_and_a_blanked_ranger_end_a_span() -> None:
    minutes = minutes_of(np.ones(24 * 60), blanked=12 * 60 - 1)
    assert span_list(standing_spans(minutes, NOTHING)) == [(0, 11.5), (12.5, 24)]
    whole = minutes_of(np.ones(24 * 60))
    late = replace(whole, t_ms=np.where(np.arange(1440) < 600, whole.t_ms, whole.t_ms + 7 * 3_600_000))
    assert span_list(standing_spans(late, NOTHING))[0] == (0, 10)
    assert len(standing_spans(late, NOTHING).from_ms) == 2


def test_no_levels_no_spans() -> None:
    empty = minutes_of(np.zeros(0))
    assert len(standing_spans(empty, NOTHING).from_ms) == 0
    assert len(dawn_levels(empty, NOTHING, *dawns(3))) == 0
    assert len(draw_steps(empty).drawn_l) == 0


# --- mornings ------------------------------------------------------------------------------------------------------


def test_the_suns_error_by_day_is_no_loss_from_dawn_to_dawn() -> None:
    minutes = minutes_of(falling(10, 12.0, sun_mm=20.0))
    found = dawn_levels(minutes, standing_spans(minutes, NOTHING), *dawns(10))
    assert len(found) == 10
    fit = fit_mornings(found)
    assert isinstance(fit, LossFit)
    assert fit.loss_l_day == pytest.approx(12.0, abs=0.3)


def test_a_morning_in_the_rain_is_none_and_a_lone_one_neither() -> None:
    minutes = minutes_of(falling(6, 12.0))
    rain = Spans(np.array([2 * DAY_MS + 4 * 3_600_000]), np.array([2 * DAY_MS + 6 * 3_600_000]))
    found = dawn_levels(minutes, standing_spans(minutes, rain), *dawns(6))
    assert found.spell.tolist() == [0, 0, 1, 1, 1]
    twice = Spans(np.array([1, 3], dtype=np.int64) * DAY_MS - 1, np.array([1, 3], dtype=np.int64) * DAY_MS)
    found = dawn_levels(minutes, standing_spans(minutes, twice), *dawns(6))
    assert [len(found), found.spell.max() + 1] == [5, 2]  # the first day stands alone


def mornings_of(volume_l: F64, *, spell: I64 | None = None, days: F64 | None = None) -> Mornings:
    n = len(volume_l)
    at = np.arange(n, dtype=np.float64) if days is None else days
    return Mornings(
        np.zeros(n, dtype=np.int64) if spell is None else spell,
        (at * DAY_MS).astype(np.int64),
        volume_l / 4000,
        volume_l,
        np.full(n, 0.05),
    )


def test_a_bucket_that_nobody_noted_is_told_and_left_out() -> None:
    rng = np.random.default_rng(2)
    volume = 4000 - 10.0 * np.arange(14) + rng.normal(0, 1, 14)
    volume[7:] -= 60.0
    found = cut_at_steps(mornings_of(volume))
    ((from_ms, upto_ms, litres),) = found.steps
    assert (from_ms, upto_ms) == (6 * DAY_MS, 7 * DAY_MS)
    assert litres == pytest.approx(60, abs=6)
    fit = fit_mornings(found)
    assert isinstance(fit, LossFit) and fit.loss_l_day == pytest.approx(10.0, abs=0.6)
    whole = fit_mornings(mornings_of(volume))
    assert isinstance(whole, LossFit) and whole.loss_l_day > 12


def test_a_loss_that_goes_on_is_no_bucket() -> None:
    rng = np.random.default_rng(2)
    volume = 4000 - 5.0 * np.arange(20) + rng.normal(0, 1, 20)
    volume[17:] -= 60.0 * np.arange(1, 4)
    assert cut_at_steps(mornings_of(volume)).steps == ()


def test_evaporation_is_put_back_before_the_fit() -> None:
    dried = np.cumsum(np.array([0, 9, 2, 8, 1, 9, 3, 7.0]))
    kept = without_evaporation(mornings_of(4000 - 6.0 * np.arange(8) - dried), dried)
    fit = fit_mornings(kept)
    assert isinstance(fit, LossFit) and fit.loss_l_day == pytest.approx(6.0)
    unknown = np.where(np.arange(8) < 3, np.nan, dried)
    assert len(without_evaporation(mornings_of(4000 - dried), unknown)) == 5


def drawn_mornings(rng: np.random.Generator, *, loss: float, level_u: float, drift_u: float, spells: int) -> Mornings:
    spell, days, volume = [], [], []
    at = 0.0
    for k in range(spells):
        n = int(rng.integers(2, 8))
        walk = np.concatenate([[0.0], np.cumsum(rng.normal(0, drift_u, n - 1))])
        volume.append(3000 + rng.uniform(0, 1000) - loss * np.arange(n) + walk + rng.normal(0, level_u, n))
        spell += [k] * n
        days.append(at + np.arange(n))
        at += n + 2
    return mornings_of(np.concatenate(volume), spell=np.array(spell), days=np.concatenate(days))


@pytest.mark.parametrize(("level_u", "drift_u", "spells"), [(4.0, 0.0, 8), (4.0, 1.0, 12), (1.0, 5.0, 14)])
def test_the_interval_holds_the_truth_as_often_as_it_says(level_u: float, drift_u: float, spells: int) -> None:
    """Whether the errors are new each morning or add up, which the fit is not told."""
    rng = np.random.default_rng(11)
    held, n = 0, 120
    for _ in range(n):
        fit = fit_mornings(drawn_mornings(rng, loss=14.0, level_u=level_u, drift_u=drift_u, spells=spells))
        assert isinstance(fit, LossFit)
        told = fit.estimate()
        assert told.high is not None
        held += told.low <= 14.0 <= told.high
    # Three standard deviations of a count of 120 about 95 %.
    assert held / n >= 0.89


@pytest.mark.parametrize("n", [0, 1, 4])
def test_few_mornings_are_not_enough_to_say(n: int) -> None:
    found = mornings_of(4000.0 - np.arange(float(n)), spell=np.zeros(n, dtype=np.int64))
    fit = fit_mornings(found)
    assert isinstance(fit, Unknown) and "standing morning" in fit.because
    assert isinstance(loss_against_depth(found), Unknown)


def test_still_water_loses_nothing_and_says_so_with_an_uncertainty() -> None:
    fit = fit_mornings(mornings_of(np.full(8, 4000.0)))
    assert isinstance(fit, LossFit) and fit.loss_l_day == pytest.approx(0.0) and 0 < fit.u_l_day < 0.1


# --- depth ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("per_metre", "told"), [(30.0, 1), (-30.0, -1), (0.0, 0)])
def test_seepage_that_grows_or_shrinks_with_depth_is_told_from_one_that_does_not(per_metre: float, told: int) -> None:
    rng = np.random.default_rng(5)
    spell, days, volume, at = [], [], [], 0.0
    for k, start_m in enumerate((1.5, 1.2, 0.9, 0.6, 1.4, 0.7)):
        depth = start_m
        for day in range(6):
            spell.append(k)
            days.append(at + day)
            volume.append(depth * 4000 + rng.normal(0, 2.0))
            depth -= (20.0 + per_metre * (depth - 1.0)) / 4000
        at += 8
    mornings = mornings_of(np.array(volume), spell=np.array(spell), days=np.array(days))
    found = loss_against_depth(mornings)
    assert isinstance(found, Estimate) and found.high is not None
    assert found.low < per_metre < found.high
    assert (found.low > 0) - (found.high < 0) == told
    vague = loss_against_depth(mornings, season_u_l_day=40.0)
    assert isinstance(vague, Estimate) and vague.high is not None and vague.low < 0 < vague.high


def test_water_that_always_stood_alike_tells_nothing_of_depth() -> None:
    found = loss_against_depth(mornings_of(4000.0 - np.arange(12.0)))
    assert isinstance(found, Unknown) and "stood between" in found.because


# --- nights and draws ----------------------------------------------------------------------------------------------


def test_a_nights_slope_is_told_though_somebody_gets_up() -> None:
    depth = falling(7, 40.0, seed=3)
    for day in range(7):
        depth[day * 1440 + 150 :] -= 0.006  # 24 L at half past two
        depth[day * 1440 + 500 :] -= 0.05  # and the morning's draw
    minutes = minutes_of(depth)
    found = night_falls(minutes, standing_spans(minutes, NOTHING), *nights(7))
    assert len(found) == 6  # the first night began before the log
    assert found.loss_l_day.mean() == pytest.approx(40.0, abs=4)
    assert (found.steps >= 1).all()
    fit = fit_nights(found)
    assert isinstance(fit, LossFit)
    # The air's turn within six hours, stated as 2 mm, feigns the most of what is unsure.
    turn = math.sqrt(2 * (1 - math.exp(-1))) * 2 * AREA_M2 * 4
    assert found.shared_u_l_day == pytest.approx(turn, rel=1e-6)


def test_few_nights_are_not_enough_to_say() -> None:
    none = night_falls(minutes_of(falling(2, 5.0)), NOTHING, *nights(2))
    assert isinstance(none, Nights) and len(none) == 0
    fit = fit_nights(none)
    assert isinstance(fit, Unknown) and "quiet nights" in fit.because


def test_taps_are_told_from_a_leak_and_from_flickering_air() -> None:
    whole = (np.array([0]), np.array([6 * DAY_MS]))
    tapped = falling(6, 10.0)
    for day in range(6):
        for hour in (6, 7, 12, 18, 20):
            tapped[day * 1440 + hour * 60 :] -= 0.005
    steps = draw_steps(minutes_of(tapped))
    assert steps.are_draws(*whole)
    assert steps.drawn_l.sum() == pytest.approx(6 * 5 * 20, rel=0.05)
    assert not draw_steps(minutes_of(falling(6, 200.0))).are_draws(*whole)
    flicker = falling(6, 10.0)
    for day in range(6):
        for hour in (9, 10, 11, 12, 13):
            flicker[day * 1440 + hour * 60 : day * 1440 + hour * 60 + 30] -= 0.006
    assert not draw_steps(minutes_of(flicker)).are_draws(*whole)


# --- evaporation's days --------------------------------------------------------------------------------------------


def test_a_day_in_which_the_probe_was_silent_is_not_used() -> None:
    t_ms = np.arange(0, 3 * DAY_MS, 600_000, dtype=np.int64)
    air_c = 15 + 5 * np.cos(2 * np.pi * (t_ms / DAY_MS - 0.6))
    heard = ~((t_ms > DAY_MS + 4 * 3_600_000) & (t_ms < DAY_MS + 7 * 3_600_000))
    edges = np.arange(4, dtype=np.int64) * DAY_MS
    least, most = air_range_c(t_ms[heard], air_c[heard], edges)
    assert np.isnan(least).tolist() == [False, True, False] == np.isnan(most).tolist()
    assert least[0] == pytest.approx(10, abs=0.1)
    assert np.isnan(air_range_c(t_ms[:0], air_c[:0], edges)[0]).all()


def test_days_without_a_figure_take_their_neighbours_and_are_counted() -> None:
    mm = np.array([np.nan, np.nan, 4.0, np.nan, 2.0, np.nan, np.nan])
    days = EvaporationDays(np.arange(8, dtype=np.int64) * DAY_MS, mm, 0.25)
    filled = with_gaps_filled(days)
    assert filled.filled == 1
    np.testing.assert_array_equal(filled.mm, [np.nan, 3.0, 4.0, 3.0, 2.0, 3.0, np.nan])
    assert filled.between_mm(np.array([2 * DAY_MS]), np.array([int(4.5 * DAY_MS)]))[0] == pytest.approx(4 + 3 + 1)
    assert np.isnan(filled.between_mm(np.array([0, DAY_MS]), np.array([DAY_MS, 9 * DAY_MS]))).all()
    nothing = with_gaps_filled(replace(days, mm=np.full(7, np.nan)))
    assert np.isnan(nothing.mm).all() and nothing.filled == 0


# --- the watch -----------------------------------------------------------------------------------------------------

PLAN = WatchPlan(
    reference_l_day=3.0,
    least_limit_l=20.0,
    calm_days=730.0,
    level_u_l=8.0,
    drift_u_l_day=3.0,
    offset_u_l_day=0.0,
    factor_u=0.25,
)


def watched(
    loss_l_day: F64, evaporation_l_day: F64, *, plan: WatchPlan = PLAN
) -> tuple[LeakWatch, WatchRows, list[LeakCall]]:
    n = len(loss_l_day)
    t_ms = (np.arange(n, dtype=np.int64) + 1) * DAY_MS
    return leak_watch(LeakWatch(), t_ms, np.ones(n), loss_l_day, evaporation_l_day, np.arange(n) % 5 != 0, plan=plan)


@given(st.integers(0, 2**32 - 1))
def test_the_watch_calls_the_same_however_the_days_are_cut(seed: int) -> None:
    draw = random.Random(seed)
    n = draw.randint(0, 60)
    at = (
        np.cumsum([draw.choice([1, 1, 1, 2, 9]) for _ in range(n)]).astype(np.int64) * DAY_MS
        if n
        else np.zeros(0, np.int64)
    )
    dried = np.array([draw.uniform(0, 30) for _ in range(n)])
    loss = dried + np.array([draw.gauss(0, 12) + draw.choice([0, 0, 40]) for _ in range(n)])
    length = np.array([draw.choice([1.0, 1.0, 2.0]) for _ in range(n)])
    follows = np.array([draw.random() < 0.7 for _ in range(n)], dtype=np.bool_)
    plan = replace(PLAN, level_u_l=draw.uniform(0, 10), offset_u_l_day=draw.choice([0.0, 20.0]))
    end, rows, calls = leak_watch(LeakWatch(), at, length, loss, dried, follows, plan=plan)
    state, told, found = LeakWatch(), [], []
    for part in pieces(draw, n):
        state, some, more = leak_watch(state, at[part], length[part], loss[part], dried[part], follows[part], plan=plan)
        told.append(some)
        found += more
    assert state == end and found == calls
    for name in ("expected_l_day", "allowed_l_day", "sum_l", "limit_l"):
        assert same_bits(np.concatenate([getattr(some, name) for some in told]), getattr(rows, name))
    empty = np.zeros(0)
    untouched, _, _ = leak_watch(end, np.zeros(0, np.int64), empty, empty, empty, np.zeros(0, np.bool_), plan=plan)
    assert untouched is end


def year_of(rng: np.random.Generator, *, factor: float, level_u: float) -> tuple[F64, F64]:
    """Losses of a sound tank: evaporation through a year, wrong by a factor, and levels with an error each."""
    season = 12 - 8 * np.cos(2 * np.pi * np.arange(365) / 365)
    errors = rng.normal(0, level_u, 366)
    return factor * season * rng.normal(1, 0.15, 365) + np.diff(errors), season


def test_a_sound_tank_is_hardly_ever_called_though_its_evaporation_is_estimated_wrongly() -> None:
    rng = np.random.default_rng(21)
    calls = 0
    for _ in range(40):
        factor, level_u = 1 + 0.25 * float(rng.standard_normal()), float(rng.uniform(1, 10))
        calls += len(watched(*year_of(rng, factor=factor, level_u=level_u))[2])
    assert calls / 40 <= 0.5


@pytest.mark.parametrize("factor", [0.8, 1.0, 1.25])
def test_a_leak_of_20_litres_a_day_is_called_within_a_week_and_dated(factor: float) -> None:
    rng = np.random.default_rng(22)
    delays, off = [], []
    for _ in range(25):
        loss, season = year_of(rng, factor=factor, level_u=4.0)
        begin = int(rng.integers(60, 330))
        loss[begin:] += 20.0
        calls = [call for call in watched(loss, season)[2] if call.t_ms > begin * DAY_MS]
        assert calls
        delays.append(calls[0].t_ms / DAY_MS - begin)
        off.append(calls[0].since_ms / DAY_MS - begin)
    assert np.median(delays) <= 4
    assert np.mean(np.array(delays) <= 7) >= 0.9
    assert abs(np.median(off)) <= 1


def test_one_bucket_is_no_leak_and_a_leak_that_is_mended_is_taken_back() -> None:
    rng = np.random.default_rng(23)
    loss, season = year_of(rng, factor=1.0, level_u=2.0)
    loss[100] += 500.0
    assert watched(loss, season)[2] == []
    loss[150:170] += 60.0
    first, last = watched(loss, season)[2]
    assert (first.is_over, last.is_over) == (False, True)
    assert first.over_l_day == pytest.approx(60, rel=0.2)
    assert 170 < last.t_ms / DAY_MS < 185


def test_what_a_night_always_feigns_is_learnt_and_a_leak_on_top_is_called() -> None:
    rng = np.random.default_rng(24)
    plan = replace(PLAN, offset_u_l_day=40.0, drift_u_l_day=40.0, level_u_l=0.0, factor_u=0.0)
    loss = 45.0 + rng.normal(0, 8, 200)
    assert watched(loss, np.zeros(200), plan=plan)[2] == []
    loss[150:] += 25.0
    calls = watched(loss, np.zeros(200), plan=plan)[2]
    assert calls and 150 < calls[0].t_ms / DAY_MS <= 158
