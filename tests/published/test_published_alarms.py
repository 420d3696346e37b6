"""The limit alarm, walked by hand."""

import numpy as np

from rainstead.alarms import LIMIT_START, Change, LimitRule, LimitState, advance

VALUES = (94, 95.2, 94.8, 95.1, 95.3, 95.4, 94.0, 93.4, 92.9, 92.8, 92.7)
T_MS = np.arange(len(VALUES), dtype=np.int64) * 30_000
ON, OFF = 150_000, 300_000
"""Active first at 150 s (95.1 at 90 s starts the count); clears at 300 s (92.9 at 240 s starts it)."""


def test_a_high_limit_walks_as_worked_by_hand() -> None:
    # Terms by OPC 10000-9, B.1.5 (on-delay, off-delay, deadband); the walk itself is worked by hand.
    rule = LimitRule(limit=95, deadband=2, on_delay_ms=60_000, off_delay_ms=60_000, high=True)
    state, changes = advance(LIMIT_START, rule, T_MS, np.array(VALUES))
    assert changes == [Change(ON, True, 95.4), Change(OFF, False, 92.7)]
    assert state == LimitState(False, OFF, None)


def test_the_walk_tells_when_each_count_began() -> None:
    rule = LimitRule(limit=95, deadband=2, on_delay_ms=60_000, off_delay_ms=60_000, high=True)
    pending = [advance(LIMIT_START, rule, T_MS[:n], np.array(VALUES[:n]))[0].pending_ms for n in range(1, 12)]
    assert pending == [None, 30_000, None, 90_000, 90_000, None, None, None, 240_000, 240_000, None]


def test_a_low_limit_walks_the_same_turned_over() -> None:
    rule = LimitRule(limit=5, deadband=2, on_delay_ms=60_000, off_delay_ms=60_000)
    turned = 100 - np.array(VALUES)
    changes = advance(LIMIT_START, rule, T_MS, turned)[1]
    assert [(change.t_ms, change.active) for change in changes] == [(ON, True), (OFF, False)]
