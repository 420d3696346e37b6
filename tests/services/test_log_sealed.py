"""Closed hours as blocks: sealed and fresh read back as one, to the bit and in the same order."""

import math
import random
import sqlite3
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rainstead.errors import LogDamaged
from rainstead.log import Columns, LogReader, LogWriter, Row
from rainstead.log import block as log_block
from rainstead.log import sealed as log_sealed
from rainstead.log import varint
from rainstead.readings import Batch, Kind

HOUR_MS = 3_600_000
BEGIN_MS = 1_780_000_000_000 - 1_780_000_000_000 % HOUR_MS
KINDS = {"air": Kind.TEMPERATURE, "gauge": Kind.TIP, "level": Kind.LEVEL, "meter": Kind.PULSE}
FAR_MS = 2**60


def bits(batches: list[Batch]) -> list[tuple[object, ...]]:
    """Every reading, floats as their bytes; one NaN is as good as another."""
    return [
        (t, s, "nan" if math.isnan(v) else struct.pack("<d", v), q, "nan" if math.isnan(d) else struct.pack("<d", d))
        for b in batches
        for t, s, v, q, d in zip(
            b.t_ms.tolist(), b.sensor.tolist(), b.value.tolist(), b.quality.tolist(), b.spread.tolist(), strict=True
        )
    ]


def seal_all(writer: LogWriter, now_ms: int = FAR_MS) -> int:
    total = 0
    while sealed := writer.seal_some(now_ms):
        total += sealed
    return total


def ragged(draw: random.Random, many: int, segments: list[int], numbers: list[int], span_ms: int) -> list[Row]:
    """Readings like real ones, and like none: whole, halved, sixteenth and ragged values, holes, extremes."""
    styles = [
        lambda: float(draw.randint(-5, 2000)),
        lambda: draw.randint(0, 9000) / 2,
        lambda: draw.randint(-400, 800) / 16,
        lambda: draw.randint(0, 100_000) / 1000,
        lambda: draw.gauss(1000, 3),
        lambda: draw.choice([1.4826 * 0.1, 0.7413, 2.2239]),
        lambda: draw.choice([0.0, 5e-324, 2.0**60, -1.7e308, 1e15 + 0.3, float(2**53 + 2)]),
        lambda: None,
    ]
    kinds = {n: draw.sample(styles, 2) + [styles[-1]] for n in numbers}
    rows: dict[tuple[int, int, int], Row] = {}
    for _ in range(many):
        t, n, g = BEGIN_MS + draw.randrange(span_ms), draw.choice(numbers), draw.choice(segments)
        value, spread = draw.choice(kinds[n])(), draw.choice(kinds[n])()
        count = draw.choice([None, 8, 16, 0])
        rows[t, n, g] = (t, n, g, value, draw.choice([0, 0, 0, 4, 255]), spread, count)
    return sorted(rows.values(), key=lambda row: row[:3])


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 2**32),
    many=st.integers(1, 400),
    hours=st.sampled_from([1, 3, 40]),
    size=st.integers(1, 500),
    part=st.floats(0, 1),
    low=st.floats(-0.1, 1.1),
    high=st.floats(-0.1, 1.1),
)
def test_sealed_and_fresh_readings_are_the_same_readings(
    tmp_path_factory: pytest.TempPathFactory,
    seed: int,
    many: int,
    hours: int,
    size: int,
    part: float,
    low: float,
    high: float,
) -> None:
    draw = random.Random(seed)
    span_ms = hours * HOUR_MS
    path = tmp_path_factory.mktemp("sealed") / "readings.db"
    with LogWriter(path) as writer:
        numbers = sorted(writer.sensor_numbers(KINDS).values())
        boot = writer.begin_boot("logger", "b", 0)
        segments = [writer.begin_segment(boot, draw.choice([0, BEGIN_MS, -(10**9)]), trusted=True) for _ in range(3)]
        rows = ragged(draw, many, segments, numbers, span_ms)
        writer.append(rows)
        with LogReader(path) as reader:
            whole = bits(list(reader.batches()))
            ask = {"after_ms": BEGIN_MS + round(low * span_ms), "upto_ms": BEGIN_MS + round(high * span_ms)}
            names = draw.sample(sorted(KINDS), draw.randint(0, 4))
            before = [
                bits(list(reader.batches(**ask, size=size))),
                bits(list(reader.batches(**ask, sensors=names, size=size))),
                reader.count(**ask),
                reader.span_ms(),
                reader.last_before_ms(ask["upto_ms"]),
            ]
            sealed = seal_all(writer, BEGIN_MS + round(part * (span_ms + 2 * HOUR_MS)))
            after = [
                bits(list(reader.batches(**ask, size=size))),
                bits(list(reader.batches(**ask, sensors=names, size=size))),
                reader.count(**ask),
                reader.span_ms(),
                reader.last_before_ms(ask["upto_ms"]),
            ]
            assert after == before
            assert bits(list(reader.batches(size=size))) == whole
            assert reader.damaged == ()
        # What is sealed is known: the same rows again are no news, and others of that time still come in.
        assert writer.append(rows) == 0
        assert writer.append([(t + 1, n, g, 7.0, 0, None, None) for t, n, g, *_ in rows[:1]]) <= 1
    db = sqlite3.connect(path)
    assert db.execute("SELECT total(count) FROM block").fetchone() == (float(sealed),)
    db.close()
