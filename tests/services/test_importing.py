"""Readings made elsewhere: every row or none, no row twice."""

import csv
import random
import re
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fake_clock import FakeClock

from rainstead.derive import Deriver
from rainstead.errors import ImportRefused, LogBusy, LogError, LogMissing
from rainstead.events import AlarmEvent
from rainstead.importing import ImportResult, import_readings
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Kind, Quality
from rainstead.replay import replay, state_at
from rainstead.settings import Settings, parse_settings
from rainstead.statekeeping import state_to_text

NOON = datetime(2026, 1, 31, 12, tzinfo=UTC)
NOON_MS = int(NOON.timestamp()) * 1000
NOW = FakeClock(wall_ms=NOON_MS + 30 * 86_400_000)

SITE = """
[site]
name = "a test's site"
time_zone = "Europe/Lisbon"
latitude_deg = 39
[sensors.gauge]
kind = "tipping-bucket"
gpio = 5
calibrations = [{ depth_per_tip = 0.2 }]
[sensors.flow]
kind = "flow-pulse"
gpio = 17
calibrations = [{ k_factor_per_l = 390 }]
[sensors.air]
kind = "one-wire"
path = "/nowhere"
[sensors.level]
kind = "ranger-text"
port = "/dev/nowhere"
blanking = 0.25
max_range = 4.5
air = "air"
[tanks.house]
sensor = "level"
face_height = 2.5
brim = 2
calibrations = [{ shape = "cylinder", diameter = 2.2 }]
[rain]
gauge = "gauge"
[pump]
source = "house"
meter = "flow"
[reserve]
fire = 5000
tanks = ["house"]
[alarms]
overflow_risk = { freeboard = 300, on_delay = 10, off_delay = 10 }
low_reserve = { on_delay = 10, off_delay = 10 }
"""


@pytest.fixture(scope="module")
def site() -> Settings:
    return parse_settings(SITE, "test")


def stamp(seconds: float) -> str:
    return (NOON + timedelta(seconds=seconds)).isoformat().replace("+00:00", "Z")


def written(folder: Path, *lines: str, header: str = "utc,sensor,value") -> Path:
    path = folder / "readings.csv"
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


def refusal(folder: Path, path: Path, site: Settings) -> str:
    """What it says; and a refused file leaves no log behind."""
    there = (folder / "readings.db").exists()
    with pytest.raises(ImportRefused) as refused:
        import_readings(folder, path, site, clock=NOW)
    assert (folder / "readings.db").exists() == there
    assert str(path) in str(refused.value)
    return str(refused.value)


def contents(folder: Path) -> list[tuple[int, str, float, int]]:
    with LogReader(folder) as reader:
        return [
            (t, batch.names[s], v, q)
            for batch in reader.batches()
            for t, s, v, q in zip(
                batch.t_ms.tolist(), batch.sensor.tolist(), batch.value.tolist(), batch.quality.tolist(), strict=True
            )
        ]


def falling_tank() -> list[str]:
    """Rain into a nearly full tank, which is then pumped to the reserve: both alarms are raised."""
    rng = random.Random(7)
    lines = []
    for k in range(600):
        range_mm = 640 - k * 0.4 if k < 200 else 560 + (k - 200) * 5.0
        lines.append(f"{stamp(10 * k)},level,{range_mm + rng.gauss(0, 2):.1f}")
        if k % 6 == 0:
            lines.append(f"{stamp(10 * k + 0.5)},air,{15 + rng.random():.3f}")
        if k < 200 and rng.random() < 0.3:
            lines.append(f"{stamp(10 * k + 3.25)},gauge,1")
        if k > 220:
            lines.append(f"{stamp(10 * k)},flow,{rng.randrange(5000)}")
    return lines


def test_a_log_begun_anew_from_files_does_not_pass_for_the_one_before(tmp_path: Path, site: Settings) -> None:
    identities = []
    for name in ("before", "after"):
        folder = tmp_path / name
        folder.mkdir()
        import_readings(folder, written(folder, f"{stamp(0)},level,1200"), site, clock=NOW)
        with LogReader(folder) as reader:
            identities.append(reader.identity())
    assert None not in identities and len(set(identities)) == 2


