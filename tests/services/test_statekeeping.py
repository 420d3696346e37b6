"""A kept state is the state, to the bit; going on from one is as if nothing had been interrupted."""

import dataclasses
import json
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as st

from rainstead import alarms, calc, derive, statekeeping
from rainstead.derive import Derived, Deriver, State
from rainstead.readings import Batch, Quality
from rainstead.settings import Settings, parse_settings
from rainstead.statekeeping import state_from_text, state_to_text

SITE = """
[site]
name = "a test's site"
time_zone = "Europe/Lisbon"
latitude_deg = 39
[sensors.gauge]
kind = "tipping-bucket"
gpio = 5
calibrations = [{ depth_per_tip = 0.2 }, { from = 2026-02-01, depth_per_tip = "0.01 in" }]
[sensors.flow]
kind = "flow-pulse"
gpio = 17
calibrations = [{ k_factor_per_l = 390 }, { from = 2026-02-01, k_factor_per_l = 391.7 }]
[sensors.air]
kind = "one-wire"
path = "/nowhere"
offset_c = 0.3
[sensors.level]
kind = "ranger-text"
port = "/dev/nowhere"
air = "air"
[sensors.level_shed]
kind = "ranger-text"
port = "/dev/nowhere2"
median_of = 3
[tanks.house]
sensor = "level"
face_height = 2.5
brim = 2
calibrations = [{ shape = "cylinder", diameter = 2.2 }]
[tanks.shed]
sensor = "level_shed"
face_height = 2.5
brim = 2
calibrations = [{ shape = "horizontal-cylinder", diameter = 2.2, length = 3 }]
[rain]
gauge = "gauge"
storm_gap = "3 min"
[pump]
source = "house"
meter = "flow"
run_gap = "30 s"
[reserve]
fire = 9000
tanks = ["house", "shed"]
[alarms]
overflow_risk = { freeboard = 1500, on_delay = 10, off_delay = 10 }
low_reserve = { on_delay = 10, off_delay = 10 }
"""
SETTINGS: Settings = parse_settings(SITE, "test")
NAMES = ("air", "flow", "gauge", "level", "level_shed")
NEW_MONTH_MS = 1_769_904_000_000  # 2026-02-01T00:00Z, when the second calibrations begin


def ragged(seed: int, count: int, spacing_ms: int) -> Batch:
    """Readings as a bad day gives them: lost echoes, gaps, equal stamps, values with all their bits."""
    rng = np.random.default_rng(seed)
    t_ms = NEW_MONTH_MS - count * spacing_ms // 2 + np.cumsum(rng.integers(0, 2 * spacing_ms, count))
    sensor = rng.integers(0, len(NAMES), count)
    order = np.lexsort((sensor, t_ms))
    t_ms, sensor = t_ms[order], sensor[order]
    first = np.append(True, (np.diff(t_ms) > 0) | (np.diff(sensor) > 0))
    t_ms, sensor = t_ms[first], sensor[first].astype(np.int16)
    n = len(t_ms)
    value = np.select(
        [sensor == 0, sensor == 1, sensor == 2],
        [rng.normal(15, 5, n), rng.integers(0, 2000, n) * rng.integers(0, 2, n), rng.integers(0, 3, n)],
        np.abs(1200 + 600 * np.sin(np.arange(n) / (1 + rng.random() * n / 4)) + rng.normal(0, 30, n)),
    ).astype(np.float64)
    flags = [Quality.OK, Quality.NOISY, Quality.NO_ECHO, Quality.BLANKED]
    quality = rng.choice(flags, n, p=[0.8, 0.08, 0.08, 0.04]).astype(np.uint8)
    quality[sensor < 3] = Quality.OK
    value[quality == Quality.NO_ECHO] = np.nan
    spread = np.where(rng.random(n) < 0.2, np.nan, np.abs(rng.normal(2, 1, n)))
    return Batch(NAMES, t_ms.astype(np.int64), sensor, value, quality, spread)


def cut(batch: Batch, at: list[int]) -> list[Batch]:
    """Pieces, none of which ends between two readings of one stamp: the log cuts so, too."""
    edges = sorted({0, len(batch), *(int(np.searchsorted(batch.t_ms, batch.t_ms[k % len(batch)])) for k in at)})
    return [batch.take(slice(low, high)) for low, high in pairwise(edges)]


