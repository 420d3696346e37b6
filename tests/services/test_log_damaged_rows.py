"""Fresh readings, some of whose pages are damaged: all others are read, and what is missing is told."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from rainstead.log import LogReader, LogWriter, Row, check_log
from rainstead.readings import Kind

FIRST_MS = 1_780_000_000_000
PAGE = 1024


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Two sensors, each a reading a second, for an hour and a half."""
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers({"a": Kind.LEVEL, "b": Kind.LEVEL})
        segment = writer.begin_segment(writer.begin_boot("logger", "test", 0), FIRST_MS, trusted=True)
        rows: list[Row] = [
            (FIRST_MS + 1000 * k, number, segment, 1200.0 + k % 7, 0, 1.5, 8)
            for k in range(5400)
            for number in sorted(numbers.values())
        ]
        writer.append(rows)
    return path


def leaves(path: Path) -> list[tuple[int, int]]:
    """Page and number of rows of each leaf, in the order of time."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        return list(
            db.execute("SELECT pageno, ncell FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf' ORDER BY path")
        )


def wipe(path: Path, pages: list[int]) -> None:
    with path.open("r+b") as file:
        for number in pages:
            file.seek((number - 1) * PAGE)
            file.write(b"\xa5" * PAGE)


def read(path: Path, **how: object) -> list[tuple[int, int]]:
    with LogReader(path) as reader:
        return [
            (t_ms, sensor)
            for rows in reader.rows(**how)  # type: ignore[arg-type]
            for t_ms, sensor in zip(rows["t_ms"].tolist(), rows["sensor"].tolist(), strict=True)
        ]


WHICH = {"first": [0], "second": [1], "middle": [200], "last": [-1], "far apart": [40, 200, -30], "together": [99, 100]}


@pytest.mark.parametrize("which", WHICH)
@pytest.mark.parametrize("size", [50, 200_000])
def test_all_but_the_damaged_pages_is_read_and_what_is_missing_is_told(log: Path, which: str, size: int) -> None:
    found = leaves(log)
    hit = [found[k] for k in WHICH[which]]
    lost = sum(rows for _, rows in hit)
    wipe(log, [page for page, _ in hit])
    got = read(log, size=size)
    assert len(set(got)) == len(got) and got == sorted(got)
    # A row between two leaves stands in the page above them; and a stamp is one place, whatever the sensor.
    assert lost <= 10_800 - len(got) <= lost + 2 * len(hit)
    with LogReader(log) as reader:
        list(reader.batches(size=size))
        told = reader.damaged
    missing = {FIRST_MS + 1000 * k for k in range(5400)} - {t_ms for t_ms, _ in got}
    assert all(any(one.first_ms <= t_ms <= one.last_ms for one in told) for t_ms in missing)
    assert not any(one.first_ms <= t_ms <= one.last_ms for one in told for t_ms, _ in got)


def test_one_sensors_readings_are_read_around_damage_too(log: Path) -> None:
    wipe(log, [page for page, _ in leaves(log)[100:103]])
    both = [t_ms for t_ms, sensor in read(log) if sensor == 2]
    assert 5300 < len(both) < 5400
    assert [t_ms for t_ms, _ in read(log, sensors=["b"])] == both


@pytest.mark.parametrize("seed", range(8))
def test_damage_anywhere_ends_and_repeats_nothing(log: Path, seed: int) -> None:
    rng = random.Random(seed)
    with closing(sqlite3.connect(f"{log.as_uri()}?mode=ro", uri=True)) as db:
        pages = [page for (page,) in db.execute("SELECT pageno FROM dbstat WHERE name = 'reading'")]
    wipe(log, rng.sample(pages, rng.randrange(1, 30)))
    got = read(log)
    assert len(set(got)) == len(got) and got == sorted(got)
    check = check_log(log)
    assert not check.is_whole and check.readings == len(got)


def test_a_row_that_is_no_number_is_lost_alone(log: Path) -> None:
    with closing(sqlite3.connect(log, isolation_level=None)) as db:
        (table,) = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'reading'").fetchone()
        for sql in (table.replace(" STRICT,", ""), table):
            if sql == table:
                db.execute("UPDATE reading SET value = 'x' WHERE t_ms = ? AND sensor = 1", (FIRST_MS + 60_000,))
            (version,) = db.execute("PRAGMA schema_version").fetchone()
            db.execute("PRAGMA writable_schema = ON")
            db.execute("UPDATE sqlite_schema SET sql = ? WHERE name = 'reading'", (sql,))
            db.execute(f"PRAGMA schema_version = {version + 1}")
            db.execute("PRAGMA writable_schema = RESET")
    got = read(log)
    assert 10_798 <= len(got) < 10_800
    assert FIRST_MS + 60_000 not in {t_ms for t_ms, sensor in got if sensor == 1}


def test_an_index_entry_that_is_no_number_ends_no_reader(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        number = writer.sensor_numbers({"a": Kind.LEVEL})["a"]
        segment = writer.begin_segment(writer.begin_boot("logger", "test", 0), 0, trusted=True)
        rows: list[Row] = [(FIRST_MS + 60_000 * k, number, segment, 1200.0, 0, None, None) for k in range(300)]
        writer.append(rows)
        while writer.seal_some(FIRST_MS + 86_400_000):
            pass
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        (index,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'block_time'").fetchone()
        (last_ms,) = db.execute("SELECT max(last_ms) FROM block").fetchone()
    page = bytearray(path.read_bytes())
    begin = (index - 1) * PAGE
    # The last block's entry: its second number, of six bytes (type 5), is made a blob of as many (type 24).
    at = page.rindex(last_ms.to_bytes(6, "big"), begin, begin + PAGE)
    types = page.rindex(b"\x05\x05", begin, at)
    page[types + 1] = 24
    path.write_bytes(page)
    with LogReader(path) as reader:
        span_ms = reader.span_ms()
        assert span_ms is not None and all(isinstance(stamp, int) for stamp in span_ms)
        assert sum(len(batch) for batch in reader.batches()) >= 200
    assert not check_log(path).is_whole


def test_readings_that_came_late_before_a_sealed_hour_are_read_in_pieces(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        number = writer.sensor_numbers({"a": Kind.LEVEL})["a"]
        segment = writer.begin_segment(writer.begin_boot("logger", "test", 0), 0, trusted=True)
        rows: list[Row] = [(FIRST_MS + 1000 * k, number, segment, 1200.0, 0, None, None) for k in range(600)]
        writer.append(rows[300:])
        while writer.seal_some(FIRST_MS + 86_400_000):
            pass
        writer.append(rows[:300])
    assert read(path, size=50) == [(row[0], number) for row in rows]


def test_a_record_that_says_it_is_larger_than_memory_is_told_in_words(log: Path) -> None:
    with LogReader(log) as reader, pytest.raises(sqlite3.DatabaseError, match="larger than memory"):
        reader._db.create_function("damaged", 0, _no_memory)
        reader._db.execute("SELECT damaged()")


@pytest.mark.parametrize("number", [-3, 0, 2, 10**12])
def test_readings_whose_sensor_lost_its_name_are_left_out_and_told(tmp_path: Path, number: int) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers({"level": Kind.LEVEL, "other": Kind.LEVEL})
        segment = writer.begin_segment(writer.begin_boot("logger", "a boot", 0), 0, trusted=True)
        writer.append([(k * 1000, n, segment, 900.0, 0, None, None) for k in range(10) for n in numbers.values()])
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute("UPDATE sensor SET id = ? WHERE name = 'other'", (number,)) if number != 2 else db.execute(
            "DELETE FROM sensor WHERE name = 'other'"
        )
    with LogReader(path) as reader:
        found = [
            (batch.names[k], t) for batch in reader.batches() for k, t in zip(batch.sensor, batch.t_ms, strict=True)
        ]
        assert found == [("level", k * 1000) for k in range(10)]
        (lost,) = reader.damaged
    assert (lost.first_ms, lost.last_ms, lost.readings) == (0, 9000, 10)
    assert "no name" in lost.why


def test_a_sensor_that_is_added_while_a_reading_goes_on_is_no_damage(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        (level,) = writer.sensor_numbers({"level": Kind.LEVEL}).values()
        segment = writer.begin_segment(writer.begin_boot("logger", "a boot", 0), 0, trusted=True)
        writer.append([(k * 1000, level, segment, 900.0, 0, None, None) for k in range(10)])
        with LogReader(path) as reader:
            batches = reader.batches(size=2)
            first = next(batches)
            new = writer.sensor_numbers({"level": Kind.LEVEL, "new": Kind.LEVEL})["new"]
            writer.append([(k * 1000, new, segment, 900.0, 0, None, None) for k in range(10)])
            rest = list(batches)
            assert reader.damaged == ()
    assert [t for batch in (first, *rest) for t in batch.t_ms] == [k * 1000 for k in range(10)]
    assert {batch.names for batch in (first, *rest)} == {("level",)}


@pytest.mark.parametrize("size", [3, 40, 200_000])
@pytest.mark.parametrize("moved_s", [-500, 500])
def test_a_row_that_lies_where_its_stamp_does_not_belong_ends_and_repeats_nothing(
    tmp_path: Path, size: int, moved_s: int
) -> None:
    path, begin_ms = tmp_path / "readings.db", 1_780_000_000_000
    with LogWriter(path) as writer:
        (level,) = writer.sensor_numbers({"level": Kind.LEVEL}).values()
        segment = writer.begin_segment(writer.begin_boot("logger", "a boot", 0), 0, trusted=True)
        writer.append([(begin_ms + k * 1000, level, segment, 900.0, 0, None, None) for k in range(1000)])
    for k in (400, 401):
        content, wrong_ms = path.read_bytes(), begin_ms + (k + moved_s) * 1000 + 7
        right = (begin_ms + k * 1000).to_bytes(6, "big")
        assert content.count(right) == 1
        path.write_bytes(content.replace(right, wrong_ms.to_bytes(6, "big")))
    with LogReader(path) as reader:
        stamps = [int(t) for batch in reader.batches(size=size) for t in batch.t_ms]
        assert reader.damaged or size < 1000, "a piece that ends with such a row tells nothing of it"
    assert stamps == sorted(set(stamps))
    elsewhere = [*range(400), *range(402 + max(moved_s, 0), 1000)] if size == 200_000 else range(396)
    assert {begin_ms + k * 1000 for k in elsewhere} <= set(stamps)


def _no_memory() -> None:
    raise MemoryError