def test_each_kind_comes_in_with_its_quality_and_its_stamp(tmp_path: Path, site: Settings) -> None:
    path = written(
        tmp_path,
        "level,1234.5,2026-01-31T12:00:00Z",
        "level,250,2026-01-31T12:00:01+00:00",
        "level,251,2026-01-31T12:00:02.125Z",
        "level,4500,2026-01-31T12:00:03Z",
        'level,"4500.5",2026-01-31 12:00:04Z',
        "",
        "gauge,2,2026-01-31T12:00:04Z",
        " air , -3.5 , 2026-01-31T12:00:05Z ",
        "flow,0,2026-01-31T11:59:59Z",
        header="\ufeffSensor,value,utc",
    )
    result = import_readings(tmp_path, path, site, clock=NOW)
    assert result == ImportResult(8, 0, NOON_MS - 1000, NOON_MS + 5000)
    assert contents(tmp_path) == [
        (NOON_MS - 1000, "flow", 0.0, Quality.OK),
        (NOON_MS, "level", 1234.5, Quality.OK),
        (NOON_MS + 1000, "level", 250.0, Quality.BLANKED),
        (NOON_MS + 2125, "level", 251.0, Quality.OK),
        (NOON_MS + 3000, "level", 4500.0, Quality.OK),
        (NOON_MS + 4000, "gauge", 2.0, Quality.OK),
        (NOON_MS + 4000, "level", 4500.5, Quality.OUT_OF_RANGE),
        (NOON_MS + 5000, "air", -3.5, Quality.OK),
    ]
    with LogReader(tmp_path) as reader:
        assert reader.sources() == {"import"}
        assert reader.clock_is_trusted()


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("2026-01-31T12:00:00,level,1", "does not say its zone; .* end it with Z"),
        ("2026-01-31,level,1", "does not say its zone"),
        ("2026-01-31T12:00:00+01:00,level,1", "is not UTC; turn it into UTC"),
        ("2026-01-31T12:00:00.1234Z,level,1", "finer than a millisecond"),
        ("31.1.2026 12:00,level,1", "not an ISO-8601 time; write it like"),
        ("1969-12-31T12:00:00Z,level,1", "before 1970"),
        ("2026-03-03T12:00:01Z,level,1", "lies in the future"),
        ("2026-01-31T12:00:00Z,levle,1", "sensor = 'levle' is not in the settings; did you mean level?"),
        ("2026-01-31T12:00:00Z,xyzzy,1", "the site has air, flow, gauge, level"),
        ("2026-01-31T12:00:00Z,level,", "value = '' is not a number"),
        ("2026-01-31T12:00:00Z,level,1_000", "value = '1_000' is not a number"),
        ('2026-01-31T12:00:00Z,level,"12,5"', "decimals with a point"),
        ("2026-01-31T12:00:00Z,level,-0.1", "outside 0 to 20000 mm"),
        ("2026-01-31T12:00:00Z,level,20000.1", "outside 0 to 20000 mm"),
        ("2026-01-31T12:00:00Z,level,nan", "outside 0 to 20000 mm"),
        ("2026-01-31T12:00:00Z,air,85.1", "outside -60 to 85 degC"),
        ("2026-01-31T12:00:00Z,air,-60.1", "outside -60 to 85 degC"),
        ("2026-01-31T12:00:00Z,gauge,1.5", "not a count of tips: a whole number, 0 or more"),
        ("2026-01-31T12:00:00Z,flow,-1", "not a count of pulses"),
        ("2026-01-31T12:00:00Z,flow,inf", "not a count of pulses"),
        ("2026-01-31T12:00:00Z,flow,1e300", "not a count of pulses"),
        ("2026-01-31T12:00:00Z,level", "2 columns where there should be 3"),
        ("2026-01-31T12:00:00Z,level,1,2", "4 columns where there should be 3"),
    ],
)
def test_a_bad_row_names_its_line_and_keeps_the_whole_file_out(
    tmp_path: Path, site: Settings, row: str, says: str
) -> None:
    path = written(tmp_path, f"{stamp(0)},level,1000", row, f"{stamp(9)},level,1000")
    said = refusal(tmp_path, path, site)
    assert "line 3: " in said
    assert "line 2" not in said
    assert re.search(says, said), said


