"""What another log still holds comes into this one: nothing twice, nothing altered, whatever is damaged."""

import random
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from parted_logs import (
    ASIDE,
    BEGIN_MS,
    HOUR_MS,
    KINDS,
    PAGE,
    content,
    pages_of,
    put_aside,
    readings_of,
    rows,
    wipe,
)

from rainstead.errors import LogError, RainsteadError
from rainstead.events import AlarmEvent
from rainstead.log import Keep, LogReader, LogWriter, check_log
from rainstead.log.salvage import OldLog, TakenIn
from rainstead.log.salvage.clocks import Settled, Stretch, settle
from rainstead.log.salvage.order import Place, in_order
from rainstead.log.thinning import thin_oldest

STEP_MS = 10_000
LATE_MS = BEGIN_MS + 400 * 86_400_000
MINUTE_MS = 60_000


def run(
    path: Path,
    boot: str,
    boot_ms: range,
    offset_ms: int = BEGIN_MS,
    *,
    trusted: bool = True,
    seal: bool = True,
    events: bool = True,
) -> int:
    """A run of a logger that wrote so much; returns its number."""
    with LogWriter(path) as writer:
        number = writer.begin_boot("logger", boot, boot_ms.start)
        segment = writer.begin_segment(number, offset_ms, trusted=trusted)
        writer.keep_settings(boot_ms.start + offset_ms, f"digest {boot}", "")
        writer.append(rows(writer, segment, offset_ms, boot_ms))
        if events:
            at_ms = boot_ms.start + offset_ms + 77
            writer.append_events(segment, [AlarmEvent(at_ms, "low_reserve", "site", "normal", 1, 2, "L", boot)])
        while seal and writer.seal_some(LATE_MS):
            pass
        writer.end_boot(number, boot_ms[-1])
    return number


def salvaged(path: Path, old: Path) -> TakenIn:
    """As the command does it, without what follows."""
    was = old.read_bytes()
    with OldLog(old) as log, LogWriter(path) as writer:
        kinds = {name: KINDS[name] for name, _ in log.sensors.values() if name in KINDS}
        done = writer.take_in(log, kinds, lambda _: None)
    assert old.read_bytes() == was
    return done


def thinned_one(writer: LogWriter) -> bool:
    """The oldest hour goes to minutes, as want of room asks."""
    return thin_oldest(writer._db, Keep(mb=0)) is not None


def spans(hours: float, begin_ms: int = 5000) -> range:
    return range(begin_ms, begin_ms + round(hours * HOUR_MS), STEP_MS)


@pytest.fixture
def parted(tmp_path: Path) -> tuple[Path, Path, Path]:
    """A log that never broke; the one begun in its place after it broke; the broken one. Two boots, then a third."""
    whole, site = tmp_path / "whole.db", tmp_path / "readings.db"
    for path in (whole, site):
        run(path, "one", spans(3))
        run(path, "two", spans(2.5), BEGIN_MS + 5 * HOUR_MS, seal=False)
    old = put_aside(tmp_path)
    for path in (whole, site):
        run(path, "two", spans(1, 3 * HOUR_MS), BEGIN_MS + 5 * HOUR_MS)
        run(path, "three", spans(2), BEGIN_MS + 20 * HOUR_MS, seal=False)
    return whole, site, old


def test_two_parts_are_the_log_that_never_broke(parted: tuple[Path, Path, Path]) -> None:
    whole, site, old = parted
    done = salvaged(site, old)
    assert readings_of(site) == readings_of(whole)
    assert done.added == len(readings_of(old)) and not done.lost and done.events == 2
    assert check_log(site).is_whole
    with LogReader(site) as ours, LogReader(whole) as theirs:
        assert ours.gaps() == theirs.gaps()
        assert ours.events() == theirs.events()
        assert ours.span_ms() == theirs.span_ms() and ours.clock_is_trusted()


