"""Sealed hours: bytes a reading, how long sealing holds a commit up, reading speed, and memory over a simulated year.

Run: .venv/bin/python tests/bench/bench_sealed.py [year] [demo] [full] [beside]; the year takes some minutes.
"""

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from rainstead.log import Columns, LogReader, LogWriter, Row
from rainstead.log.sealed import hour_is_closed
from rainstead.readings import F64, Kind
from rainstead.settings import parse_settings
from rainstead_board.twin.invented import demo_history, demo_settings_text
from rainstead_board.twin.sense import history

sys.path.insert(0, str(Path(__file__).parent))
from measured import cpu_s, machine, resident_mib

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BEGIN_MS = 1_780_000_000_000 - 1_780_000_000_000 % DAY_MS
FAR_MS = 2**60
YEAR_DAYS = 365
MONTH_DAYS = 30


def main() -> None:
    """Print the figures: of the parts named on the command line, or of all."""
    parts = {"year": _year, "demo": _demo, "full": _full, "beside": _beside}
    asked = sys.argv[1:] or list(parts)
    print(f"sealed hours; {machine()}")
    for name in asked:
        with tempfile.TemporaryDirectory() as folder:
            parts[name](Path(folder) / "readings.db")


def _demo(path: Path) -> None:
    """The demo's 60 days."""
    settings = parse_settings(demo_settings_text(), "demo")
    kinds = {block[0]: Kind.LEVEL for block in history(demo_history(settings, end_ms=BEGIN_MS, days=60), settings, 7)}
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(kinds)
        segment = writer.begin_segment(writer.begin_boot("twin", "bench", 0), 0, trusted=True)
        for block in history(demo_history(settings, end_ms=BEGIN_MS, days=60), settings, 7):
            writer.append_columns(segment, numbers, [Columns(*block)])
    fresh_s, rows = _read(path)
    fetch_s, scan_s = _bare(path)
    before = _used(path)
    took = _seal_all(path)
    sealed_s, _ = _read(path)
    after = _used(path)
    db = sqlite3.connect(path)
    ((bodies,),) = db.execute("SELECT sum(length(body)) FROM block")
    ((few,),) = db.execute("SELECT total(1) FROM block")
    db.close()
    print(f"  the demo's 60 days, {rows:,} readings in {few:.0f} blocks")
    print(
        f"    bytes a reading     rows {before / rows:5.2f}   sealed {after / rows:5.2f}, pages and index with it;"
        f" the blocks alone {bodies / rows:4.2f}"
    )
    print(f"    so a year is        {after / 60 * 365 / 1e6:5.1f} MB")
    print(f"    sealing an hour     {_spread(*took)}")
    print(
        f"    reading, M a second rows {rows / fresh_s / 1e6:4.2f}   sealed {rows / sealed_s / 1e6:4.2f}   "
        f"SQLite's rows into Python {rows / fetch_s / 1e6:4.2f}, its own scan {rows / scan_s / 1e6:4.2f}"
    )


def _full(path: Path) -> None:
    """Three rangers at 1 Hz: the most that an hour holds."""
    rng = np.random.default_rng(1)
    t_ms = BEGIN_MS + np.arange(6 * 3600) * 1000
    with LogWriter(path) as writer:
        kinds = {f"level_{n}": Kind.LEVEL for n in range(3)}
        numbers = writer.sensor_numbers(kinds)
        segment = writer.begin_segment(writer.begin_boot("twin", "bench", 0), 0, trusted=True)
        for n, name in enumerate(kinds):
            value = np.round(1300 + rng.normal(0, 2, len(t_ms)))
            spread = np.round(rng.random(len(t_ms)) * 3, 1)
            # Polled by a busy board: some milliseconds early or late.
            jitter = rng.integers(0, 9, len(t_ms))
            good = np.zeros(len(t_ms), np.uint8)
            writer.append_columns(segment, numbers, [Columns(name, t_ms + n * 40 + jitter, value, good, spread)])
    took = _seal_all(path)
    print(f"  three rangers at 1 Hz, stamps with 9 ms of jitter: {_used(path) / (3 * len(t_ms)):4.2f} bytes a reading")
    print(f"    sealing a piece     {_spread(*took)}")


