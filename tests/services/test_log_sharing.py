"""A log in a folder that the household's desk shares with the logger, each as a user of its own."""

import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rainstead.errors import LogError
from rainstead.log import LogReader, LogWriter
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
