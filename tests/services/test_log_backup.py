"""A copy while the log is written, a check that finds what is wrong, and a way back that overwrites nothing."""

import json
import os
import re
import shutil
import sqlite3
import threading
from pathlib import Path

import pytest
from small_site import SETTINGS, make_site
from typer.testing import CliRunner, Result

from rainstead.cli.commands import app
from rainstead.errors import LogDamaged, LogError
from rainstead.log import LogReader, LogWriter, Row, back_up, check_log, restore
from rainstead.notebook import Dip, Notebook
from rainstead.readings import Kind

HOUR_MS = 3_600_000
BEGIN_MS = 1_780_000_000_000 - 1_780_000_000_000 % HOUR_MS
DOCUMENT = Path(__file__).parents[2] / "services" / "log-format.md"


def filled(path: Path, hours: int = 8) -> None:
    with LogWriter(path) as writer:
        number = writer.sensor_numbers({"level": Kind.LEVEL})["level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), BEGIN_MS, trusted=True)
        writer.append(rows(number, segment, 0, hours * 360))
        while writer.seal_some(BEGIN_MS + (hours - 1) * HOUR_MS):
            pass


def rows(number: int, segment: int, begin: int, end: int) -> list[Row]:
    return [(BEGIN_MS + k * 10_000, number, segment, 900.0 + k % 9, 0, 1.5, 8) for k in range(begin, end)]


def values(path: Path) -> list[tuple[int, float]]:
    with LogReader(path) as reader:
        return [row for b in reader.batches() for row in zip(b.t_ms.tolist(), b.value.tolist(), strict=True)]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [*map(str, arguments)])


