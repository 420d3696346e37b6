"""A site's folder that the household's desk shares with the services, each as a user of its own."""

import contextlib
import os
import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rainstead.errors import LogError
from rainstead.log import LogReader, LogWriter
from rainstead.notebook import Notebook, RunNote, read_entries
from rainstead.readings import Kind

NOBODY, DESK, GROUP = 65534, 65533, 65532
IS_ROOT = os.geteuid() == 0


@contextmanager
def being(user: int) -> Iterator[None]:
    """As that user, in the group, where we are root; else as ourselves."""
    if not IS_ROOT:
        yield
        return
    groups, umask = os.getgroups(), os.umask(0o027)
    os.setgroups([GROUP])
    os.setegid(GROUP if user == NOBODY else user)
    os.seteuid(user)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups(groups)
        os.umask(umask)


@pytest.fixture
def folder() -> Iterator[Path]:
    """Of the logger's user, as the installer makes it. Not in pytest's own folder, which root alone may enter."""
    path = Path(tempfile.mkdtemp(prefix="rainstead-shared-"))
    if IS_ROOT:
        os.chown(path, NOBODY, GROUP)
    path.chmod(0o2770)
    yield path
    shutil.rmtree(path)


def written(folder: Path, count: int) -> None:
    """The logger's part: so many readings more."""
    with being(NOBODY), LogWriter(folder / "readings.db") as writer:
        (number,) = writer.sensor_numbers({"level": Kind.LEVEL}).values()
        segment = writer.begin_segment(writer.begin_boot("logger", "a boot", 0), 0, trusted=True)
        writer.append([(segment * 1000 + k, number, segment, 900.0, 0, None, None) for k in range(count)])


def counted(folder: Path) -> int:
    with LogReader(folder) as reader:
        return sum(len(batch) for batch in reader.batches())


def test_a_desk_that_reads_while_no_logger_runs_does_not_lock_the_logger_out(folder: Path) -> None:
    written(folder, 3)
    with being(DESK):
        assert counted(folder) == 3
        for part in ("-shm", "-wal"):  # as they are beside a log of an older rainstead
            (folder / f"readings.db{part}").touch()
            (folder / f"readings.db{part}").chmod(0o400)
    written(folder, 2)
    assert counted(folder) == 5


def test_what_a_desk_lays_beside_the_log_can_be_written_by_the_logger(folder: Path) -> None:
    written(folder, 3)
    log = folder / "readings.db"
    assert stat.S_IMODE(log.stat().st_mode) & 0o077 == 0o060
    with being(DESK), LogReader(folder) as reader:
        assert reader.count() is not None
        left = [part for part in folder.iterdir() if part.name.endswith(("-wal", "-shm"))]
        assert left and all(part.stat().st_mode & stat.S_IWGRP for part in left)
        if IS_ROOT:
            assert {part.stat().st_gid for part in left} == {GROUP}


def test_a_note_that_one_user_left_half_written_is_taken_back_by_another(folder: Path) -> None:
    with being(DESK), Notebook(folder) as notebook:
        notebook.add(RunNote(t_ms=1000, nozzle="wide", to=None), 1000)
    notes = folder / "notebook.db"
    # As a power cut leaves it: pages on their way, and the journal that takes them back.
    with being(DESK), contextlib.closing(sqlite3.connect(notes, isolation_level=None)) as db:
        db.execute("PRAGMA cache_size = 1")
        db.execute("PRAGMA cache_spill = 1")
        db.execute("BEGIN IMMEDIATE")
        for number in range(400):
            db.execute("INSERT INTO entry VALUES (NULL, 0, 0, 'run', ?, NULL)", (f"{number}" * 200,))
        cut = [(part, part.read_bytes()) for part in (notes, folder / "notebook.db-journal")]
        mode = cut[1][0].stat().st_mode
        db.execute("ROLLBACK")
    with being(DESK):
        for part, content in cut:
            part.write_bytes(content)
            part.chmod(stat.S_IMODE(mode))
    with being(NOBODY):
        (entry,) = read_entries(folder)
    assert entry.entry == RunNote(t_ms=1000, nozzle="wide", to=None)
    assert not (folder / "notebook.db-journal").exists()


def test_a_folder_of_ones_own_stays_ones_own(tmp_path: Path) -> None:
    with LogWriter(tmp_path / "readings.db"):
        pass
    assert not (tmp_path / "readings.db").stat().st_mode & stat.S_IWGRP


def test_a_write_ahead_log_with_something_in_it_is_never_taken_away(folder: Path) -> None:
    written(folder, 3)
    wal = folder / "readings.db-wal"
    wal.write_bytes(b"something")
    wal.chmod(0o400)
    with pytest.raises(LogError):
        written(folder, 1)
    assert wal.read_bytes() == b"something"
