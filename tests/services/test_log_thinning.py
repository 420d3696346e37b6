"""Nothing is thinned unless the owner asks; then minutes, tips and pulses stay."""

import math
from pathlib import Path

import numpy as np
import pytest

from rainstead.log import Keep, LogReader, LogWriter, Row, Thinned
from rainstead.readings import Kind, Quality

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BEGIN_MS = 1_780_000_000_000 - 1_780_000_000_000 % DAY_MS
KINDS = {"air": Kind.TEMPERATURE, "gauge": Kind.TIP, "level": Kind.LEVEL, "meter": Kind.PULSE}
NOW_MS = BEGIN_MS + 6 * DAY_MS


def some_days(path: Path, days: int = 5) -> list[Row]:
    draw = np.random.default_rng(3)
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), BEGIN_MS - 777, trusted=True)
        rows: list[Row] = []
        for k in range(days * 1440 * 3):
            t_ms = BEGIN_MS + 20_000 * k + 13
            none = k % 100 == 7
            quality = Quality.NO_ECHO if none else Quality.NOISY if k % 50 == 3 else Quality.OK
            value = None if none else 900.0 + int(draw.integers(0, 9))
            rows.append((t_ms, numbers["level"], segment, value, quality, None if none else 1.5, 8))
            if k % 30 == 0:
                rows.append((t_ms + 1, numbers["gauge"], segment, 1.0, Quality.OK, None, None))
                rows.append((t_ms + 2, numbers["meter"], segment, 150.0, Quality.OK, None, None))
                rows.append((t_ms + 3, numbers["air"], segment, 12.0625, Quality.OK, None, None))
        rows.sort(key=lambda row: row[:3])
        writer.append(rows)
        while writer.seal_some(NOW_MS):
            pass
    return rows


def thin_all(path: Path, keep: Keep) -> list[Thinned]:
    done = []
    with LogWriter(path) as writer:
        while (thinned := writer.thin_some(keep)) is not None:
            done.append(thinned)
    return done


def log_on(writer: LogWriter, numbers: dict[str, int], segment: int) -> None:
    """Two days later there is still something, and all hours are sealed."""
    writer.append([(BEGIN_MS + 3 * DAY_MS, numbers["air"], segment, 12.0, Quality.OK, None, None)])
    while writer.seal_some(NOW_MS):
        pass


def everything(path: Path) -> list[tuple[int, str, str]]:
    with LogReader(path) as reader:
        return [
            (t, b.names[s], repr(v))
            for b in reader.batches()
            for t, s, v in zip(b.t_ms.tolist(), b.sensor.tolist(), b.value.tolist(), strict=True)
        ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.db"


def test_by_default_nothing_ever_goes(path: Path) -> None:
    some_days(path)
    before = everything(path)
    assert thin_all(path, Keep()) == []
    assert everything(path) == before


def test_what_is_too_old_goes_to_minutes_and_tips_and_pulses_stay(path: Path) -> None:
    rows = some_days(path)
    before = everything(path)
    done = thin_all(path, Keep(days=3))
    limit_ms = BEGIN_MS + 2 * DAY_MS
    after = everything(path)
    kept = [row for row in before if row[0] >= limit_ms or row[1] in ("gauge", "meter")]
    assert after == kept
    assert len(done) == 2 * 24 and sum(one.readings for one in done) == len(before) - len(after)
    assert all(one.last_ms < limit_ms and one.not_forwarded == 0 for one in done)
    with LogReader(path) as reader:
        minutes = reader.minutes()
        some = reader.minutes(after_ms=BEGIN_MS, upto_ms=BEGIN_MS + 120_000)
        span_ms = reader.span_ms()
    assert span_ms is not None and span_ms[1] == rows[-1][0]
    level = minutes.names.index("level")
    mine = minutes.sensor == level
    assert minutes.t_ms[mine].tolist() == list(range(BEGIN_MS, limit_ms, 60_000))
    assert some.t_ms[some.sensor == level].tolist() == [BEGIN_MS + 60_000, BEGIN_MS + 120_000]
    for at, count, lowest, highest, mean, unusable in list(
        zip(
            *(
                column[mine].tolist()
                for column in (minutes.t_ms, minutes.count, minutes.lowest, minutes.highest, minutes.mean)
            ),
            minutes.unusable[mine].tolist(),
            strict=True,
        )
    )[::17]:
        here = [row for row in rows if row[1] == level + 1 and at <= row[0] < at + 60_000]
        good = [row[3] for row in here if row[4] == Quality.OK and row[3] is not None]
        assert (count, unusable) == (len(good), len(here) - len(good))
        assert (lowest, highest) == (min(good), max(good))
        assert mean == pytest.approx(sum(good) / len(good), abs=0.005)


def test_a_minute_without_a_usable_reading_has_no_number(path: Path) -> None:
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=True)
        level = numbers["level"]
        writer.append([(BEGIN_MS + k * 10_000, level, segment, None, Quality.NO_ECHO, None, 0) for k in range(6)])
        writer.append([(BEGIN_MS + 60_000, level, segment, 900.5, Quality.OK, None, 8)])
        log_on(writer, numbers, segment)
        assert writer.thin_some(Keep(days=2)) is not None
    with LogReader(path) as reader:
        minutes = reader.minutes()
        assert list(reader.batches(upto_ms=BEGIN_MS + DAY_MS)) == []
    assert (minutes.count.tolist(), minutes.unusable.tolist()) == ([0, 1], [6, 0])
    assert math.isnan(minutes.mean[0]) and math.isnan(minutes.lowest[0]) and minutes.mean[1] == 900.5