def test_a_second_run_changes_nothing(parted: tuple[Path, Path, Path]) -> None:
    _, site, old = parted
    first = salvaged(site, old)
    was = content(site)
    done = salvaged(site, old)
    assert (done.added, done.known, done.events, done.is_anything) == (0, first.added, 0, False)
    assert content(site) == was


def test_the_log_stays_known_by_its_own_first_run_and_its_newest_segment(parted: tuple[Path, Path, Path]) -> None:
    _, site, old = parted
    with LogReader(site) as reader:
        was, newest = reader.identity(), reader.clock_is_trusted()
    salvaged(site, old)
    with LogReader(site) as reader:
        assert (reader.identity(), reader.clock_is_trusted()) == (was, newest)
        assert [note.from_ms for note in reader.behind(0)][-1:] == [BEGIN_MS + 5000]


def test_other_numbers_of_sensors_are_told_by_name(tmp_path: Path) -> None:
    site = tmp_path / "readings.db"
    run(site, "one", spans(2))
    old = put_aside(tmp_path)
    with LogWriter(site) as writer:
        writer.sensor_numbers({"level": KINDS["level"], "zone": KINDS["air"]})
        writer.sensor_numbers(KINDS)
    was = readings_of(old)
    salvaged(site, old)
    with LogReader(site) as reader:
        assert {row.name: row.number for row in reader.sensors()}["level"] == 1
    assert sorted(readings_of(site)) == sorted(was)
    assert salvaged(site, old).known == len(was)


def test_a_reading_with_another_value_is_counted_and_the_logs_own_stays(tmp_path: Path) -> None:
    site, old = tmp_path / "readings.db", tmp_path / "old.db"
    run(site, "one", spans(1), seal=False)
    shutil.copy(site, old)
    with LogWriter(old) as writer:
        writer._db.execute("UPDATE reading SET value = value + 1 WHERE t_ms = ? AND sensor = 4", (BEGIN_MS + 25_000,))
    was = readings_of(site)
    done = salvaged(site, old)
    assert readings_of(site) == was
    assert (done.added, done.differing, done.known) == (0, 1, len(was) - 1)
    (one,) = done.others
    assert (one.t_ms, one.sensor, one.other - one.kept) == (BEGIN_MS + 25_000, "level", 1.0)


def test_an_older_backup_gives_back_a_damaged_hour_of_the_log(tmp_path: Path) -> None:
    site, old = tmp_path / "readings.db", tmp_path / "backup.db"
    run(site, "one", spans(4))
    shutil.copy(site, old)
    run(site, "two", spans(1), BEGIN_MS + 9 * HOUR_MS, seal=False)
    was = readings_of(site)
    with LogWriter(site) as writer:
        writer._db.execute("UPDATE block SET body = zeroblob(length(body)) WHERE id = 2")
    assert len(readings_of(site)) < len(was)
    done = salvaged(site, old)
    assert done.mended == 1 and done.added > 100
    assert readings_of(site) == was
    assert check_log(site).is_whole


def test_a_damaged_hour_of_a_backup_that_the_log_has_is_no_loss(tmp_path: Path) -> None:
    site, old = tmp_path / "readings.db", tmp_path / "backup.db"
    run(site, "one", spans(3))
    shutil.copy(site, old)
    with LogWriter(old) as writer:
        writer._db.execute("UPDATE block SET body = zeroblob(length(body)) WHERE id = 2")
    done = salvaged(site, old)
    assert done.lost == [] and done.added == 0
    assert readings_of(site) == readings_of(tmp_path / "readings.db")


def test_runs_stand_in_their_order_wherever_the_backup_belongs(tmp_path: Path) -> None:
    """One that began before it, some that it has alone, one that both have: numbers are the order for gaps."""
    site, old = tmp_path / "readings.db", tmp_path / "old.db"
    for k, path in enumerate((site, old, old, site, old)):
        run(path, f"boot {k}", spans(1), BEGIN_MS + 4 * k * HOUR_MS)
    salvaged(site, old)
    with LogReader(site) as reader:
        gaps = reader.gaps()
    assert [gap.from_ms < gap.to_ms for gap in gaps] == [True] * 4
    whole = tmp_path / "whole.db"
    for k in range(5):
        run(whole, f"boot {k}", spans(1), BEGIN_MS + 4 * k * HOUR_MS)
    with LogReader(whole) as reader:
        assert gaps == reader.gaps()