def _beside(path: Path) -> None:
    """Commits of three rangers at 1 Hz every 10 s, without waiting: alone, then with a piece sealed after each of them.

    The log has three days of unsealed hours, as after a long stay of an older version. The logger commits and seals in
    one thread: what a piece takes is the most by which it can hold a commit up.
    """
    rng = np.random.default_rng(3)
    hours = 72
    kinds = {f"level_{n}": Kind.LEVEL for n in range(3)}
    t_ms = BEGIN_MS + np.arange(hours * 3600) * 1000
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(kinds)
        segment = writer.begin_segment(writer.begin_boot("twin", "bench", 0), 0, trusted=True)
        for n, name in enumerate(kinds):
            value = np.round(1300 + rng.normal(0, 2, len(t_ms)))
            spread = np.round(rng.random(len(t_ms)) * 3, 1)
            good = np.zeros(len(t_ms), np.uint8)
            writer.append_columns(segment, numbers, [Columns(name, t_ms + n * 40, value, good, spread)])
    now_ms = int(t_ms[-1]) + 1000
    alone: list[tuple[float, float]] = []
    commits: list[tuple[float, float]] = []
    pieces: list[tuple[float, float]] = []
    with LogWriter(path) as writer:
        for k in range(1000):
            rows: list[Row] = [
                (now_ms + (10 * k + j) * 1000 + n * 40, numbers[name], segment, 1300.0 + j, 0, 1.5, 8)
                for j in range(10)
                for n, name in enumerate(kinds)
            ]
            if k < 500:
                alone.append(_timed(partial(writer.append, rows)))
                continue
            commits.append(_timed(partial(writer.append, rows)))
            pieces.append(_timed(partial(writer.seal_some, now_ms)))
            if not hour_is_closed(writer._db, now_ms):
                break
    print(f"  {hours} h of three rangers at 1 Hz, {3 * len(t_ms):,} readings unsealed; sealed beside commits of 10 s")
    for what, timed in (("commits alone", alone), ("commits beside it", commits), ("pieces sealed", pieces)):
        took, used = (np.array(column) for column in zip(*timed, strict=True))
        over, busy = int(np.count_nonzero(took > 0.1)), int(np.count_nonzero(used > 0.1))
        print(f"    {what:19} {_spread(took, used)}")
        print(f"    {'':19} over 100 ms: {over} of {len(took)} by the clock, {busy} of the processor")


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds by the clock, and of the processor."""
    begun = time.perf_counter(), cpu_s()
    work()
    return time.perf_counter() - begun[0], cpu_s() - begun[1]


def _year(path: Path) -> None:
    """Readings of three rangers every 10 s for a year, committed and sealed as the logger does it, without waiting.

    Six commits an hour stand for 360: what is held in memory is the same, and the year takes minutes.
    """
    rng = np.random.default_rng(2)
    months: list[float] = []
    begun_s = cpu_s()
    # Made beforehand: what the bench remembers must not look like what the log does.
    took, used, many = np.zeros(YEAR_DAYS * 48), np.zeros(YEAR_DAYS * 48), 0
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers({"a": Kind.LEVEL, "b": Kind.LEVEL, "c": Kind.LEVEL, "gauge": Kind.TIP})
        segment = writer.begin_segment(writer.begin_boot("logger", "bench", 0), 0, trusted=True)
        for hour in range(YEAR_DAYS * 24):
            value = (1300 + rng.integers(-3, 4, (6, 60, 3))).astype(float).tolist()
            spread = (rng.integers(5, 35, (6, 60, 3)) / 10).tolist()
            for k in range(6):
                first_ms = BEGIN_MS + hour * HOUR_MS + k * 600_000
                rows: list[Row] = [
                    (first_ms + j * 10_000, numbers[name], segment, value[k][j][n], 0, spread[k][j][n], 8)
                    for j in range(60)
                    for n, name in enumerate("abc")
                ]
                writer.append(rows)
                begun = time.perf_counter(), cpu_s()
                if writer.seal_some(first_ms):
                    took[many], used[many] = time.perf_counter() - begun[0], cpu_s() - begun[1]
                    many += 1
            if (hour + 1) % (MONTH_DAYS * 24) == 0:
                writer.save_checkpoint(BEGIN_MS + hour * HOUR_MS, "d", "x" * 5000)
                months.append(resident_mib())
    size, readings = path.stat().st_size, YEAR_DAYS * 24 * 360 * 3
    print(f"  a year: {readings:,} readings, {size / 1e6:.1f} MB, {size / readings:.2f} bytes a reading")
    print(f"    sealing an hour      {_spread(took[:many], used[:many])}")
    print(f"    processor            {(cpu_s() - begun_s) / YEAR_DAYS:.2f} s a day")
    # The first month fills caches.
    slope = np.polyfit(np.arange(len(months) - 1), np.array(months[1:]) * 1024, 1)[0]
    print(f"    resident             {', '.join(f'{mib:.1f}' for mib in months)} MiB: {slope:+.1f} KiB a month")


def _seal_all(path: Path) -> tuple[list[float], list[float]]:
    """Seconds by the clock, and of the processor, of each piece."""
    took: list[float] = []
    used: list[float] = []
    with LogWriter(path) as writer:
        while True:
            begun = time.perf_counter(), cpu_s()
            if not writer.seal_some(FAR_MS):
                return took, used
            took.append(time.perf_counter() - begun[0])
            used.append(cpu_s() - begun[1])


def _spread(took: Sequence[float] | F64, used: Sequence[float] | F64) -> str:
    told = []
    for seconds in (took, used):
        middle, high, most = (float(np.quantile(seconds, q)) * 1000 for q in (0.5, 0.99, 1))
        told.append(f"{middle:.1f} ms, 99 of 100 under {high:.1f}, at most {most:.1f}")
    return f"{told[0]}; of the processor {told[1]}"


def _used(path: Path) -> int:
    db = sqlite3.connect(path)
    names = ("page_count", "freelist_count", "page_size")
    pages, free, size = (int(db.execute(f"PRAGMA {name}").fetchone()[0]) for name in names)
    db.close()
    return (pages - free) * size


def _read(path: Path) -> tuple[float, int]:
    with LogReader(path) as reader:
        begun = cpu_s()
        rows = sum(len(batch) for batch in reader.batches())
        return cpu_s() - begun, rows


def _bare(path: Path) -> tuple[float, float]:
    db = sqlite3.connect(path)
    begun = cpu_s()
    cursor = db.execute("SELECT t_ms, sensor, value, quality, spread FROM reading")
    while cursor.fetchmany(50_000):
        pass
    fetched = cpu_s()
    db.execute("SELECT count(*), sum(value) FROM reading").fetchone()
    db.close()
    return fetched - begun, cpu_s() - fetched


if __name__ == "__main__":
    main()
