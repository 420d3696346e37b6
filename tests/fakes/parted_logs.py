"""A log that broke, the one that was begun in its place, and the same in one log that never broke; all invented."""

import shutil
import sqlite3
from collections.abc import Sequence
from math import isnan
from pathlib import Path

from rainstead.log import LogReader, LogWriter
from rainstead.log.write import Row
from rainstead.readings import Kind

__all__ = [
    "ASIDE",
    "BEGIN_MS",
    "HOUR_MS",
    "KINDS",
    "PAGE",
    "content",
    "pages_of",
    "put_aside",
    "readings_of",
    "rows",
    "wipe",
]

HOUR_MS = 3_600_000
BEGIN_MS = 1_780_000_000_000 - 1_780_000_000_000 % HOUR_MS
KINDS = {"air": Kind.TEMPERATURE, "flow": Kind.PULSE, "gauge": Kind.TIP, "level": Kind.LEVEL}
ASIDE = "readings-damaged-20260601T000000Z.db"
PAGE = 1024


def rows(writer: LogWriter, segment: int, offset_ms: int, boot_ms: range) -> list[Row]:
    """A level each step, a tip each fifth, an air temperature each seventh; each value tells its boot clock."""
    numbers = writer.sensor_numbers(KINDS)
    found: list[Row] = []
    for k, at_ms in enumerate(boot_ms):
        t_ms = at_ms + offset_ms
        value = 1000.0 + at_ms // 1000 * 7919 % 1000 / 16
        found.append((t_ms, numbers["level"], segment, value, 0, 1.5, 8))
        if k % 5 == 0:
            found.append((t_ms + 3, numbers["gauge"], segment, 1.0, 0, None, None))
        if k % 7 == 0:
            found.append((t_ms + 5, numbers["air"], segment, 15 + at_ms % 160 / 16, 0, None, None))
    return sorted(found, key=lambda row: row[:3])


def put_aside(folder: Path, name: str = ASIDE) -> Path:
    """The site's log, as a logger moves it."""
    target = folder / name
    for part in ("", "-wal", "-shm"):
        if (there := folder / f"readings.db{part}").exists():
            shutil.move(there, folder / f"{name}{part}")
    return target


def readings_of(path: Path) -> list[tuple[int, str, float, int, float]]:
    """All that can be read: stamp, sensor, value, quality, spread; -1 where there is none."""
    with LogReader(path) as reader:
        return [
            (t, batch.names[s], -1 if isnan(v) else v, q, -1 if isnan(d) else d)
            for batch in reader.batches()
            for t, s, v, q, d in zip(
                *(getattr(batch, name).tolist() for name in ("t_ms", "sensor", "value", "quality", "spread")),
                strict=True,
            )
        ]


def content(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """All rows of all tables: what a second run must leave alone."""
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    found = {name: db.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall() for name in tables}
    db.close()
    return found


def pages_of(path: Path, names: Sequence[str]) -> list[int]:
    """Pages of tables or indexes, roots first."""
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    found = []
    for name in names:
        found += [number for (number,) in db.execute("SELECT pageno FROM dbstat WHERE name = ? ORDER BY path", (name,))]
    db.close()
    return found


def wipe(path: Path, pages: Sequence[int]) -> None:
    """As a card gives them that has lost them."""
    with path.open("r+b") as file:
        for number in pages:
            file.seek((number - 1) * PAGE)
            file.write(b"\xa5" * PAGE)
