"""The limit alarm: against a slow machine that looks at one reading after another, and in any cut."""

import math
import random

import numpy as np
from any_cut import pieces
from hypothesis import given
from hypothesis import strategies as st

from rainstead.alarms import LIMIT_START, Change, LimitRule, LimitState, advance
from rainstead.calc.arrays import F64, I64

seeds = st.integers(0, 2**32 - 1)


def _series(draw: random.Random) -> tuple[LimitRule, I64, F64]:
    rule = LimitRule(
        limit=50.0,
        deadband=draw.choice([0.0, 2.0, 5.0]),
        on_delay_ms=draw.choice([0, 1, 30_000, 60_000]),
        off_delay_ms=draw.choice([0, 1, 30_000, 90_000]),
        high=draw.random() < 0.5,
    )
    n = draw.randint(0, 60)
    steps = [draw.choice([1, 10_000, 30_000, 30_000, draw.randint(1, 100_000)]) for _ in range(n)]
    t_ms = np.cumsum(np.array(steps, dtype=np.int64))
    stay = draw.choice([0.3, 0.9])
    values, level = [], 50.0
    for _ in range(n):
        if draw.random() > stay:
            level = draw.choice([44.0, 45.0, 48.0, 49.9, 50.0, 50.1, 52.0, 55.0, 56.0])
        values.append(np.nan if draw.random() < 0.15 else level)
    return rule, t_ms, np.array(values, dtype=float)


def _slowly(rule: LimitRule, t_ms: I64, value: F64) -> list[Change]:
    """The same rule in words of one reading at a time, with values turned over so that it knows only high limits."""
    active, begun, changes = False, None, []
    sign = 1 if rule.high else -1
    for t, v in zip(t_ms.tolist(), value.tolist(), strict=True):
        if math.isnan(v):
            continue
        over, under = sign * v >= sign * rule.limit, sign * v <= sign * rule.limit - rule.deadband
        if not (under if active else over):
            begun = None
            continue
        begun = t if begun is None else begun
        if t - begun >= (rule.off_delay_ms if active else rule.on_delay_ms):
            active, begun = not active, None
            changes.append(Change(t, active, v))
    return changes


@given(seeds)
def test_the_changes_are_those_of_one_reading_at_a_time(seed: int) -> None:
    rule, t_ms, value = _series(random.Random(seed))
    state, changes = advance(LIMIT_START, rule, t_ms, value)
    assert changes == _slowly(rule, t_ms, value)
    assert state.active == (len(changes) % 2 == 1)
    assert state.since_ms == (changes[-1].t_ms if changes else None)


@given(seeds)
def test_no_cut_restarts_a_delay(seed: int) -> None:
    draw = random.Random(seed)
    rule, t_ms, value = _series(draw)
    end, expected = advance(LIMIT_START, rule, t_ms, value)
    state, found = LIMIT_START, []
    for part in pieces(draw, len(t_ms)):
        state, some = advance(state, rule, t_ms[part], value[part])
        found += some
    assert (state, found) == (end, expected)


LOW = LimitRule(limit=1_000.0, deadband=100.0, on_delay_ms=60_000, off_delay_ms=60_000)


def _run(state: LimitState, rule: LimitRule, *readings: tuple[int, float]) -> tuple[LimitState, list[Change]]:
    t_s, value = zip(*readings, strict=True)
    return advance(state, rule, np.array(t_s, dtype=np.int64) * 1_000, np.array(value, dtype=float))


def test_a_low_limit_counts_the_limit_itself_and_clears_at_limit_and_band() -> None:
    state, changes = _run(LIMIT_START, LOW, (0, 1_000), (60, 1_000), (70, 1_099.9), (200, 1_100), (260, 1_100))
    assert changes == [Change(60_000, True, 1_000), Change(260_000, False, 1_100)]
    assert state == LimitState(False, 260_000, None)


def test_silence_neither_clears_nor_raises_nor_breaks_the_count() -> None:
    nan = float("nan")
    state, changes = _run(LimitState(True, 5, None), LOW, (0, 2_000), (30, nan), (61, nan))
    assert (state, changes) == (LimitState(True, 5, 0), [])
    state, changes = _run(state, LOW, (62, 2_000))
    assert changes == [Change(62_000, False, 2_000)]
    assert _run(LIMIT_START, LOW, (0, nan), (90, nan)) == (LIMIT_START, [])
    assert _run(LIMIT_START, LOW, (0, 900), (30, nan), (60, 900))[1] == [Change(60_000, True, 900)]


def test_the_delay_is_time_and_not_a_number_of_readings() -> None:
    often = [(second, 900.0) for second in range(60)]
    assert _run(LIMIT_START, LOW, *often)[1] == []
    assert _run(LIMIT_START, LOW, (0, 900.0), (60, 900.0))[1] == [Change(60_000, True, 900.0)]


def test_without_delay_a_change_comes_with_its_reading() -> None:
    rule = LimitRule(limit=10.0, deadband=1.0, on_delay_ms=0, off_delay_ms=0)
    changes = _run(LIMIT_START, rule, (0, 11), (1, 10), (2, 10.5), (3, 11), (4, 9))[1]
    assert changes == [Change(1_000, True, 10), Change(3_000, False, 11), Change(4_000, True, 9)]


def test_a_year_of_slow_swings_changes_the_alarm_once_at_each_crossing() -> None:
    t_ms = np.arange(0, 365 * 86_400_000, 60_000, dtype=np.int64)
    days = t_ms / 86_400_000
    value = 1_000 + 500 * np.sin(days * 2 * np.pi / 36.5 + 0.5) + np.random.default_rng(1).normal(0, 10, len(days))
    state, changes = advance(LIMIT_START, LOW, t_ms, value)
    assert len(changes) == 20
    assert changes == _slowly(LOW, t_ms, value)
    assert not state.active
