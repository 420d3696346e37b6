"""What goes into the log and comes out of it again."""

import itertools
import math
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rainstead.errors import LogError
from rainstead.events import AlarmEvent
from rainstead.log import Columns, LogReader, LogWriter, Row
from rainstead.readings import Batch, Kind

DAY_MS = 86_400_000
NOON_MS = 1_780_000_000_000
KINDS = {"air": Kind.TEMPERATURE, "gauge": Kind.TIP, "level": Kind.LEVEL}


def event(t_ms: int, state: str = "normal", alarm: str = "low_reserve") -> AlarmEvent:
    return AlarmEvent(t_ms, alarm, "site", state, 1.0, 2.0, "L", "because")


def joined(batches: list[Batch]) -> list[tuple[object, ...]]:
    columns = ("t_ms", "sensor", "value", "quality", "spread")
    return [
        tuple(map(repr, row))
        for batch in batches
        for row in zip(*(getattr(batch, name).tolist() for name in columns), strict=True)
    ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.db"


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Many readings of one stamp, from two segments, in ragged order."""
    path = tmp_path_factory.mktemp("log") / "readings.db"
    rng = np.random.default_rng(4)
    with LogWriter(path) as writer:
        numbers = list(writer.sensor_numbers(KINDS).values())
        boot = writer.begin_boot("logger", "b", 0)
        segments = [writer.begin_segment(boot, 0, trusted=True) for _ in range(2)]
        rows: list[Row] = [
            (int(t), int(rng.choice(numbers)), int(rng.choice(segments)), float(v), 0, None, None)
            for t, v in zip(NOON_MS + rng.integers(0, 40, 400), rng.normal(1000, 1, 400), strict=True)
        ]
        writer.append(rows)
    return path


def test_values_come_back_to_the_bit_and_missing_ones_as_nan(path: Path) -> None:
    values = [1234.0, 0.1 + 0.2, -0.0, 5e-324, None, 2.0**60]
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=True)
        rows: list[Row] = [(k, numbers["level"], segment, v, 1, v, None) for k, v in enumerate(values)]
        assert writer.append(rows) == 6
    with LogReader(path) as reader:
        (batch,) = reader.batches()
        assert reader.span_ms() == (0, 5)
        assert (reader.last_before_ms(3), reader.last_before_ms(-1)) == (3, None)
    # SQLite keeps -0.0 as the integer 0: no raw value tells the two apart.
    want = [math.nan if v is None else v + 0.0 for v in values]
    assert [*map(repr, batch.value.tolist())] == [*map(repr, want)]
    assert [*map(repr, batch.spread.tolist())] == [*map(repr, want)]


def test_whole_millimetres_cost_less_than_ragged_ones(tmp_path: Path) -> None:
    size = {}
    for label, extra in (("whole", 0.0), ("ragged", 0.1)):
        path = tmp_path / f"{label}.db"
        with LogWriter(path) as writer:
            numbers = writer.sensor_numbers(KINDS)
            segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=True)
            writer.append([(k, numbers["level"], segment, 1000 + k % 900 + extra, 0, None, 8) for k in range(20_000)])
        size[label] = path.stat().st_size / 20_000
    assert size["ragged"] - size["whole"] == pytest.approx(6, abs=1)  # eight bytes against two


def test_columns_go_in_like_rows_and_the_same_again_adds_nothing(path: Path) -> None:
    nan = math.nan
    block = Columns(
        "level", np.array([5, 6]), np.array([1.0, nan]), np.array([0, 1], dtype=np.uint8), np.array([nan, 2.5])
    )
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("twin", "b", 0), 0, trusted=True)
        assert writer.append_columns(segment, numbers, [block]) == 2
        assert writer.append_columns(segment, numbers, [block]) == 0
        assert writer.append([(5, numbers["level"], segment, 9.0, 0, None, None)]) == 0
    with LogReader(path) as reader:
        (batch,) = reader.batches()
        assert reader.sources() == {"twin"}
    level = batch.names.index("level")
    assert joined([batch]) == [("5", str(level), "1.0", "0", "nan"), ("6", str(level), "nan", "1", "2.5")]


def test_one_bad_row_keeps_all_of_its_block_out(path: Path) -> None:
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=True)
        good: Row = (1, numbers["level"], segment, 1.0, 0, None, None)
        with pytest.raises(sqlite3.Error, match="NOT NULL"):
            writer.append([good, (None, numbers["level"], segment, 1.0, 0, None, None)])  # type: ignore[list-item]
        with pytest.raises(sqlite3.Error, match="cannot store TEXT"):
            writer.append([good, (2, numbers["level"], segment, "x", 0, None, None)])  # type: ignore[list-item]
        assert writer.append([good]) == 1


def test_calls_in_one_transaction_stand_or_fall_together(path: Path) -> None:
    with LogWriter(path) as writer:
        with pytest.raises(RuntimeError), writer.transaction():
            writer.sensor_numbers(KINDS)
            writer.begin_boot("logger", "b", 0)
            raise RuntimeError
        with LogReader(path) as reader:
            assert (reader.sensors(), reader.sources()) == ((), set())
        with writer.transaction():
            writer.sensor_numbers(KINDS)
            with LogReader(path) as reader:
                assert reader.sensors() == ()
    with LogReader(path) as reader:
        assert [row.name for row in reader.sensors()] == ["air", "gauge", "level"]


def test_a_sensor_never_changes_its_kind_or_its_number(path: Path) -> None:
    with LogWriter(path) as writer:
        first = writer.sensor_numbers(KINDS)
        again = writer.sensor_numbers({"aaa": Kind.PULSE, "level": Kind.LEVEL})
        assert {name: again[name] for name in first} == first
        with pytest.raises(LogError, match=r"sensor level is level in this log and tip .* new name"):
            writer.sensor_numbers({"level": Kind.TIP})


def test_a_reader_sees_each_commit_of_the_writer_beside_it(path: Path) -> None:
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=False)
        with LogReader(path) as reader, LogReader(path.parent) as other:
            walking = reader.batches(size=1)
            for k in range(3):
                writer.append([(k, numbers["level"], segment, 1.0, 0, None, None)])
                assert reader.count() == other.count() == k + 1
                assert next(walking).t_ms.tolist() == [k]
            assert not reader.clock_is_trusted()
            with pytest.raises(sqlite3.OperationalError, match="readonly"):
                reader._db.execute("DELETE FROM reading")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(size=st.integers(1, 420), low=st.integers(-2, 42), high=st.integers(-2, 42))
def test_batches_of_any_size_are_one_big_read_and_part_no_stamp(crowded: Path, size: int, low: int, high: int) -> None:
    with LogReader(crowded) as reader:
        whole = joined(list(reader.batches()))
        batches = list(reader.batches(size=size))
        part = joined(list(reader.batches(after_ms=NOON_MS + low, upto_ms=NOON_MS + high, size=size)))
        count = reader.count(after_ms=NOON_MS + low, upto_ms=NOON_MS + high)
    assert joined(batches) == whole
    assert [row[:2] for row in whole] == sorted(
        (row[:2] for row in whole), key=lambda r: (int(str(r[0])), int(str(r[1])))
    )
    assert all(one.t_ms[-1] < two.t_ms[0] for one, two in itertools.pairwise(batches))
    assert part == [row for row in whole if NOON_MS + low < int(str(row[0])) <= NOON_MS + high]
    assert count == len(part)


@pytest.mark.parametrize("wanted", [["level"], ["level", "air"], ["nobody"], []])
def test_only_the_sensors_asked_for_come_and_under_the_same_names(crowded: Path, wanted: list[str]) -> None:
    with LogReader(crowded) as reader:
        (whole,) = reader.batches()
        some = list(reader.batches(sensors=wanted, size=7))
    assert all(batch.names == whole.names for batch in some)
    keep = np.isin(whole.sensor, [k for k, name in enumerate(whole.names) if name in wanted])
    assert joined(some) == joined([whole.take(keep)])


def test_correcting_a_boot_moves_its_rows_and_events_once_and_no_others(path: Path) -> None:
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        other = writer.begin_segment(writer.begin_boot("logger", "before", 0), 0, trusted=True)
        boot = writer.begin_boot("logger", "wrong", 0)
        wrong = writer.begin_segment(boot, 0, trusted=False)
        stepped = writer.begin_segment(boot, 500, trusted=False)
        level = numbers["level"]
        writer.append([(t, level, other, 0.0, 0, None, None) for t in (100, 200, 300, 1150)])
        # A second apart, and moved by a second: each row lands where its neighbour stood.
        writer.append([(t, level, wrong, float(t), 0, None, None) for t in range(100, 3200, 100)])
        writer.append([(t + 500, level, stepped, float(t), 0, None, None) for t in range(3200, 4000, 100)])
        writer.append_events(other, [event(1, "normal")])
        writer.append_events(wrong, [event(t, "normal") for t in (1000, 2000, 3000)])
        for t_ms in (99, 100, 1100):
            writer.save_checkpoint(t_ms, "d", "{}")
        assert writer.correct_boot(boot, 1000) == 100
        assert writer.correct_boot(boot, 1000) is None
    with LogReader(path) as reader:
        (batch,) = reader.batches()
        assert [e.t_ms for e in reader.events()] == [1, 2000, 3000, 4000]
        assert reader.clock_is_trusted()
        assert reader.checkpoint("d") == (99, "{}")
    moved = batch.take(batch.value > 0)
    assert moved.t_ms.tolist() == [t + 1000 for t in range(100, 4000, 100)]
    assert (moved.t_ms - moved.value == 1000).all()
    assert batch.take(batch.value == 0).t_ms.tolist() == [100, 200, 300, 1150]
    db = sqlite3.connect(path)
    kept = db.execute("SELECT offset_ms, trusted, was_offset_ms FROM segment WHERE boot = ? ORDER BY id", (boot,))
    assert kept.fetchall() == [(1000, 1, 0), (1000, 1, 500)]
    db.close()


def test_of_old_checkpoints_the_first_of_each_day_stays(path: Path) -> None:
    first_ms = NOON_MS - NOON_MS % DAY_MS
    with LogWriter(path) as writer:
        for hour in range(24 * 6):
            writer.save_checkpoint(first_ms + hour * 3_600_000, "d", str(hour))
        writer.save_checkpoint(first_ms + 1, "other", "x")
    db = sqlite3.connect(path)
    hours = [int(state) for (state,) in db.execute("SELECT state FROM checkpoint WHERE digest = 'd' ORDER BY t_ms")]
    db.close()
    assert hours == [0, 24, 48, 72, *range(95, 144)]
    with LogReader(path) as reader:
        assert reader.checkpoint("d", upto_ms=first_ms + 30 * 3_600_000) == (first_ms + DAY_MS, "24")
        assert reader.checkpoint("d", upto_ms=first_ms - 1) is None
        assert reader.checkpoint("nobody's") is None


def test_checkpoints_that_do_not_know_of_a_reading_are_dropped(path: Path) -> None:
    with LogWriter(path) as writer:
        for t_ms in (10, 20, 30):
            writer.save_checkpoint(t_ms, "d", str(t_ms))
        writer.drop_checkpoints(20)
    with LogReader(path) as reader:
        assert reader.checkpoint("d") == (10, "10")


def test_events_are_added_once_and_replaced_at_one_stroke(path: Path) -> None:
    with LogWriter(path) as writer:
        with pytest.raises(LogError, match="nobody has written"):
            writer.newest_segment()
        segment = writer.begin_segment(writer.begin_boot("import", "b", 0), 0, trusted=True)
        writer.append_events(segment, [event(2), event(1, "active_unacknowledged")])
        writer.append_events(segment, [event(2)])
        with LogReader(path) as reader:
            assert reader.events() == [event(1, "active_unacknowledged"), event(2)]
            assert reader.events(upto_ms=1) == [event(1, "active_unacknowledged")]
            writer.replace_events(writer.newest_segment(), [event(7)])
            assert reader.events() == [event(7)]


def test_settings_are_kept_when_their_text_changes_and_new_when_their_digest_does(path: Path) -> None:
    with LogWriter(path) as writer:
        told = [
            writer.keep_settings(t, d, text)
            for t, d, text in ((1, "d", "a"), (2, "d", "a"), (3, "d", "b"), (4, "e", "b c"))
        ]
    assert told == [True, False, False, True]
    db = sqlite3.connect(path)
    assert db.execute("SELECT t_ms, text FROM settings_kept ORDER BY t_ms").fetchall() == [
        (1, "a"),
        (3, "b"),
        (4, "b c"),
    ]
    db.close()
