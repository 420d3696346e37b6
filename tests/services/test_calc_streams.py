"""Each stream against a slow reference that looks at one row after another."""

import math
import random
from fractions import Fraction

import numpy as np
import pytest
from any_cut import same_bits
from hypothesis import given
from hypothesis import strategies as st

from rainstead import calc
from rainstead.calc.arrays import F64, I64

seeds = st.integers(0, 2**32 - 1)
NAN = math.nan


def ints(*values: int) -> I64:
    return np.array(values, dtype=np.int64)


def floats(*values: float) -> F64:
    return np.array(values, dtype=float)


def _times(draw: random.Random, n: int) -> I64:
    steps = [draw.choice([1, 1_000, 3_000, 3_001, 6_000, 6_001, draw.randint(1, 20_000)]) for _ in range(n)]
    return np.cumsum(np.array(steps, dtype=np.int64))


@given(seeds, st.integers(1, 9))
def test_the_median_is_the_lower_middle_of_the_last_values(seed: int, width: int) -> None:
    draw = random.Random(seed)
    values = [draw.uniform(-1, 1) for _ in range(draw.randint(0, 30))]
    expected = [sorted(values[max(0, k + 1 - width) : k + 1]) for k in range(len(values))]
    found = calc.running_median(calc.MEDIAN_START, floats(*values), width)[1]
    assert found.tolist() == [window[(len(window) - 1) // 2] for window in expected]


def test_a_single_wild_value_never_comes_out_of_the_median() -> None:
    found = calc.running_median(calc.MEDIAN_START, floats(1.0, 1.1, 9.0, 1.2, 1.3), 3)[1]
    assert found.tolist() == [1.0, 1.0, 1.1, 1.2, 1.3]


@given(seeds)
def test_hold_gives_the_last_known_value_while_it_is_fresh(seed: int) -> None:
    draw = random.Random(seed)
    t_ms, at_ms = _times(draw, draw.randint(0, 20)), _times(draw, draw.randint(0, 20))
    value = floats(*[NAN if draw.random() < 0.3 else draw.uniform(0, 40) for _ in t_ms])
    expected = []
    for at in at_ms.tolist():
        known = [(t, v) for t, v in zip(t_ms.tolist(), value.tolist(), strict=True) if t <= at and not math.isnan(v)]
        expected.append(known[-1][1] if known and at - known[-1][0] <= 6_000 else NAN)
    assert same_bits(calc.hold(calc.HOLD_START, t_ms, value, at_ms, 6_000)[1], floats(*expected))


@given(seeds, st.integers(1, 4))
def test_the_sum_takes_the_newest_of_each_source_or_is_missing(seed: int, n: int) -> None:
    draw = random.Random(seed)
    t_ms = _times(draw, draw.randint(0, 30))
    which = [draw.randrange(n) for _ in t_ms]
    value = [NAN if draw.random() < 0.2 else draw.uniform(0, 20_000) for _ in t_ms]
    newest: dict[int, tuple[int, float]] = {}
    expected = []
    for t, k, v in zip(t_ms.tolist(), which, value, strict=True):
        if not math.isnan(v):
            newest[k] = (t, v)
        total = 0.0
        for source in range(n):
            seen_ms, seen = newest.get(source, (0, NAN))
            total += seen if t - seen_ms <= 9_000 else NAN
        expected.append(total)
    start = calc.LatestState((None,) * n, (NAN,) * n)
    found = calc.latest_sum(start, t_ms, ints(*which), floats(*value), n, 9_000)[1]
    assert same_bits(found, floats(*expected))


@given(st.lists(st.integers(-50, 50), min_size=1, max_size=6, unique=True), st.lists(st.integers(-60, 60)))
def test_the_calibration_in_force_is_the_newest_that_has_begun(since: list[int], times: list[int]) -> None:
    ordered = tuple(sorted(since))
    expected = [max([k for k, begun in enumerate(ordered) if begun <= t], default=0) for t in times]
    assert calc.in_force(ordered, ints(*times)).tolist() == expected


def test_the_first_calibration_stands_for_all_time_before_it() -> None:
    assert calc.in_force((100, 200), ints(-5, 99, 100, 199, 200, 10**15)).tolist() == [0, 0, 0, 0, 1, 1]


# --- rain ------------------------------------------------------------------------------------------------------------


def test_a_row_without_tips_is_no_rain_and_says_nothing_of_intensity() -> None:
    state, rain, intensity = calc.tip_rows(
        calc.TIP_START, ints(0, 60_000, 120_000, 180_000), ints(1, 0, 2, 1), np.full(4, 0.5)
    )
    assert rain.tolist() == [0.5, 0.0, 1.0, 0.5]
    assert same_bits(intensity, floats(NAN, NAN, 30.0, 30.0))  # two tips in two minutes, one in one
    assert state == calc.TipState(180_000)


def test_one_stamp_twice_is_rain_twice_but_no_intensity() -> None:
    _, rain, intensity = calc.tip_rows(calc.TIP_START, ints(5, 5, 7_205), ints(1, 1, 1), np.full(3, 0.2))
    assert rain.tolist() == [0.2, 0.2, 0.2]
    assert same_bits(intensity, floats(NAN, NAN, 100.0))


GAUGE = {"depth_per_tip_mm": (0.2, 0.254), "u_ratio": (0.02, 0.03)}


def _storms(t_ms: I64, tips: I64, period: I64, upto_ms: int, gap_ms: int) -> tuple[calc.StormState, list[calc.Storm]]:
    return calc.storms(
        calc.STORM_START,
        t_ms,
        tips,
        period,
        upto_ms,
        depth_per_tip_mm=GAUGE["depth_per_tip_mm"],
        u_ratio=GAUGE["u_ratio"],
        gap_ms=gap_ms,
    )


@given(seeds)
def test_storms_are_those_of_one_tip_after_another(seed: int) -> None:
    draw = random.Random(seed)
    t_ms = _times(draw, draw.randint(0, 60))
    tips = ints(*[draw.choice([0, 1, 1, 3]) for _ in t_ms])
    period = ints(*[draw.randrange(2) for _ in t_ms])
    newest = int(t_ms[-1]) if len(t_ms) else 0
    upto_ms = newest + draw.choice([0, 6_000, 6_001, 90_000])
    groups: list[list[tuple[int, int, int]]] = []
    for row in zip(t_ms.tolist(), tips.tolist(), period.tolist(), strict=True):
        if row[1] == 0:
            continue
        if not groups or row[0] - groups[-1][-1][0] > 6_000:
            groups.append([])
        groups[-1].append(row)
    over = [group for group in groups if upto_ms - group[-1][0] > 6_000]
    state, found = _storms(t_ms, tips, period, upto_ms, 6_000)
    assert [(s.start_ms, s.end_ms, s.tips) for s in found] == [
        (group[0][0], group[-1][0], sum(row[1] for row in group)) for group in over
    ]
    assert (state.open is not None) == (len(over) < len(groups))
    for storm, group in zip(found, over, strict=True):
        depth = sum(Fraction("0.2") * row[1] if row[2] == 0 else Fraction("0.254") * row[1] for row in group)
        assert storm.rain_mm == pytest.approx(float(depth), rel=1e-14)
        assert storm.complete


def test_a_dry_gap_of_exactly_the_limit_does_not_end_a_storm() -> None:
    hours = 3_600_000
    for gap, count in ((6 * hours, 0), (6 * hours + 1, 1)):
        state, over = _storms(ints(0, gap), ints(1, 1), ints(0, 0), gap, 6 * hours)
        assert len(over) == count
        now = calc.open_storm(state, **GAUGE)
        assert now is not None
        assert (now.start_ms, now.tips, now.complete) == ((0, 2, False) if count == 0 else (gap, 1, False))
    # The same limit for the time that has passed since: at six hours it may still go on, a moment later it is over.
    assert _storms(ints(0), ints(1), ints(0), 6 * hours, 6 * hours)[1] == []
    assert len(_storms(ints(0), ints(1), ints(0), 6 * hours + 1, 6 * hours)[1]) == 1


def test_a_new_calibration_counts_only_the_tips_that_came_after_it() -> None:
    _, (storm,) = _storms(ints(0, 1_000, 2_000), ints(10, 5, 5), ints(0, 1, 1), 10**6, 6_000)
    assert storm.rain_mm == pytest.approx(10 * 0.2 + 10 * 0.254)
    shared = 10 * 0.2 * 0.02 + 10 * 0.254 * 0.03
    assert storm.rain_u_mm == pytest.approx(math.hypot(0.254 / math.sqrt(6), shared))


# --- pump ------------------------------------------------------------------------------------------------------------


METER = {"k_per_l": (450.0, 440.0), "u_ratio": (0.02, 0.01)}


def _runs(t_ms: I64, pulses: I64, period: I64, upto_ms: int, gap_ms: int) -> tuple[calc.RunState, list[calc.PumpRun]]:
    return calc.runs(
        calc.RUN_START,
        t_ms,
        pulses,
        period,
        upto_ms,
        k_per_l=METER["k_per_l"],
        u_ratio=METER["u_ratio"],
        gap_ms=gap_ms,
    )


@given(seeds)
def test_runs_are_those_of_one_row_after_another(seed: int) -> None:
    draw = random.Random(seed)
    t_ms = _times(draw, draw.randint(0, 60))
    pulses = ints(*[draw.choice([0, 0, 30, draw.randint(1, 900)]) for _ in t_ms])
    period = ints(*[draw.randrange(2) for _ in t_ms])
    before: int | None = None
    groups: list[dict[str, int]] = []
    for t, n, k in zip(t_ms.tolist(), pulses.tolist(), period.tolist(), strict=True):
        begun = max(t if before is None else before, t - 3_000)
        before = t
        if n == 0:
            continue
        if not groups or begun - groups[-1]["end"] > 3_000:
            groups.append({"start": begun, "end": t, "old": 0, "new": 0})
        groups[-1]["end"] = t
        groups[-1]["new" if k else "old"] += n
    state, found = _runs(t_ms, pulses, period, (int(t_ms[-1]) if len(t_ms) else 0) + 6_001, 3_000)
    assert state.open is None
    assert [(r.start_ms, r.end_ms, r.pulses) for r in found] == [
        (g["start"], g["end"], g["old"] + g["new"]) for g in groups
    ]
    for run, group in zip(found, groups, strict=True):
        litres = float(Fraction(group["old"], 450) + Fraction(group["new"], 440))
        assert run.volume_l == pytest.approx(litres, rel=1e-14)
        if run.end_ms > run.start_ms:
            assert run.flow_l_min == pytest.approx(litres * 60_000 / (run.end_ms - run.start_ms))
        else:
            assert math.isnan(run.flow_l_min)


def test_a_run_begins_where_its_first_pulses_began_to_be_counted() -> None:
    t_ms, pulses = ints(0, 10_000, 20_000, 30_000, 40_000), ints(0, 4_500, 4_500, 0, 0)
    _, (run,) = _runs(t_ms, pulses, ints(0, 0, 0, 0, 0), 200_000, 15_000)
    assert (run.start_ms, run.end_ms, run.pulses) == (0, 20_000, 9_000)
    assert run.flow_l_min == pytest.approx(60.0)
    # A meter that reports only while it turns: the row before is hours old, and was no part of the run.
    _, (late,) = _runs(ints(0, 9_000_000), ints(0, 450), ints(0, 0), 99_000_000, 15_000)
    assert (late.start_ms, late.end_ms) == (8_985_000, 9_000_000)


def test_a_pause_of_exactly_the_limit_does_not_end_a_run() -> None:
    for pause, count in ((15_000, 1), (15_001, 2)):
        t_ms = ints(0, 10_000, 10_000 + pause, 20_000 + pause)
        assert len(_runs(t_ms, ints(0, 100, 0, 100), ints(0, 0, 0, 0), 10**7, 15_000)[1]) == count


def test_a_run_that_may_go_on_is_shown_as_it_stands() -> None:
    state, over = _runs(ints(0, 10_000), ints(0, 4_500), ints(0, 0), 20_000, 15_000)
    assert over == []
    now = calc.open_run(state, k_per_l=METER["k_per_l"], u_ratio=METER["u_ratio"])
    assert now is not None
    assert (now.volume_l, now.flow_l_min, now.complete) == (10.0, 60.0, False)
    assert calc.open_run(calc.RUN_START, k_per_l=METER["k_per_l"], u_ratio=METER["u_ratio"]) is None


def test_the_first_row_of_a_meter_has_litres_but_no_flow() -> None:
    state, start_ms, volume, flow = calc.flow_rows(
        calc.FLOW_START, ints(5_000, 15_000, 15_000), ints(90, 4_500, 45), np.full(3, 450.0)
    )
    assert start_ms.tolist() == [5_000, 5_000, 15_000]
    assert volume.tolist() == [0.2, 10.0, 0.1]
    assert same_bits(flow, floats(NAN, 60.0, NAN))
    assert state == calc.FlowState(15_000)
