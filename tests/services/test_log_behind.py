"""Whoever reads the log along is told where it changed behind them."""

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rainstead.log import Behind, Columns, LogReader, LogWriter
from rainstead.readings import Kind

KIND = {"one": Kind.LEVEL}


def test_readings_in_order_leave_no_note_and_a_late_one_does(tmp_path: Path) -> None:
    with LogWriter(tmp_path / "readings.db") as writer:
        one = writer.sensor_numbers(KIND)["one"]
        segment = writer.begin_segment(writer.begin_boot("logger", "a", 0), 0, trusted=True)
        writer.append([(t, one, segment, 1.0, 0, None, None) for t in (1_000, 2_000)])
        writer.append([(3_000, one, segment, 1.0, 0, None, None)])
        with LogReader(tmp_path) as reader:
            assert reader.behind(0) == []
            writer.append([(1_500, one, segment, 1.0, 0, None, None), (4_000, one, segment, 1.0, 0, None, None)])
            assert reader.behind(0) == [Behind(1, 1_500, moved=False)]
            writer.append([(1_500, one, segment, 1.0, 0, None, None)])  # there already: nothing changed
            column = Columns("one", np.array([10, 20]), np.ones(2), np.zeros(2, dtype=np.uint8), np.full(2, np.nan))
            writer.append_columns(segment, {"one": one}, [column])
            assert reader.behind(1) == [Behind(2, 10, moved=False)]


def test_sealed_readings_count_as_there(tmp_path: Path) -> None:
    with LogWriter(tmp_path / "readings.db") as writer:
        one = writer.sensor_numbers(KIND)["one"]
        segment = writer.begin_segment(writer.begin_boot("logger", "a", 0), 0, trusted=True)
        writer.append([(t, one, segment, 1.0, 0, None, None) for t in range(0, 3_600_000, 60_000)])
        while writer.seal_some(40 * 3_600_000):
            pass
        writer.append([(90_001, one, segment, 1.0, 0, None, None)])
        with LogReader(tmp_path) as reader:
            assert [note.from_ms for note in reader.behind(0)] == [90_001]


def test_trust_that_comes_late_is_told_and_so_is_what_moved(tmp_path: Path) -> None:
    with LogWriter(tmp_path / "readings.db") as writer:
        one = writer.sensor_numbers(KIND)["one"]
        boot = writer.begin_boot("logger", "a", 0)
        segment = writer.begin_segment(boot, 5_000, trusted=False)
        writer.append([(t, one, segment, 1.0, 0, None, None) for t in (6_000, 7_000)])
        with LogReader(tmp_path) as reader:
            assert [trusted.tolist() for _, trusted in reader.batches_with_trust()] == [[False, False]]
            writer.correct_boot(boot, 5_000)
            assert [trusted.tolist() for _, trusted in reader.batches_with_trust()] == [[True, True]]
            assert reader.behind(0) == [Behind(1, 6_000, moved=False)]
            # It was trusted, and is found wrong after all: what was read at the old place is no longer there.
            writer.correct_boot(boot, 4_000)
            assert reader.behind(1) == [Behind(2, 5_000, moved=True)]


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000))
def test_a_reader_that_goes_back_to_each_note_misses_nothing(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    folder = tmp_path_factory.mktemp("along")
    rnd = random.Random(seed)
    held: set[int] = set()
    cursor, seen = -1, 0
    with LogWriter(folder / "readings.db") as writer:
        one = writer.sensor_numbers(KIND)["one"]
        segment = writer.begin_segment(writer.begin_boot("logger", "a", 0), 0, trusted=True)
        with LogReader(folder) as reader:
            for k in range(12):
                stamps = {rnd.randrange(max(0, 100 * k - 150), 100 * k + 100) for _ in range(rnd.randint(0, 5))}
                writer.append([(t, one, segment, 1.0, 0, None, None) for t in sorted(stamps)])
                for note in reader.behind(seen):
                    seen, cursor = note.number, min(cursor, note.from_ms - 1)
                for batch in reader.batches(after_ms=cursor):
                    held |= set(batch.t_ms.tolist())
                    cursor = int(batch.t_ms[-1])
            everything = {int(t) for batch in reader.batches() for t in batch.t_ms}
    assert held == everything
