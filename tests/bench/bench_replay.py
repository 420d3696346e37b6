"""Readings a second on replay, against SQLite's own scan of the same file and a bare fetch of it into Python.

Run: .venv/bin/python tests/bench/bench_replay.py
"""

import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from rainstead.derive import Deriver
from rainstead.log import Columns, LogReader, LogWriter
from rainstead.readings import Kind
from rainstead.replay import replay
from rainstead.settings import Settings, parse_settings

sys.path.insert(0, str(Path(__file__).parent))
from measured import machine

DAYS = 40
SITE = (
    """
[site]
name = "bench"
time_zone = "UTC"
latitude_deg = 0
[sensors.gauge]
kind = "tipping-bucket"
gpio = 5
calibrations = [{ depth_per_tip = 0.2 }]
[sensors.air]
kind = "one-wire"
path = "none"
"""
    + "".join(
        f"""
[sensors.level_{n}]
kind = "ranger-binary"
port = "/dev/none{n}"
air = "air"
[tanks.tank_{n}]
sensor = "level_{n}"
face_height = 2.5
brim = 2
calibrations = [{{ shape = "cylinder", diameter = 2.2 }}]
"""
        for n in (1, 2, 3)
    )
    + """
[rain]
gauge = "gauge"
[reserve]
fire = 5000
tanks = ["tank_1", "tank_2"]
[alarms]
overflow_risk = { freeboard = 300 }
low_reserve = {}
"""
)


def main() -> None:
    """Print the three rates and the ratios."""
    print(f"replay of {DAYS} days, three rangers every 10 s; {machine()}")
    settings = parse_settings(SITE, "bench")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.db"
        _fill(path)
        db = sqlite3.connect(path)
        begun = time.perf_counter()
        (rows, _) = db.execute("SELECT count(*), sum(value) FROM reading").fetchone()
        scan_s = time.perf_counter() - begun
        begun = time.perf_counter()
        cursor = db.execute("SELECT t_ms, sensor, value, quality, spread FROM reading")
        while cursor.fetchmany(50_000):
            pass
        fetch_s = time.perf_counter() - begun
        db.close()
        replay_s = _replay_s(path, settings)
        with LogWriter(path) as writer:
            while writer.seal_some(2**60):
                pass
        sealed_s = _replay_s(path, settings)
    print(f"  {rows} readings")
    print(f"  SQLite's own scan  {rows / scan_s / 1e6:6.2f} M/s")
    print(f"  fetched to Python  {rows / fetch_s / 1e6:6.2f} M/s")
    print(
        f"  replayed           {rows / replay_s / 1e6:6.2f} M/s; "
        f"{replay_s / fetch_s:.2f} x the fetch, {replay_s / scan_s:.1f} x the scan"
    )
    print(
        f"  replayed, sealed   {rows / sealed_s / 1e6:6.2f} M/s; "
        f"{sealed_s / fetch_s:.2f} x the fetch, {sealed_s / scan_s:.1f} x the scan"
    )


def _replay_s(path: Path, settings: Settings) -> float:
    deriver = Deriver(settings)
    begun = time.perf_counter()
    with LogReader(path) as reader:
        for _ in replay(reader, deriver):
            pass
    return time.perf_counter() - begun


def _fill(path: Path) -> None:
    rng = np.random.default_rng(1)
    t_ms = 1_780_000_000_000 + np.arange(DAYS * 8640, dtype=np.int64) * 10_000
    blocks = [
        Columns(
            f"level_{n}",
            t_ms + n,
            np.round(1300 + 700 * np.sin(np.arange(len(t_ms)) / 40_000 + n) + rng.normal(0, 2, len(t_ms))),
            np.zeros(len(t_ms), np.uint8),
            np.round(rng.random(len(t_ms)) * 3, 1),
        )
        for n in (1, 2, 3)
    ]
    minutes = t_ms[::6]
    none = np.full(len(minutes), np.nan)
    good = np.zeros(len(minutes), np.uint8)
    blocks.append(Columns("air", minutes + 5, 15 + 5 * np.sin(np.arange(len(minutes)) / 229), good, none))
    tips = minutes[np.arange(len(minutes)) % 5000 < 200] + 7
    blocks.append(Columns("gauge", tips, np.ones(len(tips)), good[: len(tips)], none[: len(tips)]))
    with LogWriter(path) as writer:
        kinds = {f"level_{n}": Kind.LEVEL for n in (1, 2, 3)} | {"air": Kind.TEMPERATURE, "gauge": Kind.TIP}
        numbers = writer.sensor_numbers(kinds)
        segment = writer.begin_segment(writer.begin_boot("twin", "bench", 0), 0, trusted=True)
        writer.append_columns(segment, numbers, blocks)


if __name__ == "__main__":
    main()
