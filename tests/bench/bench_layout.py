"""How readings are laid out in SQLite: three candidates, the same rows. This is what schema 1 was chosen by.

Run: .venv/bin/python tests/bench/bench_layout.py
"""

import random
import sqlite3
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from measured import machine

ROWS = 600_000
CANDIDATES = {
    "time first, no rowid": (
        "CREATE TABLE reading (t_ms INTEGER, sensor INTEGER, segment INTEGER, value, quality INTEGER, spread,"
        " count INTEGER, PRIMARY KEY (t_ms, sensor, segment)) WITHOUT ROWID",
        "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?)",
        "SELECT t_ms, sensor, value, quality, spread FROM reading ORDER BY t_ms, sensor",
    ),
    "sequence and an index": (
        "CREATE TABLE reading (seq INTEGER PRIMARY KEY, t_ms INTEGER, sensor INTEGER, segment INTEGER, value,"
        " quality INTEGER, spread, count INTEGER); CREATE INDEX reading_time ON reading (t_ms)",
        "INSERT INTO reading (t_ms, sensor, segment, value, quality, spread, count) VALUES (?, ?, ?, ?, ?, ?, ?)",
        "SELECT t_ms, sensor, value, quality, spread FROM reading ORDER BY t_ms",
    ),
    "packed integer key": (
        "CREATE TABLE reading (key INTEGER PRIMARY KEY, segment INTEGER, value, quality INTEGER, spread, n INTEGER)",
        "INSERT INTO reading VALUES (? << 10 | ?, ?, ?, ?, ?, ?)",
        "SELECT key >> 10, key & 1023, value, quality, spread FROM reading ORDER BY key",
    ),
}


def _rows() -> list[tuple[int, int, int, float, int, float, int]]:
    rnd, t_ms, rows = random.Random(1), 1_780_000_000_000, []
    for _ in range(ROWS // 3):
        t_ms += 10_000
        rows += [
            (t_ms + rnd.randrange(30), s, 3, round(1200 + rnd.gauss(0, 3)), 0, round(rnd.random() * 3, 1), 8)
            for s in (1, 2, 3)
        ]
    return sorted(rows)


def main() -> None:
    """Print insert, scan and fetch rates and the bytes of a row for each candidate."""
    rows = _rows()
    print(f"layout of {ROWS} readings; {machine()}")
    for name, (tables, insert, select) in CANDIDATES.items():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "readings.db"
            db = sqlite3.connect(path, isolation_level=None)
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            for statement in tables.split(";"):
                db.execute(statement)
            marks = [time.perf_counter()]
            db.execute("BEGIN")
            db.executemany(insert, rows)
            db.execute("COMMIT")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            marks.append(time.perf_counter())
            db.execute("SELECT count(*), sum(value) FROM reading").fetchone()
            marks.append(time.perf_counter())
            cursor = db.execute(select)
            while cursor.fetchmany(50_000):
                pass
            marks.append(time.perf_counter())
            insert_s, scan_s, fetch_s = (b - a for a, b in pairwise(marks))
            print(
                f"  {name:24} insert {ROWS / insert_s / 1e3:5.0f} k/s  scan {ROWS / scan_s / 1e6:5.1f} M/s  "
                f"fetch {ROWS / fetch_s / 1e6:4.2f} M/s  {path.stat().st_size / ROWS:4.1f} B a reading"
            )
            db.close()


if __name__ == "__main__":
    main()
