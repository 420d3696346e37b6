"""Closed hours as blocks: sealed and fresh read back as one, to the bit and in the same order."""

import math
import random
import re
import shutil
import sqlite3
import struct
import subprocess
import sys
import tracemalloc
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from rainstead.errors import LogDamaged, LogError
from rainstead.log import Columns, LogReader, LogWriter, Row, varint
from rainstead.log import block as log_block
from rainstead.log import sealed as log_sealed
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
    styles: list[Callable[[], float | None]] = [
        lambda: float(draw.randint(-5, 2000)),
        lambda: draw.randint(0, 9000) / 2,
        lambda: draw.randint(-400, 800) / 16,
        lambda: draw.randint(0, 100_000) / 1000,
        lambda: draw.gauss(1000, 3),
        lambda: draw.choice([1.4826 * 0.1, 0.7413, 2.2239]),
        lambda: draw.choice([0.0, 5e-324, 2.0**60, -1.7e308, 1e15 + 0.3, float(2**53 + 2)]),
        lambda: None,
    ]
    kinds = {n: [*draw.sample(styles, 2), styles[-1]] for n in numbers}
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
            after_ms, upto_ms = BEGIN_MS + round(low * span_ms), BEGIN_MS + round(high * span_ms)
            names = draw.sample(sorted(KINDS), draw.randint(0, 4))
            before = [
                bits(list(reader.batches(after_ms=after_ms, upto_ms=upto_ms, size=size))),
                bits(list(reader.batches(after_ms=after_ms, upto_ms=upto_ms, sensors=names, size=size))),
                reader.count(after_ms=after_ms, upto_ms=upto_ms),
                reader.span_ms(),
                reader.last_before_ms(upto_ms),
            ]
            sealed = seal_all(writer, BEGIN_MS + round(part * (span_ms + 2 * HOUR_MS)))
            after = [
                bits(list(reader.batches(after_ms=after_ms, upto_ms=upto_ms, size=size))),
                bits(list(reader.batches(after_ms=after_ms, upto_ms=upto_ms, sensors=names, size=size))),
                reader.count(after_ms=after_ms, upto_ms=upto_ms),
                reader.span_ms(),
                reader.last_before_ms(upto_ms),
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


@given(numbers=st.lists(st.integers(-(2**63), 2**63 - 1), max_size=60), cut=st.integers(0, 700))
def test_whole_numbers_come_back_from_their_bytes(numbers: list[int], cut: int) -> None:
    array = np.array(numbers, dtype=np.int64)
    data = varint.to_bytes(array)
    assert varint.from_bytes(data).tolist() == numbers
    assert len(data) == varint.sizes(array).sum()
    parts = [varint.to_bytes(array[:cut]), b"", varint.to_bytes(array[cut:])]
    assert [part.tolist() for part in varint.from_parts(parts)] == [numbers[:cut], [], numbers[cut:]]
    out, at, read = bytearray(), 0, []
    for number in numbers:
        varint.put_signed(out, number)
    assert bytes(out) == data
    while at < len(out):
        number, at = varint.one_signed(bytes(out), at)
        read.append(number)
    assert read == numbers


@given(
    seed=st.integers(0, 2**32),
    many=st.integers(1, 80),
    origin=st.integers(-(2**50), 2**50),
    floats=st.lists(st.floats(allow_nan=False), min_size=1, max_size=6),
)
@example(seed=0, many=1, origin=0, floats=[-0.0])
def test_a_block_gives_back_what_was_packed_whatever_it_is(
    seed: int, many: int, origin: int, floats: list[float]
) -> None:
    draw = np.random.default_rng(seed)
    pools = [np.array(floats), draw.normal(0, 1, many), np.round(draw.normal(1000, 9, many), draw.integers(0, 5))]

    def column() -> np.ndarray:
        values = draw.choice(pools[draw.integers(len(pools))], many).astype(float)
        values[draw.random(many) < draw.choice([0, 0.2, 1])] = math.nan
        return values

    groups = [
        log_block.Group(sensor, np.sort(draw.integers(0, HOUR_MS, many)), tuple(column() for _ in range(4)))
        for sensor in (1, 300)
    ]
    body = log_block.pack(log_block.READINGS, origin, groups)
    kind, origin_ms, back = log_block.unpack(body)
    assert (kind, origin_ms, [g.sensor for g in back]) == (log_block.READINGS, origin, [1, 300])
    for one, other in zip(groups, back, strict=True):
        assert one.ms.tolist() == other.ms.tolist()
        for a, b in zip(one.columns, other.columns, strict=True):
            assert np.array_equal(np.isnan(a), np.isnan(b))
            assert np.array_equal(a[~np.isnan(a)].view(np.int64), b[~np.isnan(b)].view(np.int64))


@given(data=st.binary(max_size=300), at=st.integers(0, 10_000), bit=st.integers(0, 7), mend=st.booleans())
def test_a_damaged_block_says_so_and_nothing_else_escapes(data: bytes, at: int, bit: int, mend: bool) -> None:
    """Any bytes, and a good block with one turned bit; also where the checksum was made to fit."""
    ms = np.arange(0, 3000, 10)
    tenths = ms.astype(np.float64)
    group = log_block.Group(3, ms, (tenths / 2, tenths * 0, np.sqrt(tenths), np.full(300, math.nan)))
    good = log_block.pack(log_block.READINGS, 5, [group])
    turned = bytearray(good)
    turned[at % len(good)] ^= 1 << bit
    for body in (data, bytes(turned), good[: at % len(good)]):
        if mend and len(body) > 6:
            body = body[:-4] + struct.pack("<I", zlib.crc32(body[:-4]))  # noqa: PLW2901
            try:
                log_block.unpack(body)
            except LogDamaged:
                continue
        else:
            with pytest.raises(LogDamaged):
                log_block.unpack(body)


# --- in the log ------------------------------------------------------------------------------------------------------


def week(path: Path, hours: int = 30) -> None:
    """Two sensors, some hours, all of it sealed but the newest two hours."""
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), BEGIN_MS, trusted=True)
        t_ms = BEGIN_MS + np.arange(hours * 360) * 10_000
        rows: list[Row] = [(int(t), numbers["level"], segment, 900.0 + k % 7, 0, 1.5, 8) for k, t in enumerate(t_ms)]
        rows += [(int(t) + 7, numbers["gauge"], segment, 1.0, 0, None, None) for t in t_ms[::40]]
        writer.append(sorted(rows, key=lambda row: row[:3]))
        seal_all(writer, BEGIN_MS + (hours - 1) * HOUR_MS)