def test_a_log_that_is_too_large_lets_the_oldest_go_but_never_the_last_day(path: Path) -> None:
    some_days(path, 5)
    with LogWriter(path) as writer:
        pages = writer._db.execute("PRAGMA page_count").fetchone()[0]
        free = writer._db.execute("PRAGMA freelist_count").fetchone()[0]
        used = (pages - free) * writer._db.execute("PRAGMA page_size").fetchone()[0]
        # A limit of less than is used, in the millions that it is counted in.
        assert writer.thin_some(Keep(mb=math.ceil(used / 1e6))) is None
    done = thin_all(path, Keep(mb=0))
    assert len(done) == 4 * 24
    assert done[0].first_ms == BEGIN_MS + 13
    with LogReader(path) as reader:
        assert reader.minutes().count.sum() > 0


def test_what_was_not_forwarded_goes_for_want_of_room_alone_and_not_without_a_word(path: Path) -> None:
    some_days(path)
    by_age = thin_all(path, Keep(days=3, forwarded_upto_ms=BEGIN_MS + DAY_MS - 1))
    assert by_age and all(one.not_forwarded == 0 and one.last_ms < BEGIN_MS + DAY_MS for one in by_age)
    done = by_age + thin_all(path, Keep(mb=0, forwarded_upto_ms=BEGIN_MS + DAY_MS - 1))
    assert [one.not_forwarded == 0 for one in done] == [one.last_ms < BEGIN_MS + DAY_MS for one in done]
    assert all(one.not_forwarded == one.readings for one in done if one.first_ms > BEGIN_MS + DAY_MS)
    with LogWriter(path) as writer:
        told = writer._db.execute("SELECT forwarded, count(*) FROM summary GROUP BY 1 ORDER BY 1").fetchall()
    assert told == [(0, 72), (1, 24)]


def test_minutes_move_with_a_clock_that_is_set_right(path: Path) -> None:
    shift_ms = 86_123_456
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        boot = writer.begin_boot("logger", "b", 0)
        segment = writer.begin_segment(boot, BEGIN_MS, trusted=False)
        writer.append([(BEGIN_MS + k * 60_000, numbers["level"], segment, 9.0, 0, None, None) for k in range(90)])
        log_on(writer, numbers, segment)
        assert writer.thin_some(Keep(days=2)) is not None
        writer.correct_boot(boot, BEGIN_MS + shift_ms)
    with LogReader(path) as reader:
        assert reader.minutes().t_ms.tolist() == [BEGIN_MS + shift_ms + k * 60_000 for k in range(60)]
        assert reader.damaged == ()


def test_a_damaged_hour_is_not_thinned_away(path: Path) -> None:
    some_days(path, 4)
    with LogWriter(path) as writer:
        writer._db.execute("UPDATE block SET body = x'00' WHERE id = 3")
    done = thin_all(path, Keep(days=2))
    assert [one.readings == 0 for one in done].count(True) == 1
    with LogReader(path) as reader:
        list(reader.batches())
        (damaged,) = reader.damaged
    assert damaged.readings > 100