# --- clocks --------------------------------------------------------------------------------------------------------


def test_a_clock_that_was_set_after_the_log_broke_dates_what_came_before_too(tmp_path: Path) -> None:
    wrong_ms, site = BEGIN_MS - 30 * 86_400_000, tmp_path / "readings.db"
    run(site, "boot", spans(2), wrong_ms, trusted=False)
    old = put_aside(tmp_path)
    number = run(site, "boot", spans(1, 2 * HOUR_MS + 5000), wrong_ms, trusted=False)
    with LogWriter(site) as writer:
        writer.correct_boot(number, BEGIN_MS)
    done = salvaged(site, old)
    assert done.dated == 1
    stamps = [t for t, name, *_ in readings_of(site) if name == "level"]
    assert stamps == list(range(BEGIN_MS + 5000, BEGIN_MS + 3 * HOUR_MS + 5000, STEP_MS))
    with LogReader(site) as reader:
        assert reader.doubtful_segments() == [] and reader.undated_runs() == []
        # Nothing stood elsewhere on a server: what is by a guess is not sent.
        assert [note.moved for note in reader.behind(0)][-1] is False
    was = content(site)
    assert not salvaged(site, old).is_anything and content(site) == was


def test_a_clock_that_was_set_by_an_hour_moves_what_a_server_had(tmp_path: Path) -> None:
    site = tmp_path / "readings.db"
    run(site, "boot", spans(2), BEGIN_MS)
    old = put_aside(tmp_path)
    run(site, "boot", spans(1, 2 * HOUR_MS + 5000), BEGIN_MS + HOUR_MS)
    salvaged(site, old)
    stamps = [t - BEGIN_MS - HOUR_MS for t, name, *_ in readings_of(site) if name == "level"]
    assert stamps == list(range(5000, 3 * HOUR_MS + 5000, STEP_MS))
    with LogReader(site) as reader:
        last = reader.behind(0)[-1]
    assert (last.from_ms, last.moved) == (BEGIN_MS + 5000, True)


def test_a_backup_put_back_is_dated_by_what_the_damaged_log_knew(tmp_path: Path) -> None:
    wrong_ms, site = BEGIN_MS - 86_400_000, tmp_path / "readings.db"
    number = run(site, "boot", spans(1), wrong_ms, trusted=False)
    shutil.copy(site, tmp_path / "backup.db")
    with LogWriter(site) as writer:
        writer.correct_boot(number, BEGIN_MS)
    run(site, "boot", spans(1, HOUR_MS + 5000), BEGIN_MS)
    was, old = readings_of(site), put_aside(tmp_path)
    shutil.copy(tmp_path / "backup.db", site)
    done = salvaged(site, old)
    assert done.dated == 1 and readings_of(site) == was
    with LogReader(site) as reader:
        assert reader.doubtful_segments() == []


def test_a_nudge_of_seconds_moves_nothing(tmp_path: Path) -> None:
    site = tmp_path / "readings.db"
    run(site, "boot", spans(1), BEGIN_MS)
    old = put_aside(tmp_path)
    run(site, "boot", spans(1, HOUR_MS + 5000), BEGIN_MS + 20_000)
    was = readings_of(old)
    assert salvaged(site, old).dated == 0
    assert readings_of(site)[: len(was)] == was


