"""The logger itself, killed at random moments again and again, and what each kill left behind.

Its clock is moved by hand, so that hours of a site go by; the kills fall at moments of real time, anywhere in its code.
Every reading tells the second in which it was taken, and the child tells each second before the logger hears of it.

Run: killed_logger.py FOLDER SEED KILLS; prints one JSON object. It forks, so it is a process of its own.
"""

import contextlib
import json
import logging
import os
import random
import sqlite3
import struct
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

from board_site import SITE, BoardSite, Scripted
from fake_clock import FakeClock
from killing import until_killed

from rainstead.log import LogReader, Row
from rainstead.readings import Kind, Reading

COMMIT_EVERY_S = 10
HELD_BACK_S = 2
A_ROUND_S = 1
WALL_MS = 1_780_000_000_000
WRONG_MS = 400 * 86_400_000
PER_SECOND = {"level": 1.0, "air": 0.0625, "flow": 1.0, "gauge": 1.0}
"""A reading a second of each; its value is the second times this."""
SETTINGS = SITE + f'[log]\ncommit_every = "{COMMIT_EVERY_S} s"\n'
TOLD = struct.Struct("<cq")


class Life(NamedTuple):
    """First and last second that was taken, and from when on the clock was right."""

    first: int
    last: int
    set_at: int | None


def live(folder: Path, second: int, draw: random.Random, told: int) -> None:
    """Log until killed. Half of the lives are boots with a wrong clock, which is set after a while."""
    boot_ms = second * 1000
    is_wrong = draw.random() < 0.5
    clock = FakeClock(boot_ms, WALL_MS + boot_ms - (WRONG_MS if is_wrong else 0))
    set_at = second + draw.randrange(1, 200)

    def taken(name: str, at_ms: int) -> list[Reading]:
        if name == "level":  # the first that is polled
            os.write(told, TOLD.pack(b"t", at_ms // 1000))
        return [Reading(name, at_ms, at_ms // 1000 * PER_SECOND[name])]

    kinds = {"level": Kind.LEVEL, "air": Kind.TEMPERATURE, "flow": Kind.PULSE, "gauge": Kind.TIP}
    channels = [
        Scripted(name, kind, lambda at_ms, name=name: taken(name, at_ms))  # type: ignore[misc]
        for name, kind in kinds.items()
    ]
    if not is_wrong:
        os.write(told, TOLD.pack(b"s", second - HELD_BACK_S - COMMIT_EVERY_S))
    site = BoardSite(folder, channels, clock, trusted=not is_wrong, text=SETTINGS, boot=f"boot {second}")
    writer = site.logger._writer
    append = writer.append

    def appended(rows: Sequence[Row]) -> int:
        done = append(rows)
        os.write(told, TOLD.pack(b"d", done))
        return done

    writer.append = appended  # type: ignore[method-assign]
    while True:
        if is_wrong and clock.boot_ms() >= set_at * 1000:
            is_wrong, site.trusted = False, True
            clock.step_wall(WRONG_MS)
            os.write(told, TOLD.pack(b"s", clock.boot_ms() // 1000))
        clock.wait_until(site.logger.step())


def check(folder: Path, known: int, stored: int, last_taken: int | None) -> tuple[int, list[str]]:
    """How many readings there are, and all that is wrong. stored: so many were told to be on disk since `known`."""
    path, wrong = folder / "readings.db", []
    if known + stored == 0 and not path.exists():
        return 0, []
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        if (told := db.execute("PRAGMA integrity_check").fetchall()) != [("ok",)]:
            wrong.append(f"integrity: {told}")
        if known + stored == 0 and not db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'reading'").fetchone():
            return 0, wrong  # it was killed while it laid the log out
        (newest,) = db.execute(
            "SELECT max(value) FROM reading WHERE sensor = (SELECT id FROM sensor WHERE name = 'level')"
        ).fetchone()
    with LogReader(path) as reader:
        found = reader.count()
        if reader.damaged:
            wrong.append(f"damaged: {reader.damaged}")
    if found < known + stored:
        wrong.append(f"{known + stored} readings were told to be on disk, {found} are there")
    missing_s = 0 if last_taken is None else last_taken - int(newest or 0)
    if last_taken is not None and stored and missing_s > COMMIT_EVERY_S + HELD_BACK_S + A_ROUND_S:
        wrong.append(f"the last {missing_s} s are missing")
    return found, wrong


def check_whole(folder: Path, lives: list[Life]) -> list[str]:
    """Every reading once and unaltered, no gap in a life, and exact stamps where its clock was right in time."""
    wrong = []
    with LogReader(folder / "readings.db") as reader:
        for name, step in PER_SECOND.items():
            stamps: dict[int, int] = {}
            for batch in reader.batches(sensors=[name]):
                mine = batch.of(name)
                for value, t_ms in zip(mine.value.tolist(), mine.t_ms.tolist(), strict=True):
                    if value / step in stamps:
                        wrong.append(f"{name}: second {value / step} is there twice")
                    stamps[value / step] = t_ms
            for life in lives:
                there = [n for n in range(life.first, life.last + 1) if n in stamps]
                if there and there != list(range(life.first, there[-1] + 1)):
                    wrong.append(f"{name}: a gap in the life that began in second {life.first}")
                is_dated = life.set_at is not None and life.last >= life.set_at + HELD_BACK_S + COMMIT_EVERY_S
                if is_dated and not all(0 <= stamps[n] - WALL_MS - 1000 * n < 1000 for n in there):
                    wrong.append(f"{name}: stamps of the life that began in second {life.first} are off")
                for n in there:
                    del stamps[n]
            if stamps:
                wrong.append(f"{name}: readings that nobody took, {sorted(stamps)[:5]}")
    return wrong


def main() -> None:
    """Kill, look, go on."""
    folder, seed, kills = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    logging.disable(logging.CRITICAL)
    draw = random.Random(seed)
    second, found, acknowledged = 1000, 0, 0
    wrong: list[str] = []
    lives: list[Life] = []
    for kill in range(kills):
        words = draw.choice([0, draw.randrange(30), draw.randrange(150), draw.randrange(400)])
        then_s = draw.choice([0.0, draw.uniform(0, 0.003), draw.uniform(0, 0.03)])
        life = partial(live, folder, second, random.Random(seed * 1000 + kill))
        said, was_killed = until_killed(life, TOLD.size, words, then_s)
        heard = list(TOLD.iter_unpack(said))
        if not was_killed:
            wrong.append(f"kill {kill}: the logger ended by itself")
        taken = [n for word, n in heard if word == b"t"]
        stored = sum(n for word, n in heard if word == b"d")
        acknowledged += stored
        found, faults = check(folder, found, stored, taken[-1] if taken else None)
        wrong += [f"kill {kill}: {fault}" for fault in faults]
        if taken:
            lives.append(Life(taken[0], taken[-1], next((n for word, n in heard if word == b"s"), None)))
            second = taken[-1] + draw.choice([60, 600])
    wrong += check_whole(folder, lives)
    with contextlib.closing(sqlite3.connect(f"file:{folder / 'readings.db'}?mode=ro", uri=True)) as db:
        (blocks,) = db.execute("SELECT count(*) FROM block").fetchone()
        (corrected,) = db.execute("SELECT count(*) FROM segment WHERE was_offset_ms IS NOT NULL").fetchone()
    report = {"kills": kills, "readings": found, "acknowledged": acknowledged, "wrong": wrong}
    print(json.dumps(report | {"blocks": blocks, "corrected": corrected, "site_s": second}))


if __name__ == "__main__":
    main()
