"""A loaded writer that is killed at random moments, again and again, and what each kill left behind.

Run: killed_writer.py LOG SEED KILLS; prints one JSON object. It forks, so it is a process of its own.
"""

import contextlib
import json
import os
import random
import sqlite3
import struct
import sys
from functools import partial
from pathlib import Path

import numpy as np
from killing import until_killed

from rainstead.log import Keep, LogReader, LogWriter, Row
from rainstead.readings import Batch, Kind

HOUR_MS = 3_600_000
BEGIN_MS = 1_780_000_000_000 - 1_780_000_000_000 % HOUR_MS
STEP_MS = 600_000
WRONG_MS = 400 * 86_400_000
"""How far off the clock is that half of the lives begin with."""
KINDS = {"air": Kind.TEMPERATURE, "gauge": Kind.TIP, "level": Kind.LEVEL, "other": Kind.LEVEL}
PER_STEP = 7
KEEP = Keep(days=2)


def rows_of(step: int, segment: int, offset_ms: int, numbers: dict[str, int]) -> list[Row]:
    """What is read in one step: each value tells the step, and the stamp too, by any clock."""
    at_ms = step * STEP_MS + offset_ms
    rows: list[Row] = [(at_ms + k, numbers["level"], segment, step + k / 16, 0, k / 10, 8) for k in range(4)]
    rows.append((at_ms, numbers["other"], segment, None, 1, None, 0))
    rows.append((at_ms + 5, numbers["gauge"], segment, float(step), 0, None, None))
    rows.append((at_ms + 9, numbers["air"], segment, step * 0.0625, 0, None, None))
    return sorted(rows, key=lambda row: row[:3])


def live(path: Path, step: int, draw: random.Random, told: int) -> None:
    """Append, seal, thin, keep states, correct a clock and checkpoint, until killed; tell each step that is on disk."""
    with LogWriter(path) as writer:
        writer._db.execute(f"PRAGMA wal_autocheckpoint = {draw.choice([10, 50, 1000])}")
        numbers = writer.sensor_numbers(KINDS)
        boot = writer.begin_boot("logger", f"life {step}", step * STEP_MS)
        is_wrong = draw.random() < 0.5
        offset_ms = BEGIN_MS - (WRONG_MS if is_wrong else 0)
        segment = writer.begin_segment(boot, offset_ms, trusted=not is_wrong)
        corrects_at = step + draw.randrange(1, 20)
        while True:
            if is_wrong and step == corrects_at:
                is_wrong, offset_ms = False, BEGIN_MS
                writer.correct_boot(boot, offset_ms)
                segment = writer.begin_segment(boot, offset_ms, trusted=True)
            writer.append(rows_of(step, segment, offset_ms, numbers))
            step += 1
            os.write(told, struct.pack("<q", step))
            now_ms = step * STEP_MS + offset_ms
            for _ in range(2):
                writer.seal_some(now_ms) or writer.thin_some(KEEP)
            if step % 5 == 0:
                writer.save_checkpoint(now_ms, "d", "x" * 2000)


def check(path: Path, steps: int, whole_steps: set[int]) -> tuple[int, list[str]]:
    """How many steps there are, and all that is wrong, after a kill. steps: that were told to be on disk."""
    wrong = []
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        if (told := db.execute("PRAGMA integrity_check").fetchall()) != [("ok",)]:
            wrong.append(f"integrity: {told}")
    with LogReader(path) as reader:
        batches = list(reader.batches())
        minutes = reader.minutes()
        damaged = reader.damaged
    batch = joined(batches)
    tips = batch.of("gauge")
    found = len(tips)
    # A tip a step, each with the step as its value: thinned or not, none is lost and none is there twice.
    if sorted(tips.value.tolist()) != [float(k) for k in range(found)]:
        wrong.append("tips are lost, altered or doubled")
    if found not in (steps, steps + 1):
        wrong.append(f"{steps} steps were told to be on disk, {found} are there")
    whole = len(batch) + int(minutes.count.sum() + minutes.unusable.sum())
    if whole != found * PER_STEP:
        wrong.append(f"{whole} readings of {found} steps")
    for name, part in (("level", 4), ("air", 1)):
        rows = batch.of(name)
        step = np.floor(rows.value if name == "level" else rows.value / 0.0625).astype(np.int64)
        kept, count = np.unique(step, return_counts=True)
        if (count != part).any():
            wrong.append(f"{name}: a step is there in part")
        off = (rows.t_ms - BEGIN_MS) // STEP_MS - step
        if not np.isin(off, [0, -WRONG_MS // STEP_MS]).all():
            wrong.append(f"{name}: a stamp is off")
        if name == "level" and not np.array_equal(rows.spread, (rows.value - step) * 16 / 10):
            wrong.append("level: a spread was altered")
        whole_steps.update(kept.tolist())
    if damaged:
        wrong.append(f"damaged: {damaged}")
    return found, wrong


def joined(batches: list[Batch]) -> Batch:
    """All batches as one."""
    if not batches:
        return Batch.from_rows(tuple(sorted(KINDS)), [])
    columns = ("t_ms", "sensor", "value", "quality", "spread")
    return Batch(batches[0].names, *(np.concatenate([getattr(b, c) for b in batches]) for c in columns))


def main() -> None:
    """Kill, look, go on."""
    path, seed, kills = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    draw = random.Random(seed)
    LogWriter(path).close()
    steps, wrong, acknowledged, seen = 0, [], 0, set[int]()
    for kill in range(kills):
        words = draw.choice([0, 1, draw.randrange(25)])
        then_s = draw.choice([0.0, draw.uniform(0, 0.003), draw.uniform(0, 0.03)])
        life = partial(live, path, steps, random.Random(seed * 1000 + kill))
        heard, was_killed = until_killed(life, 8, words, then_s)
        if not was_killed:
            wrong.append(f"kill {kill}: the writer ended by itself")
        if heard:
            steps = struct.unpack("<q", heard[-8:])[0]
            acknowledged += len(heard) // 8
        found, faults = check(path, steps, seen)
        wrong += [f"kill {kill}: {fault}" for fault in faults]
        steps = found
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        (blocks,) = db.execute("SELECT count(*) FROM block").fetchone()
        (thinned,) = db.execute("SELECT count(*) FROM summary").fetchone()
        (corrected,) = db.execute("SELECT count(*) FROM segment WHERE was_offset_ms IS NOT NULL").fetchone()
    report = {"kills": kills, "acknowledged": acknowledged, "steps": steps, "wrong": wrong}
    print(json.dumps(report | {"blocks": blocks, "thinned": thinned, "corrected": corrected}))


if __name__ == "__main__":
    main()