def test_a_boot_that_was_never_dated_is_put_before_what_is_certain_and_stays_marked(tmp_path: Path) -> None:
    """Its guess reaches into the new log's first dated boot."""
    site = tmp_path / "readings.db"
    run(site, "guess", spans(3), BEGIN_MS, trusted=False)
    old = put_aside(tmp_path)
    run(site, "dated", spans(1), BEGIN_MS + HOUR_MS)
    salvaged(site, old)
    stamps = [t for t, name, *_ in readings_of(site) if name == "level"]
    assert stamps[:1080] == list(range(stamps[0], stamps[0] + 3 * HOUR_MS, STEP_MS))
    assert stamps[1079] < BEGIN_MS + HOUR_MS + 5000 == stamps[1080]
    with LogReader(site) as reader:
        (undated,) = reader.undated_runs()
        assert undated.last_ms < BEGIN_MS + HOUR_MS + 5000


def test_an_undated_boot_of_the_new_log_goes_on_from_the_old_one(tmp_path: Path) -> None:
    site = tmp_path / "readings.db"
    run(site, "dated", spans(3), BEGIN_MS)
    old = put_aside(tmp_path)
    run(site, "guess", spans(1), BEGIN_MS - 86_400_000 * 9, trusted=False)
    salvaged(site, old)
    stamps = [t for t, name, *_ in readings_of(site) if name == "level"]
    assert stamps[: 3 * 360] == list(range(BEGIN_MS + 5000, BEGIN_MS + 5000 + 3 * HOUR_MS, STEP_MS))
    assert stamps[3 * 360] > stamps[3 * 360 - 1]


def test_runs_of_an_unknown_boot_are_one_only_where_they_began_alike(tmp_path: Path) -> None:
    site = tmp_path / "readings.db"
    run(site, "unknown", spans(1), BEGIN_MS)
    old = put_aside(tmp_path)
    run(site, "unknown", spans(1), BEGIN_MS + 86_400_000)
    was = len(readings_of(old)) + len(readings_of(site))
    salvaged(site, old)
    assert len(readings_of(site)) == was
    assert salvaged(site, old).added == 0


@settings(max_examples=25, deadline=None)
@given(
    lives=st.lists(st.tuples(st.booleans(), st.booleans(), st.sampled_from([0, 1, 20])), min_size=2, max_size=5),
    broke_after=st.integers(1, 4),
    set_by_ms=st.sampled_from([0, -90_000, 3_000_000, -3_000_000]),
)
def test_wherever_a_log_breaks_and_whatever_clock_is_set_later_it_is_as_if_it_had_not(
    tmp_path_factory: pytest.TempPathFactory,
    lives: list[tuple[bool, bool, int]],
    broke_after: int,
    set_by_ms: int,
) -> None:
    """Each run: whether it is of the boot before it, whether its clock is known, how long nobody logged before it. At
    the end the clock of the last boot is set, as the logger does it; not behind an earlier boot that was known."""
    folder = tmp_path_factory.mktemp("lives")
    whole, site, old = folder / "whole.db", folder / "readings.db", None
    boot, offset_ms, boot_ms, known = 0, BEGIN_MS, 5000, False
    of_boot: dict[Path, list[int]] = {whole: [], site: []}
    for k, (is_same_boot, is_known, away_hours) in enumerate(lives):
        boot_ms += away_hours * HOUR_MS + 60_000
        if not (is_same_boot and k):
            offset_ms += boot_ms + HOUR_MS
            boot, boot_ms, known, of_boot = boot + 1, 5000, is_known, {whole: [], site: []}
        if k == broke_after:
            old, of_boot[site] = put_aside(folder), []
        for path in (whole, site):
            span = range(boot_ms, boot_ms + 600_000, STEP_MS)
            of_boot[path].append(run(path, f"boot {boot}", span, offset_ms, trusted=known, seal=bool(k % 2)))
        boot_ms += 600_000
    if old is None:
        return
    for path, runs in of_boot.items():
        with LogWriter(path) as writer:
            for number in runs:
                writer.correct_boot(number, offset_ms + set_by_ms)
            writer.put_back_untrusted(runs[0], offset_ms + set_by_ms + 5000)
    salvaged(site, old)
    assert readings_of(site) == readings_of(whole)
    with LogReader(site) as ours, LogReader(whole) as theirs:
        assert ours.gaps() == theirs.gaps()
        assert [(one.first_ms, one.last_ms) for one in ours.undated_runs()] == [
            (one.first_ms, one.last_ms) for one in theirs.undated_runs()
        ]
    was = content(site)
    assert not salvaged(site, old).is_anything and content(site) == was


