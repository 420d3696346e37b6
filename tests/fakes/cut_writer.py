"""Each way of writing to a log, cut off in its middle at many points, and what is found afterwards.

Run: cut_writer.py FOLDER OLD_LOG JOB; prints one JSON object. With a fourth argument the job runs once, uncut, on the
log that is there: for a tracer that cuts it from outside. It forks, so it is a process of its own.
"""

import contextlib
import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from killed_writer import BEGIN_MS, KINDS, STEP_MS, rows_of

from rainstead.log import Keep, LogReader, LogWriter, back_up, restore

STEPS = 40
EVERY = 3
"""Of SQLite's steps, each so many can be the last."""
NOW_MS = BEGIN_MS + 30 * 86_400_000
WRONG_MS = 10**9
_connect = sqlite3.connect


def make(path: Path) -> None:
    """Some sealed hours, some fresh rows, and a boot whose clock is wrong."""
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        boot = writer.begin_boot("logger", "b", 0)
        segment = writer.begin_segment(boot, BEGIN_MS - WRONG_MS, trusted=False)
        for step in range(STEPS):
            writer.append(rows_of(step, segment, BEGIN_MS - WRONG_MS, numbers))
        for _ in range(3):
            writer.seal_some(NOW_MS)


def migrate(path: Path) -> None:
    """Opening is all it takes."""
    LogWriter(path).close()


def seal(path: Path) -> None:
    """All of it."""
    with LogWriter(path) as writer:
        while writer.seal_some(NOW_MS):
            pass


def thin(path: Path) -> None:
    """What is sealed of it."""
    with LogWriter(path) as writer:
        while writer.thin_some(Keep(days=0)):
            pass


def correct(path: Path) -> None:
    """Sealed and fresh."""
    with LogWriter(path) as writer:
        writer.correct_boot(1, BEGIN_MS)


def checkpoint(path: Path) -> None:
    """The calculation's state, and SQLite's own checkpoint of the write-ahead log."""
    with LogWriter(path) as writer:
        for k in range(5):
            writer.save_checkpoint(NOW_MS + k, "d", "x" * 9000)
        writer._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def copy(path: Path) -> None:
    """To a new file beside it."""
    back_up(path, path.with_name("copy.db"))


def put_back(path: Path) -> None:
    """Into a new folder."""
    path.with_name("site").mkdir(exist_ok=True)
    restore(path, path.with_name("site") / "readings.db")


JOBS: dict[str, Callable[[Path], None]] = {
    "migration": migrate,
    "sealing": seal,
    "retention": thin,
    "correction": correct,
    "checkpoint": checkpoint,
    "backup": copy,
    "restore": put_back,
}


def gauge_and_total(path: Path) -> list[Any]:
    """What no job may change: each tip, and how many readings there are, thinned or not."""
    with LogReader(path) as reader:
        tips = [value for b in reader.batches(sensors=["gauge"]) for value in b.value.tolist()]
        minutes = reader.minutes()
        total = sum(len(b) for b in reader.batches()) + int((minutes.count + minutes.unusable).sum())
        return [sorted(tips), total, [str(hour) for hour in reader.damaged]]


def level_values(path: Path) -> list[float]:
    """Of the level that is still there in full."""
    with LogReader(path) as reader:
        return sorted(value for b in reader.batches(sensors=["level"]) for value in b.value[b.value > 0].tolist())


def stamps_shift(path: Path) -> set[int]:
    """By how much the stamps are off: all by the same, or the correction stands half done."""
    with LogReader(path) as reader:
        return {
            int(t) - BEGIN_MS - int(value) * STEP_MS
            for b in reader.batches(sensors=["gauge"])
            for t, value in zip(b.t_ms, b.value, strict=True)
        }


