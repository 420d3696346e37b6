"""How a series is cut into batches changes no bit of any answer, nor of the state that is carried."""

import random
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
from any_cut import pieces, same_bits
from hypothesis import given
from hypothesis import strategies as st

from rainstead import calc
from rainstead.calc.arrays import F64, I64

seeds = st.integers(0, 2**32 - 1)


def _times(draw: random.Random, n: int) -> I64:
    # Steps from a few values, so that gaps fall exactly on the limits too; strictly rising.
    steps = [draw.choice([1, 400, 1_000, 3_000, 3_001, 6_000, 6_001, draw.randint(1, 20_000)]) for _ in range(n)]
    return 1_780_000_000_000 + np.cumsum(np.array(steps, dtype=np.int64))


def _ragged(draw: random.Random, n: int, low: float, high: float, missing: float = 0.0) -> F64:
    return np.array([np.nan if draw.random() < missing else draw.uniform(low, high) for _ in range(n)], dtype=float)


def _upto_ms(draw: random.Random, t_ms: I64, end: int) -> int:
    """A time at which all rows before `end` are there and no later one."""
    newest = int(t_ms[end - 1]) if end else int(t_ms[0]) - 1 if len(t_ms) else 0
    next_ms = int(t_ms[end]) if end < len(t_ms) else newest + 1
    return draw.randint(newest, max(newest, next_ms - 1))


def _joined(parts: list[F64]) -> F64:
    return np.concatenate(parts) if parts else np.zeros(0)


def _volume_l(shape: calc.Volume, _: F64, __: F64, depth_m: F64) -> F64:
    return shape.volume_l(depth_m)


def _l_per_m(shape: calc.Volume, _: F64, __: F64, depth_m: F64) -> F64:
    return shape.l_per_m(depth_m)


def _usable_l(shape: calc.Volume, _: F64, __: F64, depth_m: F64) -> F64:
    return calc.tank_litres(shape, depth_m, brim_m=1.9, outlet_m=0.1).usable_l


@given(seeds)
def test_elementwise_functions(seed: int) -> None:
    draw = random.Random(seed)
    n = draw.randint(0, 40)
    air_c, range_mm = _ragged(draw, n, -20, 60, 0.1), _ragged(draw, n, 250, 4500, 0.1)
    depth_m = _ragged(draw, n, -0.5, 3.0, 0.1)
    table = calc.StrappingTable((0.1, 0.7, 1.3, 2.2), (93.7, 6_003.1, 11_807.3, 20_111.9))
    shapes: list[calc.Volume] = [
        calc.Cylinder(3.66),
        calc.Cuboid(2.4, 1.2),
        calc.TruncatedCone(2.0, 2.4, 2.0),
        calc.LyingCylinder(1.5, 3.0),
        calc.LitresPerCentimetre(110, 0.03),
        table,
    ]
    functions: list[Callable[[F64, F64, F64], F64]] = [
        lambda _, a, __: calc.dry_sound_speed_m_s(a),
        lambda _, a, __: calc.sound_speed_m_s(a, 0.93),
        lambda r, a, _: calc.ullage_m(r, a, assumed_air_c=20.0, humidity_ratio=0.97),
        lambda r, a, _: calc.ullage_compensated_m(r, a, humidity_ratio=0.97),
        lambda _, a, __: calc.sound_u_ratio(a, 2.0, 0.97),
        lambda r, a, d: calc.combine(r, 0.3, a, d),
    ]
    for shape in shapes:
        functions += [partial(_volume_l, shape), partial(_l_per_m, shape), partial(_usable_l, shape)]
    whole = [function(range_mm, air_c, depth_m) for function in functions]
    for function, expected in zip(functions, whole, strict=True):
        found = [function(range_mm[part], air_c[part], depth_m[part]) for part in pieces(draw, n)]
        assert same_bits(_joined(found), expected)
        one_by_one = [function(range_mm[k : k + 1], air_c[k : k + 1], depth_m[k : k + 1]) for k in range(n)]
        assert same_bits(_joined(one_by_one), expected)


@given(seeds, st.integers(1, 9))
def test_running_median(seed: int, width: int) -> None:
    draw = random.Random(seed)
    values = _ragged(draw, draw.randint(0, 40), -2, 2)
    end, expected = calc.running_median(calc.MEDIAN_START, values, width)
    state, found = calc.MEDIAN_START, []
    for part in pieces(draw, len(values)):
        state, out = calc.running_median(state, values[part], width)
        found.append(out)
    assert same_bits(_joined(found), expected)
    assert state == end