@pytest.mark.parametrize(
    ("old", "present", "settled"),
    [
        ([(0, False, 0, 9)], [(50, True, 10, 20)], Settled(old=(50, True))),
        ([(0, True, 0, 9)], [(50, False, 10, 20)], Settled(present=0)),
        ([(0, True, 0, 9)], [(50_000, True, 10, 20)], Settled()),
        ([(0, True, 0, 9)], [(90_000, True, 10, 20)], Settled(old=(90_000, True))),
        ([(0, True, 0, 30)], [(90_000, True, 10, 20)], Settled(present=0)),
        ([(0, False, 0, 9)], [(5, False, 10, 20)], Settled()),
        ([(0, False, 0, 9)], [(-50, False, 10, 20)], Settled(old=(-50, False))),
        ([(0, False, 0, 9), (7, True, 5, 9)], [(7, True, 10, 20)], Settled(old=(7, True))),
        ([(0, False, 0, 9)], [], Settled()),
    ],
)
def test_the_later_word_on_a_clock_holds_and_any_word_against_a_guess(
    old: list[tuple[int, bool, int, int]], present: list[tuple[int, bool, int, int]], settled: Settled
) -> None:
    assert settle([Stretch(*one) for one in old], [Stretch(*one) for one in present]) == settled


@given(st.data())
def test_each_logs_own_order_stays_and_known_runs_stand_once(data: st.DataObject) -> None:
    present = [Place(k, f"p{k}", 0, data.draw(st.none() | st.integers(0, 20))) for k in range(1, 6)]
    shared = sorted(data.draw(st.sets(st.sampled_from(present), max_size=3)), key=lambda place: place.number)
    new = [Place(-k, f"o{k}", 0, data.draw(st.none() | st.integers(0, 20))) for k in range(1, 5)]
    old = list(new)
    for place in reversed(shared):
        old.insert(data.draw(st.integers(0, len(old))), place)
    old = [place for place in old if place.number < 0] if data.draw(st.booleans()) else old
    old_shared = iter(sorted((p for p in old if p.number > 0), key=lambda p: p.number))
    old = [next(old_shared) if place.number > 0 else place for place in old]
    found = in_order(old, present)
    assert sorted(found) == sorted({place.number for place in [*old, *present]})
    for log in (old, present):
        assert [n for n in found if n in {p.number for p in log}] == [place.number for place in log]


# --- what was let go -----------------------------------------------------------------------------------------------


def test_what_the_log_let_go_does_not_come_back_and_what_is_minutes_alone_comes_as_minutes(tmp_path: Path) -> None:
    site, backup = tmp_path / "readings.db", tmp_path / "backup.db"
    run(site, "one", spans(30))
    shutil.copy(site, backup)
    with LogWriter(site) as writer, writer.transaction():
        for _ in range(3):
            assert thinned_one(writer)
    was = readings_of(site)
    with LogReader(site) as reader:
        minutes = reader.minutes()
    done = salvaged(site, backup)
    assert done.added == 0 and done.let_go == int((minutes.count + minutes.unusable).sum()) > 500
    assert readings_of(site) == was
    thinned = put_aside(tmp_path)
    run(site, "two", spans(1), BEGIN_MS + 30 * HOUR_MS)
    done = salvaged(site, thinned)
    assert done.minutes_of == int((minutes.count + minutes.unusable).sum())
    with LogReader(site) as reader:
        assert reader.minutes().mean.tolist() == minutes.mean.tolist()
        assert reader.minutes().t_ms.tolist() == minutes.t_ms.tolist()
    was_content = content(site)
    assert not salvaged(site, thinned).is_anything and content(site) == was_content
    # The other way: the log has it in full, the other one only in minutes.
    assert salvaged(backup, thinned).minutes_of == 0


