"""The fault alarm: any pattern of bad and well, with few events, none hidden by one good moment."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.alarms.fault import (
    AGAIN_MS,
    DAY_MS,
    LONGER,
    MOST_EVENTS_A_DAY,
    Fault,
    FaultRule,
    look,
    resumed,
    steady_ms,
)

MINUTE_MS = 60_000
SENSOR = FaultRule(15 * MINUTE_MS, 5 * MINUTE_MS)
DISK = FaultRule(0, 5 * MINUTE_MS)
ALARM = FaultRule(0, 0)
Spells = list[tuple[int, bool]]
"""Milliseconds and whether it is bad for so long, one after the other."""

rules = st.builds(FaultRule, st.sampled_from([0, 10_000, 900_000]), st.sampled_from([0, 60_000, 300_000]))
patterns = st.lists(
    st.tuples(st.sampled_from([1_000, 5_000, 60_000, 300_001, 900_001, 7_200_000]), st.booleans()), max_size=25
)


def run(rule: FaultRule, spells: Spells, every_ms: int = 5_000) -> tuple[Fault, list[tuple[int, bool]]]:
    """Looks so often for as long as these last; the changes with their times."""
    state, changes, now_ms = Fault(), [], 0
    ends = list(itertools.accumulate(length for length, _ in spells))
    at = 0
    while ends and now_ms < ends[-1]:
        while ends[at] <= now_ms:
            at += 1
        after = look(state, rule, now_ms, spells[at][1])
        if after.active != state.active:
            changes.append((now_ms, after.active))
        state, now_ms = after, now_ms + every_ms
    return state, changes


def most_in_a_day(changes: list[tuple[int, bool]]) -> int:
    return max((sum(1 for at, _ in changes if begin <= at < begin + DAY_MS) for begin, _ in changes), default=0)


@pytest.mark.parametrize("rule", [SENSOR, DISK, ALARM])
def test_constant_trouble_is_raised_after_its_delay_and_stays(rule: FaultRule) -> None:
    assert run(rule, [(60_000, False), (DAY_MS, True)])[1] == [(60_000 + rule.after_ms, True)]


def test_a_sensor_that_is_away_all_but_some_seconds_of_each_ten_minutes_is_raised() -> None:
    away = [(595_000, True), (5_000, False)] * 36
    (change,) = run(SENSOR, away)[1]
    assert change[1] and change[0] <= 16 * MINUTE_MS


@pytest.mark.parametrize("bad_s", [5, 300, 395, 400, 405, 540, 595])
def test_what_is_bad_for_more_than_two_thirds_of_the_time_is_raised_and_what_is_less_is_not(bad_s: int) -> None:
    changes = run(SENSOR, [(bad_s * 1_000, True), ((600 - bad_s) * 1_000, False)] * 144)[1]
    assert bool(changes) == (bad_s > 400)


def test_a_fault_each_quarter_of_a_minute_is_one_event() -> None:
    state, changes = run(DISK, [(5_000, True), (10_000, False)] * 2_000)
    assert changes == [(0, True)]
    assert state.spells == 2_000


@given(rules, patterns, st.sampled_from([5_000, 60_000]))
def test_no_pattern_makes_many_events_a_day(rule: FaultRule, pattern: Spells, every_ms: int) -> None:
    changes = run(rule, pattern, every_ms)[1]
    assert most_in_a_day(changes) <= MOST_EVENTS_A_DAY
    assert [active for _, active in changes] == [n % 2 == 0 for n in range(len(changes))]


def test_the_worst_that_a_fault_can_do_is_the_bound_itself() -> None:
    """Bad at the very look after each clearing."""
    state, changes = Fault(), []
    for now_ms in range(0, 3 * DAY_MS, 5_000):
        after = look(state, ALARM, now_ms, not state.active)
        if after.active != state.active:
            changes.append((now_ms, after.active))
        state = after
    assert 12 <= most_in_a_day(changes) <= MOST_EVENTS_A_DAY


@given(rules, patterns)
def test_whatever_was_before_a_day_and_a_little_of_being_well_clears(rule: FaultRule, pattern: Spells) -> None:
    state, _ = run(rule, [*pattern, (DAY_MS + rule.well_ms + 10_000, False)], 60_000)
    assert not state.active
    assert state.owed_ms == 0 and state.spells == 0


@given(rules, patterns)
def test_what_stays_bad_is_raised_whatever_was_before(rule: FaultRule, pattern: Spells) -> None:
    assert run(rule, [*pattern, (rule.after_ms + 11_000, True)], 10_000)[0].active


@given(rules, patterns, st.integers(0, 2**32 - 1))
def test_a_restart_at_any_moment_changes_no_alarm_and_adds_no_event(
    rule: FaultRule, pattern: Spells, seed: int
) -> None:
    """The bound holds over restarts too, with what the log knows: what stands, and when it was raised."""
    draw, state, changes, now_ms = random.Random(seed), Fault(), [], 0
    for length_ms, bad in pattern:
        until_ms = now_ms + length_ms
        while now_ms < until_ms:
            if draw.random() < 0.05:
                again = resumed(state, active=state.active, raised_ms=state.raised_ms)
                assert (again.active, again.owed_ms) == (state.active, state.owed_ms)
                state = again
            after = look(state, rule, now_ms, bad)
            if after.active != state.active:
                changes.append((now_ms, after.active))
            state, now_ms = after, now_ms + 30_000
    assert most_in_a_day(changes) <= MOST_EVENTS_A_DAY


def test_after_it_is_over_the_delay_counts_from_nothing() -> None:
    once, minutes = [(60 * MINUTE_MS, True), (6 * MINUTE_MS, False)], [(5 * MINUTE_MS, True), (60 * MINUTE_MS, False)]
    assert [active for _, active in run(SENSOR, [*once, *minutes])[1]] == [True, False]


def test_each_turn_within_a_day_must_be_followed_by_a_longer_quiet() -> None:
    times = [steady_ms(DISK, tuple(range(turns))) for turns in range(1, 7)]
    assert times == [DISK.well_ms, *(AGAIN_MS * LONGER**n for n in range(5))]
    # A day later it counts no more.
    state = look(Fault(active=True, raised_ms=(0, 1, 2)), DISK, DAY_MS + 2, True)
    assert state.raised_ms == ()