def test_only_closed_hours_are_sealed(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    week(path, 3)
    with LogWriter(path) as writer:
        assert seal_all(writer, BEGIN_MS + 3 * HOUR_MS) == 369  # the second hour; the third is over only now
        assert seal_all(writer, BEGIN_MS + 3 * HOUR_MS + log_sealed.CLOSED_AFTER_MS - 1) == 0
        assert seal_all(writer, BEGIN_MS + 3 * HOUR_MS + log_sealed.CLOSED_AFTER_MS) == 369


def test_a_full_hour_is_sealed_in_several_short_pieces(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=True)
        writer.append([(BEGIN_MS + k * 300, numbers["level"], segment, float(k), 0, None, None) for k in range(12_000)])
        pieces = []
        while sealed := writer.seal_some(FAR_MS):
            pieces.append(sealed)
    assert pieces == [4096, 4096, 3808]
    with LogReader(path) as reader:
        assert [v for b in reader.batches(size=1000) for v in b.value.tolist()] == [float(k) for k in range(12_000)]


def blocks(path: Path) -> Iterator[tuple[int, int, int]]:
    db = sqlite3.connect(path)
    yield from db.execute("SELECT id, first_ms, count FROM block ORDER BY first_ms").fetchall()
    db.close()


@pytest.mark.parametrize("how", ["body", "missing", "moved", "emptied"])
def test_a_damaged_hour_is_lost_alone_and_named(tmp_path: Path, how: str) -> None:
    path = tmp_path / "readings.db"
    week(path)
    with LogReader(path) as reader:
        whole = bits(list(reader.batches()))
    number, first_ms, count = list(blocks(path))[11]
    db = sqlite3.connect(path)
    if how == "body":
        (body,) = db.execute("SELECT body FROM block WHERE id = ?", (number,)).fetchone()
        db.execute("UPDATE block SET body = ? WHERE id = ?", (body[:50] + b"?" + body[51:], number))
    elif how == "emptied":
        db.execute("UPDATE block SET body = x'' WHERE id = ?", (number,))
    elif how == "moved":
        db.execute("UPDATE block SET first_ms = first_ms + 1000 WHERE id = ?", (number,))
    else:
        db.execute("UPDATE block SET segment = 99 WHERE id = ?", (number,))
    db.commit()
    db.close()
    with LogReader(path) as reader:
        left = bits(list(reader.batches(size=500)))
        (damaged,) = reader.damaged
    assert damaged.first_ms in (first_ms, first_ms + 1000)
    assert (damaged.readings, bool(damaged.why)) == (count, True)
    assert left == [row for row in whole if not first_ms <= int(str(row[0])) < first_ms + HOUR_MS]


def test_a_page_that_was_wiped_takes_its_hours_alone(tmp_path: Path) -> None:
    """What a worn card does: a page of zeros in the middle of the file."""
    path = tmp_path / "readings.db"
    week(path, 60)
    with LogReader(path) as reader:
        whole = bits(list(reader.batches()))
    db = sqlite3.connect(path)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    leaves = [page for (page,) in db.execute("SELECT pageno FROM dbstat WHERE name = 'block' AND pagetype = 'leaf'")]
    (size,) = db.execute("PRAGMA page_size").fetchone()
    db.close()
    content = bytearray(path.read_bytes())
    wiped = leaves[len(leaves) // 2]
    content[(wiped - 1) * size : wiped * size] = bytes(size)
    path.write_bytes(content)
    with LogReader(path) as reader:
        left = bits(list(reader.batches(size=500)))
        damaged = reader.damaged
    # Those of one page: of real hours three or four, of these, which are all alike, some more.
    assert 0 < len(damaged) <= 30
    gone = [(hour.first_ms, hour.last_ms) for hour in damaged]
    assert left == [row for row in whole if not any(low <= int(str(row[0])) <= high for low, high in gone)]
    assert len(left) == len(whole) - sum(hour.readings for hour in damaged)


def test_a_clock_that_is_set_right_moves_sealed_hours_too(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    shift_ms = 123_456_789
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        other = writer.begin_segment(writer.begin_boot("logger", "before", 0), BEGIN_MS, trusted=True)
        boot = writer.begin_boot("logger", "wrong", 0)
        wrong = writer.begin_segment(boot, BEGIN_MS, trusted=False)
        # Both boots' readings of the same hours, so that only the segment tells them apart.
        for segment, value in ((other, 1.0), (wrong, 2.0)):
            writer.append(
                [(BEGIN_MS + k * 10_000, numbers["level"], segment, value, 0, None, None) for k in range(4 * 360)]
            )
        assert seal_all(writer, BEGIN_MS + 3 * HOUR_MS) == 2 * 2 * 360
        assert writer.correct_boot(boot, BEGIN_MS + shift_ms) == BEGIN_MS
        assert writer.correct_boot(boot, BEGIN_MS + shift_ms) is None
        with LogReader(path) as reader:
            partly = bits(list(reader.batches()))
        seal_all(writer)
        with LogReader(path) as reader:
            assert bits(list(reader.batches())) == partly
            found = {
                value: [int(t) for b in reader.batches() for t in b.t_ms[b.value == value]] for value in (1.0, 2.0)
            }
            assert reader.damaged == ()
            assert reader.span_ms() == (BEGIN_MS, BEGIN_MS + (4 * 360 - 1) * 10_000 + shift_ms)
    assert found[1.0] == [BEGIN_MS + k * 10_000 for k in range(4 * 360)]
    assert found[2.0] == [t + shift_ms for t in found[1.0]]


def test_a_late_reading_of_a_sealed_hour_takes_its_place(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    week(path)
    late_ms = BEGIN_MS + 5 * HOUR_MS + 12_345
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.newest_segment()
        late: Row = (late_ms, numbers["gauge"], segment, 3.0, 0, None, None)
        assert (writer.append([late]), writer.append([late])) == (1, 0)
        assert seal_all(writer, BEGIN_MS + 29 * HOUR_MS) == 1
        assert writer.append([late]) == 0
        # Rows of another run at that very time are readings of their own, as an import makes them.
        column = Columns("gauge", np.array([late_ms]), np.array([4.0]), np.zeros(1, np.uint8), np.full(1, math.nan))
        imported = writer.begin_segment(writer.begin_boot("import", "import", 0), 0, trusted=True)
        assert writer.append_columns(imported, numbers, [column]) == 1
        # One late row is all that is fresh; what is sealed is newer all the same.
        seal_all(writer)
        writer.append([(late_ms + 1, numbers["gauge"], segment, 5.0, 0, None, None)])
        writer.append([(late_ms + 2, numbers["gauge"], segment, 6.0, 0, None, None)])
    with LogReader(path) as reader:
        assert [note.from_ms for note in reader.behind(0)] == [late_ms, late_ms, late_ms + 1, late_ms + 2]
        (batch,) = reader.batches(after_ms=late_ms - 1, upto_ms=late_ms)
        assert batch.value.tolist() == [3.0, 4.0]
        stamps = np.concatenate([b.t_ms for b in reader.batches(size=100)])
        assert (np.diff(stamps) >= 0).all()


def test_what_would_not_come_back_the_same_is_not_sealed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "readings.db"
    week(path, 4)
    with LogReader(path) as reader:
        whole = bits(list(reader.batches()))
    honest = log_block.pack

    def loses_a_bit(kind: int, origin_ms: int, groups: list[log_block.Group]) -> bytes:
        first = groups[0]
        value = first.columns[0].copy()
        value[-1] = np.nextafter(value[-1], 2000)
        return honest(kind, origin_ms, [log_block.Group(first.sensor, first.ms, (value, *first.columns[1:]))])

    monkeypatch.setattr(log_block, "pack", loses_a_bit)
    with LogWriter(path) as writer, pytest.raises(LogError, match="would not come back the same; nothing was changed"):
        writer.seal_some(FAR_MS)
    with LogReader(path) as reader:
        assert bits(list(reader.batches())) == whole


def test_a_reader_that_was_open_before_the_log_was_brought_up_to_date_reads_on(tmp_path: Path) -> None:
    old = Path(__file__).parents[1] / "shared_logs" / "schema_1.db"
    path = Path(shutil.copy(old, tmp_path / "readings.db"))
    with LogReader(path) as reader:
        before = bits(list(reader.batches()))
        assert (reader.count(), reader.minutes().t_ms.tolist(), reader.damaged) == (len(before), [], ())
        with LogWriter(path) as writer:
            assert seal_all(writer) == len(before)
        assert bits(list(reader.batches())) == before
        assert reader.count() == len(before)


def documented_reader() -> str:
    text = (Path(__file__).parents[2] / "services" / "log-format.md").read_text("utf-8")
    (program,) = re.findall(r"```python\n(.*?)```", text, re.S)
    return str(program)


def read_by_document(path: Path, tmp_path: Path) -> list[list[str]]:
    script = tmp_path / "reads_by_the_document.py"
    script.write_text(documented_reader(), encoding="utf-8")
    # Isolated: nothing of ours can be imported by it, only what every Python has.
    done = subprocess.run(
        [sys.executable, "-I", "-S", str(script), str(path)], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    return [line.split(",") for line in done.stdout.splitlines()[1:]]


def as_text(path: Path) -> list[list[str]]:
    def number(value: float) -> str:
        return "" if math.isnan(value) else repr(value)

    with LogReader(path) as reader:
        return [
            [str(t), b.names[s], number(v), str(q), number(d)]
            for b in reader.batches()
            for t, s, v, q, d in zip(
                b.t_ms.tolist(), b.sensor.tolist(), b.value.tolist(), b.quality.tolist(), b.spread.tolist(), strict=True
            )
        ]


@pytest.mark.parametrize("seed", range(3))
def test_the_document_alone_is_enough_to_read_a_log(tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed)
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        numbers = sorted(writer.sensor_numbers(KINDS).values())
        boot = writer.begin_boot("logger", "b", 0)
        segments = [writer.begin_segment(boot, offset, trusted=True) for offset in (0, BEGIN_MS)]
        writer.append(ragged(draw, 800, segments, numbers, 3 * HOUR_MS))
        assert seal_all(writer, BEGIN_MS + 3 * HOUR_MS) > 400
    assert [row[:5] for row in read_by_document(path, tmp_path)] == as_text(path)


def test_the_document_reads_the_kept_log_too(tmp_path: Path) -> None:
    path = Path(shutil.copy(Path(__file__).parents[1] / "shared_logs" / "schema_2.db", tmp_path / "readings.db"))
    assert [row[:5] for row in read_by_document(path, tmp_path)] == as_text(path)


def with_checksum(kind: int, sections: list[bytes]) -> bytes:
    """A block whose checksum fits, of sections that no version writes."""
    out = bytearray((log_block.VERSION, kind))
    for section in sections:
        squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
        squeezed = squeeze.compress(section) + squeeze.flush() if section else b""
        varint.put_unsigned(out, len(squeezed))
        out += squeezed
    return bytes(out + struct.pack("<I", zlib.crc32(out)))


@pytest.mark.parametrize(
    "head",
    [
        pytest.param(b"\xff" * 40 + b"\0", id="a number without end"),
        pytest.param(b"\xfe" * 9 + b"\x7f" + b"\0", id="a boot clock that no sum can hold"),
        pytest.param(b"\0\1" + b"\xff" * 5 + b"\x7f" + b"\0\0\0\0\0\0", id="a sensor that there cannot be"),
        pytest.param(b"\0\1\1\0\0" + b"\xff" * 9 + b"\x7f" + bytes(4), id="a first number that is too large"),
    ],
)
def test_numbers_that_nobody_writes_are_damage_and_nothing_else(head: bytes) -> None:
    with pytest.raises(LogDamaged, match="its checksum fits and its content does not"):
        log_block.unpack(with_checksum(log_block.READINGS, [head, *[b""] * 6]))


def test_a_few_bytes_that_deflate_to_more_than_a_board_has_are_damage() -> None:
    body = with_checksum(log_block.READINGS, [bytes(40_000_000), *[b""] * 6])
    assert len(body) < 50_000
    tracemalloc.start()
    try:
        with pytest.raises(LogDamaged, match="does not end where it should"):
            log_block.unpack(body)
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()


def test_a_quality_that_there_is_not_is_damage() -> None:
    columns = (np.ones(1), np.full(1, 999.0), np.ones(1), np.ones(1))
    body = log_block.pack(log_block.READINGS, 0, [log_block.Group(1, np.zeros(1, dtype=np.int64), columns)])
    with pytest.raises(LogDamaged, match="qualities that there are not"):
        log_sealed._rows(body, 1, 0)
