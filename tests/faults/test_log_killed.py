"""Whatever cuts the writer off: what was told to be on disk is there, once and unaltered, and the log opens again."""

import json
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cut_writer import JOBS
from killed_writer import BEGIN_MS, KINDS, STEP_MS, rows_of

from rainstead.log import LogReader, LogWriter

FAKES = Path(__file__).parents[1] / "fakes"
OLD_LOG = Path(__file__).parents[1] / "shared_logs" / "schema_1.db"
MEMORY = Path("/dev/shm")
KILLS = 75
LIVES = 4


@pytest.fixture
def quick(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: a kill loses nothing that the system was given, on whatever disk."""
    if not MEMORY.is_dir():
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        yield Path(folder)


def report(script: str, *arguments: object) -> Any:
    done = subprocess.run(
        [sys.executable, str(FAKES / script), *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=110,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("seed", range(LIVES))
def test_a_loaded_writer_that_is_killed_at_any_moment_loses_nothing(quick: Path, seed: int) -> None:
    """300 kills in all, while it appends, seals, thins, keeps states, corrects its clock and checkpoints."""
    assert LIVES * KILLS >= 300
    told = report("killed_writer.py", quick / "readings.db", seed, KILLS)
    assert told["wrong"] == []
    assert told["kills"] == KILLS
    assert told["acknowledged"] > KILLS
    # The kills fell among all of it.
    assert min(told["blocks"], told["thinned"], told["corrected"]) > 0


@pytest.mark.parametrize("seed", range(LIVES))
def test_a_logger_that_is_killed_at_any_moment_loses_no_more_than_a_commit_interval(quick: Path, seed: int) -> None:
    """300 kills of the logger itself: what it said to be on disk is there, and all else but its last seconds."""
    told = report("killed_logger.py", quick, seed, KILLS)
    assert told["wrong"] == []
    assert told["kills"] == KILLS
    # Hours of a site's life, so that hours were sealed and clocks set among the kills.
    assert told["acknowledged"] > 5000
    assert min(told["blocks"], told["corrected"]) > 0


@pytest.mark.parametrize("job", JOBS)
def test_a_cut_in_the_middle_of_any_way_of_writing_leaves_a_whole_log(quick: Path, job: str) -> None:
    told = report("cut_writer.py", quick, OLD_LOG, job)
    assert told["wrong"] == []
    assert told["struck"] >= 16, told


def test_a_write_ahead_log_that_ends_anywhere_holds_whole_commits(quick: Path) -> None:
    """A power cut leaves a part of what was on its way: each commit is there, or none of it."""
    path = quick / "readings.db"
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), BEGIN_MS, trusted=True)
        writer._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        ends = []
        for step in range(70):
            writer.append(rows_of(step, segment, BEGIN_MS, numbers))
            ends.append(Path(f"{path}-wal").stat().st_size)
            if step == 65:
                assert writer.seal_some(BEGIN_MS + step * STEP_MS) == 6 * 7
        whole = Path(f"{path}-wal").read_bytes()
        base = path.read_bytes()
    found = set()
    for k, end in enumerate([*range(0, len(whole), 1777), *ends]):
        here = quick / f"{k}.db"
        here.write_bytes(base)
        Path(f"{here}-wal").write_bytes(whole[:end])
        with LogWriter(here):
            pass
        with LogReader(here) as reader:
            count = reader.count()
        # Each commit's frames end where the file ended then; sealing changes no count.
        want = 7 * sum(one <= end for one in ends)
        assert count == want, f"cut at {end} of {len(whole)}"
        found.add(count)
    assert len(found) > 30


def test_a_cut_run_is_told_from_one_that_ended_in_order(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    minute_ms = 60_000

    def run(uuid: str, begin_ms: int, *, in_order: bool, trusted: bool = True) -> None:
        with LogWriter(path) as writer:
            numbers = writer.sensor_numbers(KINDS)
            boot = writer.begin_boot("logger", uuid, 0)
            segment = writer.begin_segment(boot, begin_ms, trusted=trusted)
            writer.append(
                [(begin_ms + k * minute_ms, numbers["level"], segment, 1.0, 0, None, None) for k in range(90)]
            )
            writer.seal_some(begin_ms + 90 * minute_ms)
            if in_order:
                writer.end_boot(boot, 90 * minute_ms)

    day_ms = 1440 * minute_ms
    run("one", 0, in_order=True)
    run("one", day_ms, in_order=False)
    run("two", 2 * day_ms, in_order=False)
    run("three", 3 * day_ms, in_order=True, trusted=False)
    with LogReader(path) as reader:
        gaps = reader.gaps()
    last_ms = 89 * minute_ms
    assert [(gap.from_ms, gap.to_ms) for gap in gaps] == [
        (last_ms, day_ms),
        (day_ms + last_ms, 2 * day_ms),
        (2 * day_ms + last_ms, 3 * day_ms),
    ]
    assert [gap.began_in_order for gap in gaps] == [True, False, False]
    assert [gap.same_boot for gap in gaps] == [True, False, False]
    assert [gap.is_dated for gap in gaps] == [True, True, False]


def test_of_runs_before_ends_were_kept_nobody_says_how_they_ended(tmp_path: Path) -> None:
    path = Path(shutil.copy(OLD_LOG, tmp_path / "readings.db"))
    with LogReader(path) as reader:
        before = reader.gaps()
    LogWriter(path).close()
    with LogReader(path) as reader:
        assert reader.gaps() == before
    assert [gap.began_in_order for gap in before] == [None]
    db = sqlite3.connect(path)
    assert db.execute("SELECT boot, boot_ms FROM stop ORDER BY boot").fetchall() == [(1, None), (2, None)]
    db.close()