# --- damage --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[tuple[int, str, float, int, float]]]:
    """A log of two boots, sealed and fresh, and what it holds."""
    path = tmp_path_factory.mktemp("sound") / "readings.db"
    run(path, "one", spans(5))
    run(path, "two", spans(3), BEGIN_MS + 6 * HOUR_MS, seal=False)
    return path, readings_of(path)


@pytest.mark.parametrize(
    "table", ["segment", "boot", "stop", "sensor", "settings_kept", "event", "block_time", "sqlite_autoindex_sensor_1"]
)
def test_a_damaged_page_that_holds_no_readings_costs_none(
    tmp_path: Path, sound: tuple[Path, list[tuple[int, str, float, int, float]]], table: str
) -> None:
    old = Path(shutil.copy(sound[0], tmp_path / ASIDE))
    wipe(old, pages_of(old, [table])[:1])
    site = tmp_path / "readings.db"
    run(site, "three", spans(1), BEGIN_MS + 30 * HOUR_MS)
    done = salvaged(site, old)
    assert done.added == len(sound[1])
    assert done.unsure == (done.added if table == "segment" else 0)
    assert readings_of(site)[: done.added] == sound[1]
    was = content(site)
    assert not salvaged(site, old).is_anything and content(site) == was


@pytest.mark.parametrize(("table", "page"), [("block", 2), ("block", -1), ("reading", 4), ("reading", -1)])
def test_a_damaged_page_of_readings_costs_those_on_it_and_that_is_told(
    tmp_path: Path, sound: tuple[Path, list[tuple[int, str, float, int, float]]], table: str, page: int
) -> None:
    old = Path(shutil.copy(sound[0], tmp_path / ASIDE))
    wipe(old, [pages_of(old, [table])[page]])
    site = tmp_path / "readings.db"
    done = salvaged(site, old)
    missing = sorted(set(sound[1]) - set(readings_of(site)))
    assert set(readings_of(site)) <= set(sound[1]) and 0 < len(missing) <= 1000
    for t_ms, *_ in missing:
        assert any(hour.first_ms <= t_ms <= hour.last_ms for hour in done.lost)
    if table == "block":
        assert sum(hour.readings for hour in done.lost) == len(missing)


def test_a_letter_of_the_layout_costs_the_table_that_it_names_and_no_more(
    tmp_path: Path, sound: tuple[Path, list[tuple[int, str, float, int, float]]]
) -> None:
    for turned, is_whole in ((b"CREATE TABLE event ", True), (b"CREATE TABLE reading ", False)):
        folder = tmp_path / turned.split()[2].decode()
        folder.mkdir()
        old = folder / ASIDE
        content = sound[0].read_bytes()
        assert turned in content
        old.write_bytes(content.replace(turned, turned.replace(b"CREATE", b"CRQATE")))
        done = salvaged(folder / "readings.db", old)
        assert bool(done.lost) and (done.added == len(sound[1])) == is_whole
        assert done.added >= 2000


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), kind=st.sampled_from(["pages", "bits", "cut", "zeros"]))
def test_whatever_is_damaged_no_less_comes_than_is_read_there_and_none_twice(
    tmp_path_factory: pytest.TempPathFactory,
    sound: tuple[Path, list[tuple[int, str, float, int, float]]],
    seed: int,
    kind: str,
) -> None:
    folder, draw = tmp_path_factory.mktemp("damage"), random.Random(seed)
    old, site = folder / ASIDE, folder / "readings.db"
    damaged = bytearray(sound[0].read_bytes())
    pages = len(damaged) // PAGE
    for _ in range(draw.randrange(1, 5)):
        at = draw.randrange(1, pages) * PAGE
        if kind == "pages":
            damaged[at : at + PAGE] = draw.randbytes(PAGE)
        elif kind == "zeros":
            damaged[at : at + PAGE] = bytes(PAGE)
        elif kind == "bits":
            damaged[at + draw.randrange(PAGE)] ^= 1 << draw.randrange(8)
    if kind == "cut":
        del damaged[draw.randrange(PAGE, len(damaged)) :]
    old.write_bytes(damaged)
    try:
        done = salvaged(site, old)
    except RainsteadError:
        return
    assert check_log(site).is_whole
    brought = set(readings_of(site))
    fresh_from_ms = BEGIN_MS + 6 * HOUR_MS
    # Fresh rows have no checksum: a turned bit among them, or a cut through one, is what it is.
    assert kind == "bits" or {one for one in brought if one[0] < fresh_from_ms} <= set(sound[1])
    try:
        there = set(readings_of(old))
    except (RainsteadError, ValueError, OverflowError):
        there = set()
    except Exception as error:
        assert "sqlite3" in type(error).__module__
        there = set()
    assert done.unsure or there & set(sound[1]) <= brought
    was = content(site)
    assert not salvaged(site, old).is_anything
    assert content(site) == was