def run_cut(job: str, path: Path, cut: tuple[str, int]) -> int | None:
    """Run a job in a child that is cut at a point: after so many steps of SQLite's machine, or where a file would
    grow beyond so many bytes. Returns None if it was cut, else how many steps it took."""
    told, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(1)
        kind, at = cut
        if kind == "size":
            # The system ends a process that writes beyond this: in the middle of a page, whatever it is doing.
            signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            resource.setrlimit(resource.RLIMIT_FSIZE, (at, at))
        took = [0]

        def tick() -> int:
            if kind == "steps" and took[0] >= at:
                os.kill(os.getpid(), signal.SIGKILL)
            took[0] += 1
            return 0

        def connect(*args: Any, **named: Any) -> sqlite3.Connection:
            db: sqlite3.Connection = _connect(*args, **named)
            db.set_progress_handler(tick, EVERY)
            return db

        sqlite3.connect = connect  # type: ignore[assignment]
        try:
            JOBS[job](path)
            os.write(tell, str(took[0]).encode())
        except BaseException:
            os._exit(7)
        os._exit(0)
    os.close(tell)
    with os.fdopen(told) as pipe:
        heard = pipe.read()
    _, status = os.waitpid(child, 0)
    return None if os.WIFSIGNALED(status) else int(heard or 0)


def main() -> None:
    """Find how far a job goes, then cut it at points all along its way."""
    folder, old_log, job = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
    if len(sys.argv) > 4:
        JOBS[job](folder / "readings.db")
        return
    base = folder / "base.db"
    if job == "migration":
        shutil.copy(old_log, base)
    else:
        make(base)
    draw = random.Random(job)
    before = gauge_and_total(base)
    levels = level_values(base)
    trial = folder / "trial"
    trial.mkdir()
    steps = run_cut(job, Path(shutil.copy(base, trial / "readings.db")), ("steps", 2**60))
    assert steps, f"{job} took no steps"
    cuts = [("steps", draw.randrange(steps)) for _ in range(16)]
    size = base.stat().st_size
    cuts += [("size", draw.randrange(1, size)) for _ in range(6)] + [("size", size + k * 2100) for k in range(8)]
    struck, wrong = 0, []
    for k, cut in enumerate(cuts):
        here = folder / f"{k}"
        here.mkdir()
        path = here / "readings.db"
        shutil.copy(base, path)
        struck += run_cut(job, path, cut) is None
        wrong += [f"{cut}: {fault}" for fault in look(job, path, before, levels)]
        try:
            if job in ("backup", "restore"):
                shutil.rmtree(here / "site", ignore_errors=True)
                (here / "copy.db").unlink(missing_ok=True)
            JOBS[job](path)
            wrong += [f"{cut}, again: {fault}" for fault in look(job, path, before, levels, done=True)]
        except Exception as error:
            wrong.append(f"{cut}: cannot be done again: {error!r}")
        shutil.rmtree(here)
    print(json.dumps({"cuts": len(cuts), "struck": struck, "wrong": wrong}))


def look(job: str, path: Path, before: list[Any], levels: list[float], *, done: bool = False) -> list[str]:
    """What is wrong after a cut, or after the job was done at last."""
    wrong = []
    with contextlib.closing(_connect(f"file:{path}?mode=ro", uri=True)) as db:
        if (told := db.execute("PRAGMA integrity_check").fetchall()) != [("ok",)]:
            wrong.append(f"integrity: {told}")
        (fresh,) = db.execute("SELECT count(*) FROM reading").fetchone()
    if gauge_and_total(path) != before:
        wrong.append("readings are lost or doubled")
    if job == "retention":
        if done and len(level_values(path)) >= len(levels):
            wrong.append("nothing was thinned")
    elif level_values(path) != levels:
        wrong.append("a level was altered")
    if job == "sealing" and done and fresh:
        wrong.append("not all was sealed")
    if job == "correction" and (len(shift := stamps_shift(path)) != 1 or (done and shift != {5})):
        wrong.append(f"stamps are off by {shift}")
    for name in ("copy.db", "site/readings.db"):
        # A copy is there whole, or it is not there.
        there = path.with_name(name) if "/" not in name else path.parent / name
        if there.exists():
            if gauge_and_total(there) != before or level_values(there) != levels:
                wrong.append(f"{name} is not what was copied")
        elif done and job == {"copy.db": "backup"}.get(name, "restore"):
            wrong.append(f"{name} is not there")
    return wrong


if __name__ == "__main__":
    main()