def test_a_copy_is_on_the_disk_before_it_has_its_name_and_so_is_its_name_in_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A copy that was told to be there is there after a power cut."""
    path, copy, done = tmp_path / "readings.db", tmp_path / "copies" / "copy.db", list[tuple[str, int | str]]()
    filled(path, 2)
    copy.parent.mkdir()
    fsync, rename = os.fsync, os.rename

    def synced(handle: int) -> None:
        fsync(handle)
        done.append(("sync", os.fstat(handle).st_ino))

    def renamed(source: str, target: str) -> None:
        rename(source, target)
        done.append(("name", Path(target).name))

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "rename", renamed)
    back_up(path, copy)
    assert done[-3:] == [("sync", copy.stat().st_ino), ("name", "copy.db"), ("sync", copy.parent.stat().st_ino)]


def test_a_copy_made_while_the_log_is_written_is_one_moment_of_it(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    filled(path)
    ended, committed = threading.Event(), [8 * 360]

    def goes_on() -> None:
        with LogWriter(path) as writer:
            (number,) = writer.sensor_numbers({}).values()
            segment = writer.newest_segment()
            k = committed[0]
            while not ended.is_set():
                writer.append(rows(number, segment, k, k + 30))
                k += 30
                committed.append(k)
                writer.seal_some(BEGIN_MS + k * 10_000)

    writing = threading.Thread(target=goes_on)
    writing.start()
    try:
        for attempt in range(6):
            begun = committed[-1]
            check = back_up(path, tmp_path / f"{attempt}.db")
            assert check.is_whole, check
            assert begun <= check.readings <= committed[-1] + 30
            copied = values(tmp_path / f"{attempt}.db")
            assert copied == [(BEGIN_MS + k * 10_000, 900.0 + k % 9) for k in range(check.readings)]
            assert check.readings % 30 == 0  # whole commits
    finally:
        ended.set()
        writing.join()
    assert len(committed) > 6


def test_a_copy_has_no_free_pages_and_is_one_file(tmp_path: Path) -> None:
    path, target = tmp_path / "readings.db", tmp_path / "copy" / "b.db"
    target.parent.mkdir()
    filled(path, 60)
    back_up(path, target)
    assert target.stat().st_size < path.stat().st_size / 3
    assert [one.name for one in target.parent.iterdir()] == ["b.db"]
    db = sqlite3.connect(target)
    assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    db.close()
    assert values(target) == values(path)


def test_nothing_is_ever_overwritten(tmp_path: Path) -> None:
    path, other = tmp_path / "readings.db", tmp_path / "other.db"
    filled(path, 2)
    other.write_text("mine")
    with pytest.raises(LogError, match=r"other\.db: is there already"):
        back_up(path, other)
    with pytest.raises(LogError, match=r"nowhere: there is no such folder"):
        back_up(path, tmp_path / "nowhere" / "b.db")
    back_up(path, tmp_path / "b.db")
    for left_over in ("readings.db", "readings.db-wal", "readings.db-journal"):
        site = tmp_path / left_over.replace(".", "-")
        site.mkdir()
        (site / left_over).write_text("mine")
        with pytest.raises(LogError, match=rf"{left_over}: is there already"):
            restore(tmp_path / "b.db", site / "readings.db")
        assert (site / left_over).read_text() == "mine"
    assert other.read_text() == "mine"


def test_what_was_left_of_a_copy_that_was_cut_is_no_hindrance(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    filled(path, 2)
    (tmp_path / "b.db.part").write_bytes(b"half a copy")
    (tmp_path / "b.db.part-journal").write_bytes(b"half a journal")
    assert back_up(path, tmp_path / "b.db").is_whole
    assert not list(tmp_path.glob("*.part*"))


def test_a_backup_goes_back_whole_and_is_written_on(tmp_path: Path) -> None:
    path, site = tmp_path / "readings.db", tmp_path / "site"
    site.mkdir()
    filled(path)
    back_up(path, tmp_path / "b.db")
    check = restore(tmp_path / "b.db", site / "readings.db")
    assert check.is_whole
    assert values(site) == values(path)
    with LogWriter(site / "readings.db") as writer:
        (number,) = writer.sensor_numbers({}).values()
        assert writer.append(rows(number, writer.newest_segment(), 8 * 360 - 1, 8 * 360 + 1)) == 1


def damage(path: Path) -> int:
    """One turned bit in one block; returns its first stamp."""
    db = sqlite3.connect(path)
    number, first_ms, body = db.execute("SELECT id, first_ms, body FROM block ORDER BY id LIMIT 1 OFFSET 2").fetchone()
    db.execute("UPDATE block SET body = ? WHERE id = ?", (body[:40] + bytes([body[40] ^ 1]) + body[41:], number))
    db.commit()
    db.close()
    return int(first_ms)


def test_a_damaged_log_is_told_and_copied_as_it_is_and_not_put_back_unasked(tmp_path: Path) -> None:
    path, site = tmp_path / "readings.db", tmp_path / "site"
    site.mkdir()
    filled(path)
    first_ms = damage(path)
    check = check_log(path)
    assert (check.is_whole, check.faults, check.readings) == (False, (), 7 * 360)
    assert [(one.first_ms, one.readings) for one in check.damaged] == [(first_ms, 360)]
    assert back_up(path, tmp_path / "b.db").damaged == check.damaged
    with pytest.raises(LogDamaged, match="--even-damaged"):
        restore(tmp_path / "b.db", site / "readings.db")
    assert not (site / "readings.db").exists()
    restore(tmp_path / "b.db", site / "readings.db", even_damaged=True)
    assert values(site) == values(path)


@pytest.mark.parametrize("page", ["table", "index", "fresh", "segment"])
def test_a_check_finds_a_wiped_page_wherever_it_is(tmp_path: Path, page: str) -> None:
    path = tmp_path / "readings.db"
    filled(path, 40)
    with LogWriter(path) as writer:
        (number,) = writer.sensor_numbers({}).values()
        writer.append([(BEGIN_MS + 10**9 + k, number, 1, k / 7, 0, None, None) for k in range(3000)])
    name = {"table": "block", "index": "block_time", "fresh": "reading", "segment": "segment"}[page]
    db = sqlite3.connect(path)
    pages = db.execute("SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf'", (name,)).fetchall()
    (size,) = db.execute("PRAGMA page_size").fetchone()
    db.close()
    content = bytearray(path.read_bytes())
    at = (pages[len(pages) // 2][0] - 1) * size
    content[at : at + size] = bytes(size)
    path.write_bytes(content)
    check = check_log(path)
    assert not check.is_whole
    assert check.faults
    result = run("verify", path)
    assert result.exit_code == 1
    assert "it is not whole" in result.stderr and "Traceback" not in result.output


def test_fresh_readings_that_cannot_be_read_are_told_without_bounds_that_nobody_knows(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        number = writer.sensor_numbers({"level": Kind.LEVEL})["level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), BEGIN_MS, trusted=True)
        writer.append(rows(number, segment, 0, 2_000))
    with sqlite3.connect(path) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'reading'").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
    db.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(bytes(size))
    told = run("verify", path)
    assert isinstance(told.exception, SystemExit) and told.exit_code == 1
    assert "the log's beginning to the log's end: an unknown number of readings lost" in told.stderr
    assert json.loads(run("verify", path, "--json").stdout)["damaged"][0]["last_utc"].startswith("9999")


def test_a_reading_that_is_there_twice_is_found(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    filled(path)
    db = sqlite3.connect(path)
    db.execute("INSERT INTO reading VALUES (?, 1, 1, 5.0, 0, NULL, NULL)", (BEGIN_MS + 10_000,))
    db.execute("INSERT INTO reading VALUES (?, 9, 8, 5.0, 0, NULL, NULL)", (BEGIN_MS,))
    db.commit()
    db.close()
    assert check_log(path).faults == (
        "1 readings are there twice, fresh and sealed",
        "1 rows of reading belong to no segment",
        "1 readings belong to no sensor",
    )


# --- the commands ----------------------------------------------------------------------------------------------------


@pytest.fixture
def site(tmp_path: Path) -> Path:
    site = make_site(tmp_path / "site", [("2026-03-28T10:00:00", "house_level", 560)])
    with Notebook(site) as notebook:
        notebook.add(Dip(0, "house", 1.0, 0.005), 0)
    return site


def test_a_backup_into_a_folder_has_its_time_in_its_name_and_the_notebook_beside_it(site: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    kept.mkdir()
    result = run("backup", kept, "--site", site)
    assert result.exit_code == 0, result.output
    log, notebook = sorted(kept.iterdir(), key=lambda path: path.name.count("."))
    assert re.fullmatch(r"readings-\d{8}T\d{6}Z\.db", log.name)
    assert notebook.name == log.stem + ".notebook.db"
    assert "1 readings" in result.stdout
    fresh = tmp_path / "new"
    fresh.mkdir()
    result = run("restore", log, "--site", fresh)
    assert result.exit_code == 0, result.output
    assert (fresh / "site.toml").read_text() == SETTINGS
    assert {path.name for path in fresh.iterdir()} == {"readings.db", "readings.db.lock", "notebook.db", "site.toml"}
    assert run("now", "--site", fresh, "--as-of", "2026-03-28T10:00:05").exit_code == 0
    again = run("restore", log, "--site", fresh)
    assert (again.exit_code, type(again.exception).__name__) == (1, "LogError")
    assert "is there already, and nothing is overwritten" in str(again.exception)


def test_a_stick_that_is_not_mounted_is_told_and_nothing_is_written(site: Path, tmp_path: Path) -> None:
    result = run("backup", tmp_path / "stick", "--site", site)
    assert result.exit_code != 0 and "is the stick mounted?" in str(result.exception)
    assert not (tmp_path / "stick").exists()


def test_of_the_backups_in_a_folder_so_many_stay(site: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    kept.mkdir()
    for day in ("01", "02", "03"):
        for ending in (".db", ".notebook.db"):
            (kept / f"readings-202601{day}T000000Z{ending}").write_text("an old one")
    (kept / "readings-mine.db").write_text("not one of ours")
    result = run("backup", kept, "--site", site, "--keep", 2)
    assert result.exit_code == 0, result.output
    names = sorted(path.name for path in kept.iterdir())
    assert [name for name in names if name.startswith("readings-2026010")] == [
        "readings-20260103T000000Z.db",
        "readings-20260103T000000Z.notebook.db",
    ]
    assert "readings-mine.db" in names and len(names) == 5


def test_verify_says_in_one_line_that_all_is_well(site: Path) -> None:
    result = run("verify", "--site", site)
    assert result.exit_code == 0, result.output
    assert "It is whole" in result.stdout
    assert run("verify", site / "readings.db").exit_code == 0


def test_verify_in_json_has_the_documented_keys_and_exit_code_1_for_damage(site: Path, tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    filled(path)
    with LogWriter(path) as writer:
        segment = writer.begin_segment(writer.begin_boot("logger", "c", 0), BEGIN_MS, trusted=True)
        writer.append(rows(1, segment, 9 * 360, 9 * 360 + 1))
    damage(path)
    result = run("verify", path, "--json")
    assert result.exit_code == 1
    told = json.loads(result.stdout)
    assert len(told["gaps"]) == 1
    parts = {f"{part}[].{key}" for part in ("damaged", "gaps") for key in told[part][0]}
    found = parts | set(told) - {"damaged", "gaps"}
    documented = set(re.findall(r"^\| `([^`]+)` \| [^|]+ \| [^|]+ \|$", DOCUMENT.read_text("utf-8"), re.M))
    assert found == documented
    assert (told["is_whole"], told["damaged"][0]["readings"]) == (False, 360)
    told_gap = "no logger from 2026-05-29T03:59:50Z to 2026-05-29T05:00:00Z: it had been cut off"
    assert told_gap in run("verify", path).stdout
    assert json.loads(run("verify", "--site", site, "--json").stdout)["is_whole"] is True


def test_a_file_that_is_no_log_is_no_backup(site: Path, tmp_path: Path) -> None:
    other = tmp_path / "x.db"
    other.write_text("x" * 2000)
    for command in (("verify", other), ("restore", other, "--site", tmp_path)):
        result = run(*command)
        assert "not a rainstead log" in str(result.exception)
    shutil.rmtree(site)
    assert "there is no log here" in str(run("backup", tmp_path / "b.db", "--site", site).exception)


def test_an_answer_that_leaves_a_damaged_hour_out_says_so(site: Path) -> None:
    with LogWriter(site / "readings.db") as writer:
        assert writer.seal_some(2**60) == 1
        writer._db.execute("UPDATE block SET body = x'00'")
    result = run("replay", "--site", site, "--as-of", "2026-03-28T10:00:05")
    assert "0 readings worked out again" in result.stdout
    assert "damaged stretches of the log, left out here, of an hour or of far more: 1" in result.stderr
    assert "rainstead verify" in result.stderr
