"""The notebook: entries are written once, by whoever, and never altered."""

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from threading import Barrier

import pytest

from rainstead.notebook import (
    Delivery,
    Dip,
    Entry,
    EntryUnknown,
    Forecast,
    FuelFill,
    KnownVolume,
    NotANotebook,
    Notebook,
    NotebookError,
    NotebookTooNew,
    Notes,
    RunNote,
    read_entries,
    read_notes,
)

ALL: tuple[Entry, ...] = (
    Dip(10, "house", 1.25, 0.005),
    Delivery(20, 30, "house", 9000.0, 180.0),
    KnownVolume(40, 50, "pool", -200.0, 1.0),
    FuelFill(60, 1.1, 0.03),
    RunNote(70, "12 mm, höchste Stufe", "ground"),
    Forecast(80, 100, 200, 5.0, 12.5, 30.0),
)


def test_every_kind_of_entry_is_read_as_it_was_written(tmp_path: Path) -> None:
    with Notebook(tmp_path) as notebook:
        assert [notebook.add(entry, 1000) for entry in ALL] == [1, 2, 3, 4, 5, 6]
    assert tuple(kept.entry for kept in read_entries(tmp_path)) == ALL
    assert read_notes(tmp_path) == Notes(*((entry,) for entry in ALL))  # type: ignore[arg-type]


def test_a_site_without_a_notebook_has_no_notes_and_gets_no_file(tmp_path: Path) -> None:
    assert read_notes(tmp_path) == Notes()
    assert list(tmp_path.iterdir()) == []


def test_entries_come_in_order_of_when_they_happened_not_of_when_they_were_written(tmp_path: Path) -> None:
    with Notebook(tmp_path) as notebook:
        notebook.add(Dip(500, "house", 1.0, 0.005), 1000)
        notebook.add(Dip(100, "house", 0.5, 0.005), 2000)
    assert [dip.t_ms for dip in read_notes(tmp_path).dips] == [100, 500]


def test_what_happened_after_the_time_asked_for_is_not_known_yet(tmp_path: Path) -> None:
    with Notebook(tmp_path) as notebook:
        for entry in ALL:
            notebook.add(entry, 1000)
    known = read_notes(tmp_path, upto_ms=45)
    assert (len(known.dips), len(known.deliveries), len(known.known_volumes), len(known.forecasts)) == (1, 1, 0, 0)


def test_an_entry_struck_out_stays_in_the_book_and_counts_no_more(tmp_path: Path) -> None:
    with Notebook(tmp_path) as notebook:
        number = notebook.add(ALL[0], 1000)
        assert notebook.strike(number, 2000).entry == ALL[0]
        with pytest.raises(EntryUnknown, match="already"):
            notebook.strike(number, 3000)
        with pytest.raises(EntryUnknown, match="no entry 7"):
            notebook.strike(7, 3000)
        assert [kept.struck_ms for kept in notebook.entries()] == [2000]
    assert read_notes(tmp_path) == Notes()


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM entry",
        "UPDATE entry SET body = '{}'",
        "UPDATE entry SET t_ms = 0",
        "UPDATE entry SET struck_ms = 5, kind = 'fuel'",
    ],
)
def test_the_file_itself_refuses_to_alter_an_entry(tmp_path: Path, statement: str) -> None:
    with Notebook(tmp_path) as notebook:
        notebook.add(ALL[0], 1000)
    with closing(sqlite3.connect(tmp_path / "notebook.db")) as db, pytest.raises(sqlite3.IntegrityError):
        db.execute(statement)
    assert read_notes(tmp_path).dips == (ALL[0],)


def test_a_number_is_never_given_twice(tmp_path: Path) -> None:
    with Notebook(tmp_path) as notebook:
        first = notebook.add(ALL[0], 1000)
        notebook.strike(first, 1500)
        assert notebook.add(ALL[0], 2000) == first + 1


def test_a_notebook_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    Notebook(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "notebook.db")) as db:
        db.execute("PRAGMA user_version = 99")
    for opened in (lambda: read_notes(tmp_path), lambda: Notebook(tmp_path)):
        with pytest.raises(NotebookTooNew, match="schema 99"):
            opened()