def test_a_stamp_up_to_a_day_ahead_is_taken(tmp_path: Path, site: Settings) -> None:
    path = written(tmp_path, "2026-03-03T12:00:00Z,level,1000")
    assert import_readings(tmp_path, path, site, clock=NOW).added == 1


def test_all_bad_rows_are_named_up_to_twenty(tmp_path: Path, site: Settings) -> None:
    few = refusal(tmp_path, written(tmp_path, *[f"{stamp(k)},air,100" for k in range(20)]), site)
    assert [f"line {k}:" in few for k in (1, 2, 21, 22)] == [False, True, True, False]
    assert "more" not in few
    many = refusal(tmp_path, written(tmp_path, *[f"{stamp(k)},air,100" for k in range(57)]), site)
    assert many.splitlines()[:-1] == few.splitlines()
    assert many.splitlines()[-1].strip() == "and 37 more"


def test_two_values_for_one_moment_name_both_lines(tmp_path: Path, site: Settings) -> None:
    path = written(
        tmp_path, f"{stamp(5)},air,1", f"{stamp(0)},level,1000", f"{stamp(5)},air,2", f"{stamp(5)},air,1", "x,air,2"
    )
    said = refusal(tmp_path, path, site)
    assert "line 4: air at 2026-01-31T12:00:05.000Z is 2 here and 1 on line 2" in said
    assert "line 6: utc = 'x'" in said
    assert "line 5" not in said


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "the file is empty; it should begin with the line utc,sensor,value"),
        (b"\n\n", "the file is empty"),
        (b"utc,sensor,value\n", "a header but no row"),
        (b"2026-01-31T12:00:00Z,level,1\n", "line 1: the header is '2026"),
        (b"utc;sensor;value\n2026-01-31T12:00:00Z;level;1\n", "parted by commas"),
        (b"utc,sensor,value,note\n", "in any order and no other"),
        (b"utc,sensor,sensor\n", "must name the columns"),
        (b"SQLite format 3\0" + bytes(range(16)) * 9, "not a text file"),
        (bytes(range(256)), "not UTF-8 text"),
        ("utc,sensor,value\n".encode("utf-16"), "save it as CSV in UTF-8"),
        (b"utc,sensor,value\n" + b"x" * 200_000, "line 2: this is not CSV"),
        (b'utc,sensor,value\n"2026-01-31T12:00:00Z,level,1\n', "stray quotation mark"),
    ],
)
def test_a_file_of_another_sort_is_refused_and_told_why(
    tmp_path: Path, site: Settings, content: bytes, says: str
) -> None:
    path = tmp_path / "readings.csv"
    path.write_bytes(content)
    assert says in refusal(tmp_path, path, site)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path, site: Settings) -> None:
    assert "No such file" in refusal(tmp_path, tmp_path / "nowhere.csv", site)
    assert "this is a folder" in refusal(tmp_path, tmp_path, site)


def test_a_missing_site_folder_is_named(tmp_path: Path, site: Settings) -> None:
    with pytest.raises(LogMissing, match="no such folder"):
        import_readings(tmp_path / "nowhere", written(tmp_path, f"{stamp(0)},level,1000"), site, clock=NOW)


def test_the_same_file_twice_adds_nothing_and_a_longer_one_its_new_rows(tmp_path: Path, site: Settings) -> None:
    lines = falling_tank()
    first = import_readings(tmp_path, written(tmp_path, *lines[:700]), site, clock=NOW)
    assert (first.added, first.known) == (700, 0)
    before = contents(tmp_path)
    again = import_readings(tmp_path, written(tmp_path, *lines[:700]), site, clock=NOW)
    assert (again.added, again.known) == (0, 700)
    assert contents(tmp_path) == before
    more = import_readings(tmp_path, written(tmp_path, *lines, lines[3]), site, clock=NOW)
    assert (more.added, more.known) == (len(lines) - 700, 701)
    assert len(contents(tmp_path)) == len(lines)
    db = sqlite3.connect(tmp_path / "readings.db")
    assert db.execute("SELECT count(*) FROM boot").fetchone() == (2,)
    db.close()