# --- the file ------------------------------------------------------------------------------------------------------


def test_what_is_in_its_write_ahead_log_comes_too_where_nothing_may_be_laid_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = LogWriter(tmp_path / "live.db")
    number = writer.begin_boot("logger", "one", 5000)
    segment = writer.begin_segment(number, BEGIN_MS, trusted=True)
    writer.append(rows(writer, segment, BEGIN_MS, spans(1)))
    (tmp_path / "aside").mkdir()
    old = tmp_path / "aside" / ASIDE
    for part in ("", "-wal"):
        shutil.copy(tmp_path / f"live.db{part}", f"{old}{part}")
    writer.close()
    assert len(Path(f"{old}-wal").read_bytes()) > PAGE
    site = tmp_path / "readings.db"
    connect = OldLog._connect

    def forbidden(self: OldLog, path: Path, more: str = "") -> object:
        if path == old:
            import sqlite3

            error = sqlite3.OperationalError("unable to open database file")
            error.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
            raise error
        return connect(self, path, more)

    monkeypatch.setattr(OldLog, "_connect", forbidden)
    assert salvaged(site, old).added == len(readings_of(tmp_path / "live.db")) > 400
    assert sorted(path.name for path in old.parent.iterdir()) == [ASIDE, f"{ASIDE}-wal"]


def test_a_log_alone_leaves_nothing_beside_it(tmp_path: Path) -> None:
    (tmp_path / "aside").mkdir()
    old = tmp_path / "aside" / ASIDE
    run(old, "one", spans(1))
    for part in ("-wal", "-shm", ".lock"):
        Path(f"{old}{part}").unlink(missing_ok=True)
    salvaged(tmp_path / "readings.db", old)
    assert [path.name for path in old.parent.iterdir()] == [ASIDE]


@pytest.mark.parametrize("laid", [b"", b"nothing of a log is here\n" * 200, b"SQLite format 3\0" + bytes(200)])
def test_what_is_no_log_is_refused_in_words(tmp_path: Path, laid: bytes) -> None:
    (tmp_path / "old.db").write_bytes(laid)
    with pytest.raises(LogError, match=r"old\.db: .*(empty|not a rainstead log)"):
        OldLog(tmp_path / "old.db")


def test_an_old_schema_is_read_as_it_is(tmp_path: Path) -> None:
    kept = Path(__file__).parents[1] / "shared_logs" / "schema_1.db"
    old = Path(shutil.copy(kept, tmp_path / "old.db"))
    with LogReader(old) as reader:
        kinds = {row.name: row.kind for row in reader.sensors()}
    with OldLog(old) as log, LogWriter(tmp_path / "readings.db") as writer:
        writer.take_in(log, kinds, lambda _: None)
    assert old.read_bytes() == kept.read_bytes()
    assert sorted(readings_of(tmp_path / "readings.db")) == sorted(readings_of(old))