@given(seeds)
def test_doubled(seed: int) -> None:
    draw = random.Random(seed)
    t_ms = _times(draw, draw.randint(0, 40))
    places = [200.0, 245.0, 280.0, 281.0, 320.0, 420.0, 480.0, 530.0, 531.0, 900.0]
    range_mm = np.array([np.nan if draw.random() < 0.1 else draw.choice(places) for _ in t_ms], dtype=float)
    doubled = partial(calc.doubled, blind_mm=250.0, fastest_mm_min=500.0)
    end, expected = doubled(calc.BLIND_START, t_ms, range_mm)
    state, found = calc.BLIND_START, []
    for part in pieces(draw, len(t_ms)):
        state, out = doubled(state, t_ms[part], range_mm[part])
        found.append(out)
    assert _joined([part.astype(float) for part in found]).tolist() == expected.astype(float).tolist()
    assert state == end


@given(seeds)
def test_hold(seed: int) -> None:
    draw = random.Random(seed)
    t_ms, at_ms = _times(draw, draw.randint(0, 30)), _times(draw, draw.randint(0, 30))
    value = _ragged(draw, len(t_ms), -5, 40, 0.3)
    end, expected = calc.hold(calc.HOLD_START, t_ms, value, at_ms, 6_000)
    stamps = np.union1d(t_ms, at_ms)
    state, found = calc.HOLD_START, []
    for part in pieces(draw, len(stamps)):
        of, at = np.isin(t_ms, stamps[part]), np.isin(at_ms, stamps[part])
        state, out = calc.hold(state, t_ms[of], value[of], at_ms[at], 6_000)
        found.append(out)
    assert same_bits(_joined(found), expected)
    assert state == end