@pytest.mark.parametrize("content", [b"x", b"depth,volume\n" * 500, b"\0" * 5000])
def test_what_is_no_notebook_is_refused_and_left_as_it_is(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "notebook.db").write_bytes(content)
    for opened in (lambda: read_notes(tmp_path), lambda: Notebook(tmp_path)):
        with pytest.raises(NotANotebook, match=r"notebook\.db"):
            opened()
    assert (tmp_path / "notebook.db").read_bytes() == content


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "notebook.db")) as db:
        db.execute("CREATE TABLE mine (x)")
    with pytest.raises(NotANotebook):
        Notebook(tmp_path)


def test_an_empty_file_becomes_a_notebook(tmp_path: Path) -> None:
    (tmp_path / "notebook.db").touch()
    assert read_notes(tmp_path) == Notes()
    with Notebook(tmp_path) as notebook:
        notebook.add(ALL[0], 1000)
    assert read_notes(tmp_path).dips == (ALL[0],)


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(NotebookError, match="cannot be used"):
        Notebook(tmp_path / "nowhere" / "notebook.db")


WRITER = """
import sys
from pathlib import Path
from threading import Barrier
from rainstead.notebook import Dip, Notebook
folder, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
for k in range(count):
    with Notebook(folder) as notebook:
        print(notebook.add(Dip(k, name, 1.0, 0.005), k), flush=True)
"""


@pytest.fixture
def writers() -> Iterator[list[subprocess.Popen[str]]]:
    started: list[subprocess.Popen[str]] = []
    yield started
    for process in started:
        if process.poll() is None:
            process.kill()
        process.wait()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.close()
        process.stdout.close()


def start(folder: Path, name: str, count: int) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder), name, str(count)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def go(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("go\n")
    process.stdin.flush()


def test_many_open_the_notebook_at_once_while_one_of_them_begins_it(tmp_path: Path) -> None:
    def opened(folder: Path, all_there: Barrier) -> None:
        all_there.wait()
        Notebook(folder).close()

    with ThreadPoolExecutor(4) as pool:
        for k in range(60):
            folder, all_there = tmp_path / str(k), Barrier(4)
            folder.mkdir()
            for done in [pool.submit(opened, folder, all_there) for _ in range(4)]:
                done.result()


def test_two_processes_write_at_once_from_no_file_on_and_nothing_is_lost(
    tmp_path: Path, writers: list[subprocess.Popen[str]]
) -> None:
    writers += [start(tmp_path, name, 25) for name in ("a", "b")]
    for process in writers:
        go(process)
    for process in writers:
        assert process.wait(60) == 0
    dips = read_notes(tmp_path).dips
    assert sorted((dip.tank, dip.t_ms) for dip in dips) == [(name, k) for name in ("a", "b") for k in range(25)]


def test_what_was_said_to_be_written_survives_a_kill(tmp_path: Path, writers: list[subprocess.Popen[str]]) -> None:
    for life in range(3):
        process = start(tmp_path, f"life {life}", 10_000)
        writers.append(process)
        go(process)
        assert process.stdout is not None
        told = [int(process.stdout.readline()) for _ in range(4 + 3 * life)]
        os.kill(process.pid, signal.SIGKILL)
        process.wait(10)
        told += [int(line) for line in process.stdout.read().splitlines() if line]
        numbers = [kept.number for kept in read_entries(tmp_path)]
        assert set(told) <= set(numbers)
        with closing(sqlite3.connect(tmp_path / "notebook.db")) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_write_that_was_cut_off_is_rolled_back_by_the_next_reader(tmp_path: Path) -> None:
    with Notebook(tmp_path) as notebook:
        notebook.add(ALL[0], 1000)
    # A hot journal: the writer dies with pages in the file and its journal beside it.
    cut = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA cache_size = 1")
db.execute("PRAGMA cache_spill = 1")
db.execute("BEGIN IMMEDIATE")
for k in range(2000):
    db.execute("INSERT INTO entry (added_ms, t_ms, kind, body) VALUES (1, 1, 'dip', ?)", ("x" * 900,))
os.kill(os.getpid(), 9)
"""
    subprocess.run([sys.executable, "-c", cut, str(tmp_path / "notebook.db")], check=False, timeout=60)
    assert (tmp_path / "notebook.db-journal").exists(), "the test made no hot journal"
    assert read_notes(tmp_path).dips == (ALL[0],)