def flatten(many: list[Derived]) -> dict[str, list[str]]:
    """Every derived number, bit for bit, whatever the cut."""
    flat: dict[str, list[str]] = {}
    for one in many:
        tables: tuple[Any, ...] = (*one.levels, *one.rain, *one.flow, *one.temperatures)
        for rows in tables:
            name, *columns = (getattr(rows, field.name) for field in dataclasses.fields(rows))
            label = f"{type(rows).__name__} {name}"
            listed = [column.tolist() for column in columns]
            flat.setdefault(label, []).extend(map(repr, zip(*listed, strict=True)))
        for name in ("storms", "runs", "events"):
            flat.setdefault(name, []).extend(map(repr, getattr(one, name)))
    return flat


def through(pieces: list[Batch], *, kept: bool) -> tuple[State, dict[str, list[str]]]:
    """The last state and everything derived; with `kept`, a new process takes over after each piece."""
    deriver = Deriver(SETTINGS)
    state, found = deriver.start(), []
    for piece in pieces:
        state, derived = deriver.advance(state, piece)
        found.append(derived)
        if kept:
            text = state_to_text(state)
            again = state_from_text(text)
            assert repr(again) == repr(state)
            assert state_to_text(again) == text
            state, deriver = again, Deriver(SETTINGS)
    return state, flatten(found)


@tries(max_examples=120, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    count=st.integers(1, 400),
    spacing_ms=st.sampled_from([500, 9_000, 40_000, 3_000_000]),
    at=st.lists(st.integers(0, 10_000), max_size=12),
)
def test_a_calculation_resumed_from_kept_states_is_the_uninterrupted_one(
    seed: int, count: int, spacing_ms: int, at: list[int]
) -> None:
    batch = ragged(seed, count, spacing_ms)
    state, found = through([batch], kept=False)
    resumed_state, resumed = through(cut(batch, at), kept=True)
    assert resumed == found
    assert repr(resumed_state) == repr(state)


def test_the_ragged_readings_reach_every_part_of_the_calculation() -> None:
    state, found = through([ragged(11, 400, 9_000)], kept=False)
    assert all(found[name] for name in ("storms", "runs", "events"))
    assert {label.split()[0] for label in found} >= {"LevelRows", "RainRows", "FlowRows", "TemperatureRows"}
    assert state.gauge is not None
    assert state.meter is not None
    assert state.reserve_usable_l is not None


def test_a_pump_run_is_one_run_wherever_the_readings_are_cut() -> None:
    """A report may begin up to the gap before its stamp: a reading in between must not have closed the run."""
    t_ms = NEW_MONTH_MS + np.array([90_000, 100_000, 131_000, 135_000, 400_000])
    sensor = np.array([1, 1, 0, 1, 0], dtype=np.int16)
    value = np.array([5.0, 5.0, 15.0, 5.0, 15.0])
    batch = Batch(NAMES, t_ms, sensor, value, np.zeros(5, dtype=np.uint8), np.full(5, np.nan))
    _, whole = through([batch], kept=False)
    assert len(whole["runs"]) >= 1
    for k in range(1, 5):
        assert through(cut(batch, [k]), kept=False)[1] == whole


@pytest.mark.parametrize(
    "value", [0.1 + 0.2, 5e-324, -0.0, 1.7976931348623157e308, float("nan"), float("inf"), 1.0, 2.0**53 + 2]
)
def test_every_float_comes_back_to_the_bit_and_as_a_float(value: float) -> None:
    state = dataclasses.replace(Deriver(SETTINGS).start(), reserve_usable_l=value, temperatures=(("air", 1, value),))
    assert repr(state_from_text(state_to_text(state))) == repr(state)


def test_every_state_that_can_be_carried_can_be_kept() -> None:
    carried = {
        kind
        for module in (alarms, calc, derive)
        for name in module.__all__
        if isinstance(kind := getattr(module, name), type) and (name.endswith("State") or name == "TankNow")
    }
    assert carried <= set(statekeeping._KNOWN.values())


@pytest.mark.parametrize(
    "text",
    ["", "{", "null", "[]", "7", "{}", '{"":"State"}', '{"":"Stat"}', '{"":["State"]}', '{"":"TankNow"}', '"State"'],
)
def test_a_text_that_is_no_state_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"not a kept state|Expecting"):
        state_from_text(text)


def test_a_state_of_a_field_too_many_is_refused() -> None:
    plain = json.loads(state_to_text(Deriver(SETTINGS).start()))
    with pytest.raises(ValueError, match="not a kept state"):
        state_from_text(json.dumps(plain | {"unheard_of": 1}))