def test_what_the_logger_has_is_known_and_what_it_contradicts_is_refused(tmp_path: Path, site: Settings) -> None:
    with LogWriter(tmp_path / "readings.db") as writer:
        # Numbers in another order than names, from two boots, one of which has two values for one moment.
        numbers = writer.sensor_numbers({"old": Kind.LEVEL}) | writer.sensor_numbers({"level": Kind.LEVEL})
        numbers |= writer.sensor_numbers({"air": Kind.TEMPERATURE})
        for boot, values in enumerate([(1000.0, 1001.0, None), (7.0, 1001.0, None)]):
            segment = writer.begin_segment(writer.begin_boot("logger", str(boot), 0), 0, trusted=True)
            writer.append(
                [(NOON_MS + k, numbers["level"], segment, v, int(v is None), None, 1) for k, v in enumerate(values)]
            )
            writer.append([(NOON_MS, numbers["old"], segment, 5.0, 0, None, None)])
    before = contents(tmp_path)
    good = written(tmp_path, f"{stamp(0)},level,1000", f"{stamp(0)},air,5", f"{stamp(0.001)},level,1001")
    bad = tmp_path / "bad.csv"
    bad.write_text(good.read_text() + f"{stamp(0.002)},level,3\n{stamp(1)},level,5\n")
    said = refusal(tmp_path, bad, site)
    assert "line 5: level at 2026-01-31T12:00:00.002Z is 3 here and without a value in the log" in said
    assert "line 4" not in said
    bad.write_text(good.read_text().replace("1001", "1002"))
    assert "line 4: level at 2026-01-31T12:00:00.001Z is 1002 here and 1001 in the log" in refusal(tmp_path, bad, site)
    assert repr(contents(tmp_path)) == repr(before)
    result = import_readings(tmp_path, good, site, clock=NOW)
    assert (result.added, result.known) == (1, 2)


def test_while_a_logger_runs_nothing_is_imported(tmp_path: Path, site: Settings) -> None:
    path = written(tmp_path, f"{stamp(0)},level,1000")
    with LogWriter(tmp_path / "readings.db"), pytest.raises(LogBusy, match=r"is writing this log.* stop that one"):
        import_readings(tmp_path, path, site, clock=NOW)
    assert contents(tmp_path) == []


def test_the_order_of_the_rows_changes_nothing(tmp_path: Path, site: Settings) -> None:
    lines = falling_tank()
    found = []
    for seed in (1, 2):
        folder = tmp_path / str(seed)
        folder.mkdir()
        random.Random(seed).shuffle(lines)
        import_readings(folder, written(folder, *lines), site, clock=NOW)
        with LogReader(folder) as reader:
            found.append((contents(folder), reader.events(), reader.checkpoint(Deriver(site).digest)))
    assert found[0] == found[1]


@pytest.mark.parametrize(
    "halves", [(slice(500, None), slice(500)), (slice(500), slice(500, None)), (slice(501), slice(501, None))]
)
def test_an_unwatched_log_gets_the_alarms_and_the_state_that_a_replay_finds(
    tmp_path: Path, site: Settings, halves: tuple[slice, slice]
) -> None:
    # Neither half may forget what was found in the other; lines 500 and 501 share a stamp.
    for half in halves:
        import_readings(tmp_path, written(tmp_path, *falling_tank()[half]), site, clock=NOW)
    deriver = Deriver(site)
    with LogReader(tmp_path) as reader:
        steps = list(replay(reader, deriver, size=97))
        found = [e for _, derived in steps for e in derived.events]
        assert [(e.t_ms, e.alarm, e.state, e.value) for e in reader.events()] == [
            (e.t_ms, e.alarm, e.state, e.value) for e in found
        ]
        assert {e.alarm for e in found} == {"overflow_risk", "low_reserve"}
        kept = reader.checkpoint(deriver.digest)
        assert kept == (steps[-1][0].upto_ms, state_to_text(steps[-1][0]))
        assert state_to_text(state_at(reader, deriver)) == kept[1]