@given(seeds, st.integers(1, 4))
def test_latest_sum(seed: int, n: int) -> None:
    draw = random.Random(seed)
    t_ms = np.sort(_times(draw, draw.randint(0, 40)) // 3_000 * 3_000)  # several sources share a stamp
    which = np.array([draw.randrange(n) for _ in t_ms], dtype=np.int64)
    value = _ragged(draw, len(t_ms), 0, 20_000, 0.2)
    start = calc.LatestState((None,) * n, (0.0,) * n)
    end, expected = calc.latest_sum(start, t_ms, which, value, n, 9_000)
    state, found = start, []
    for part in pieces(draw, len(t_ms)):
        state, out = calc.latest_sum(state, t_ms[part], which[part], value[part], n, 9_000)
        found.append(out)
    assert same_bits(_joined(found), expected)
    assert state == end


@given(seeds)
def test_tip_rows_and_storms(seed: int) -> None:
    draw = random.Random(seed)
    t_ms = _times(draw, draw.randint(0, 50))
    tips = np.array([draw.choice([0, 1, 1, 1, 2]) for _ in t_ms], dtype=np.int64)
    since = tuple(sorted(draw.randint(1_780_000_000_000, 1_780_000_200_000) for _ in range(3)))
    depth = (draw.uniform(0.1, 0.6), draw.uniform(0.1, 0.6), draw.uniform(0.1, 0.6))
    u_ratio = (0.02, 0.031, 0.017)
    period = calc.in_force(since, t_ms)
    depth_mm = np.array(depth)[period]
    last_upto = _upto_ms(draw, t_ms, len(t_ms))

    rows_end, rain, intensity = calc.tip_rows(calc.TIP_START, t_ms, tips, depth_mm)
    storm_end, expected = calc.storms(
        calc.STORM_START, t_ms, tips, period, last_upto, depth_per_tip_mm=depth, u_ratio=u_ratio, gap_ms=6_000
    )
    rows, storm = calc.TIP_START, calc.STORM_START
    rains, intensities, found = [], [], []
    for part in pieces(draw, len(t_ms)):
        rows, some_rain, some_intensity = calc.tip_rows(rows, t_ms[part], tips[part], depth_mm[part])
        rains.append(some_rain)
        intensities.append(some_intensity)
        upto_ms = last_upto if part.stop == len(t_ms) else _upto_ms(draw, t_ms, part.stop)
        storm, some = calc.storms(
            storm,
            t_ms[part],
            tips[part],
            calc.in_force(since, t_ms[part]),
            upto_ms,
            depth_per_tip_mm=depth,
            u_ratio=u_ratio,
            gap_ms=6_000,
        )
        found += some
    assert same_bits(_joined(rains), rain)
    assert same_bits(_joined(intensities), intensity)
    assert (rows, storm, found) == (rows_end, storm_end, expected)
    now = calc.open_storm(storm, depth_per_tip_mm=depth, u_ratio=u_ratio)
    assert sum(s.tips for s in found) + (0 if now is None else now.tips) == tips.sum()


@given(seeds)
def test_flow_rows_and_runs(seed: int) -> None:
    draw = random.Random(seed)
    t_ms = _times(draw, draw.randint(0, 50))
    pulses = np.array([draw.choice([0, 0, 1, 40, draw.randint(1, 900)]) for _ in t_ms], dtype=np.int64)
    since = tuple(sorted(draw.randint(1_780_000_000_000, 1_780_000_200_000) for _ in range(2)))
    k_per_l, u_ratio = (draw.uniform(5, 500), draw.uniform(5, 500)), (0.02, 0.031)
    period = calc.in_force(since, t_ms)
    k = np.array(k_per_l)[period]
    last_upto = _upto_ms(draw, t_ms, len(t_ms))

    flow_end, start_ms, volume, flow = calc.flow_rows(calc.FLOW_START, t_ms, pulses, k)
    run_end, expected = calc.runs(
        calc.RUN_START, t_ms, pulses, period, last_upto, k_per_l=k_per_l, u_ratio=u_ratio, gap_ms=3_000
    )
    rows, run = calc.FLOW_START, calc.RUN_START
    starts, volumes, flows, found = [], [], [], []
    for part in pieces(draw, len(t_ms)):
        rows, some_start, some_volume, some_flow = calc.flow_rows(rows, t_ms[part], pulses[part], k[part])
        starts += some_start.tolist()
        volumes.append(some_volume)
        flows.append(some_flow)
        upto_ms = last_upto if part.stop == len(t_ms) else _upto_ms(draw, t_ms, part.stop)
        run, some = calc.runs(
            run, t_ms[part], pulses[part], period[part], upto_ms, k_per_l=k_per_l, u_ratio=u_ratio, gap_ms=3_000
        )
        found += some
    assert starts == start_ms.tolist()
    assert same_bits(_joined(volumes), volume)
    assert same_bits(_joined(flows), flow)
    # A run without length has NaN for its flow, and NaN is not itself.
    assert (rows, run, list(map(repr, found))) == (flow_end, run_end, list(map(repr, expected)))


def test_an_empty_batch_leaves_every_state_as_it_was() -> None:
    ints, floats = np.zeros(0, dtype=np.int64), np.zeros(0)
    hold, median, tip = calc.HoldState(7, 0.1), calc.MedianState((0.1, 0.3)), calc.TipState(7)
    latest, flow = calc.LatestState((3, None), (0.1, 0.0)), calc.FlowState(7)
    assert calc.hold(hold, ints, floats, ints, 5)[0] == hold
    assert calc.running_median(median, floats, 5)[0] == median
    assert calc.tip_rows(tip, ints, ints, floats)[0] == tip
    assert calc.latest_sum(latest, ints, ints, floats, 2, 5)[0] == latest
    assert calc.flow_rows(flow, ints, ints, floats)[0] == flow
    storm = calc.StormState(calc.Spell(3, 7, (4,)))
    assert calc.storms(storm, ints, ints, ints, 7, depth_per_tip_mm=(0.2,), u_ratio=(0.02,), gap_ms=5) == (storm, [])
    run = calc.RunState(7, calc.Spell(3, 7, (4,)))
    assert calc.runs(run, ints, ints, ints, 7, k_per_l=(450.0,), u_ratio=(0.02,), gap_ms=5) == (run, [])


def test_the_bits_are_those_of_the_value_wherever_it_stands_in_memory() -> None:
    """Vector instructions treat the ends of an array, and strided ones, in their own way."""
    air_c = np.full(67, 23.456789)
    spread = np.empty(67 * 3)
    spread[::3] = air_c
    for answer in (calc.sound_speed_m_s(air_c, 0.9), calc.sound_speed_m_s(spread[::3], 0.9)):
        assert len(set(answer.tolist())) == 1


@pytest.mark.parametrize("width", [1, 2, 5])
def test_the_median_keeps_no_more_than_it_needs(width: int) -> None:
    state, _ = calc.running_median(calc.MEDIAN_START, np.arange(20.0), width)
    assert len(state.values) == width - 1