def test_an_import_that_was_cut_off_before_its_alarms_is_finished_by_the_next(tmp_path: Path, site: Settings) -> None:
    path = written(tmp_path, *falling_tank())
    import_readings(tmp_path, path, site, clock=NOW)
    with LogReader(tmp_path) as reader:
        events = reader.events()
    with LogWriter(tmp_path / "readings.db") as writer:
        writer.replace_events(writer.newest_segment(), [])
        writer.drop_checkpoints(0)
    assert import_readings(tmp_path, path, site, clock=NOW).added == 0
    with LogReader(tmp_path) as reader:
        assert reader.events() == events
        assert reader.checkpoint(Deriver(site).digest) is not None


@pytest.mark.parametrize("source", ["logger", "twin"])
def test_a_log_that_was_watched_keeps_the_alarms_it_saw(tmp_path: Path, site: Settings, source: str) -> None:
    lines = falling_tank()
    seen = AlarmEvent(NOON_MS, "low_reserve", "site", "normal", 1.0, 2.0, "L", "seen at the time")
    deriver = Deriver(site)
    with LogWriter(tmp_path / "readings.db") as writer:
        segment = writer.begin_segment(writer.begin_boot(source, "b", 0), 0, trusted=True)
        writer.append_events(segment, [seen])
        for t_ms in (NOON_MS - 1, NOON_MS, NOON_MS + 10**6):
            writer.save_checkpoint(t_ms, deriver.digest, "stale" if t_ms >= NOON_MS else state_to_text(deriver.start()))
    import_readings(tmp_path, written(tmp_path, *lines), site, clock=NOW)
    with LogReader(tmp_path) as reader:
        assert reader.events() == [seen]
        last = list(replay(reader, deriver))[-1][0]
        assert reader.checkpoint(deriver.digest) == (last.upto_ms, state_to_text(last))
        assert reader.checkpoint(deriver.digest, upto_ms=NOON_MS + 10**6) == (
            NOON_MS - 1,
            state_to_text(deriver.start()),
        )


def test_a_disk_that_fills_up_leaves_nothing_half_imported(
    tmp_path: Path, site: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path, *falling_tank())
    LogWriter(tmp_path / "readings.db").close()
    plain = LogWriter._open

    def small(self: LogWriter) -> sqlite3.Connection:
        db = plain(self)
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        db.execute(f"PRAGMA max_page_count = {pages + 2}")
        return db

    with monkeypatch.context() as full:
        full.setattr(LogWriter, "_open", small)
        with pytest.raises(LogError, match=r"full.*disk has room"):
            import_readings(tmp_path, path, site, clock=NOW)
    with LogReader(tmp_path) as reader:
        assert (reader.count(), reader.sources(), reader.sensors()) == (0, set(), ())
    assert import_readings(tmp_path, path, site, clock=NOW).added == len(falling_tank())


def test_progress_adds_up_to_the_rows_of_the_file(tmp_path: Path, site: Settings) -> None:
    path = written(tmp_path, *[f"{stamp(k)},gauge,1" for k in range(45_000)])
    told: list[int] = []
    import_readings(tmp_path, path, site, told.append, clock=NOW)
    assert sum(told) == 45_000
    assert len(told) == 3


MEASURES = """
import resource, sys, time
from pathlib import Path
from rainstead.importing import import_readings
from rainstead.settings import parse_settings
folder = Path(sys.argv[1])
site = parse_settings((folder / "site.toml").read_text(), "test")
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
begun = time.perf_counter()
result = import_readings(folder, folder / "readings.csv", site)
took = time.perf_counter() - begun
print(result.added, took, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024)
"""


def test_memory_stays_small_for_many_rows(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    count = 200_000
    with (tmp_path / "readings.csv").open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["utc", "sensor", "value"])
        out.writerows([stamp(-10 * k), "level", 1000 + k % 700] for k in range(count))
    done = subprocess.run(
        [sys.executable, "-c", MEASURES, str(tmp_path)], capture_output=True, text=True, check=True, timeout=100
    )
    added, _, grown_mib = done.stdout.split()
    assert int(added) == count
    # 26 bytes a row in the file's columns, twice while they are sorted, and the batches of log and replay.
    assert float(grown_mib) < 150
