"""Memory of the whole logger over a long life: the demo's site, day after day on a clock that is moved by hand.

Run: .venv/bin/python tests/bench/bench_long_life.py [MINUTES], of which the last quarter goes to the second part.
Three levels each 10 s, the gauge's tips, the meter's pulses and the probe come from two weeks of the twin, over and
over. All that the service does is done: commits, alarms, kept states, sick sensors, hours sealed, old ones thinned, the
health file. `days` commits each half hour, so that weeks fit: what grows with readings, storms, runs and hours is seen.
`rounds` goes on from there and commits each ten seconds, as a board does: what grows with each commit is seen.
"""

import gc
import logging
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from rainstead.boardhealth import HEALTH_FILE
from rainstead.log import LogReader, LogWriter, wal_bytes
from rainstead.readings import F64, Kind, Quality, Reading
from rainstead.repeats import Repeats
from rainstead.settings import FlowPulse, OneWireProbe, Settings, TippingBucket, parse_settings
from rainstead_board.boardcare import BoardCare
from rainstead_board.health import open_files
from rainstead_board.logger import Logger
from rainstead_board.spareroom import SpareRoom
from rainstead_board.supply import Supply
from rainstead_board.twin.invented import demo_history, demo_settings_text
from rainstead_board.twin.sense import Block, history

sys.path.extend(str(Path(__file__).parents[1] / place) for place in ("bench", "fakes"))
from board_site import Scripted
from fake_clock import FakeClock
from measured import cpu_s, machine, resident_mib

BEGIN_MS = 1_780_272_000_000
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
FORTNIGHT_MS = 14 * DAY_MS
MONTH_DAYS = 30
STEP_MS = {"days": 1_800_000, "rounds": 10_000}
LOOK_MS = {"days": DAY_MS, "rounds": HOUR_MS}
"""How often the memory is looked at, by the site's clock."""
SETTLED = {"days": 2 * FORTNIGHT_MS // DAY_MS, "rounds": 1}
"""So many looks are left out of the slope: by then the two weeks came twice, and the allocator has what it wants."""
PRINT_EVERY = {"days": 7, "rounds": 3}
TEXT = demo_settings_text().replace('commit_every = "3 s"', "keep_days = 2")


class Said:
    """What the twin's sensor says in two weeks, over and over: the channel's readings since the last poll."""

    def __init__(self, block: Block, boot_ms: int) -> None:
        self._block, self._boot_ms, self._done_ms = block, boot_ms, boot_ms
        self._at_ms = block.t_ms - (BEGIN_MS - FORTNIGHT_MS)

    def __call__(self, now_ms: int) -> list[Reading]:
        said: list[Reading] = []
        while self._done_ms < now_ms:
            # A stretch that crosses no end of the two weeks.
            times, from_ms = divmod(self._done_ms - self._boot_ms, FORTNIGHT_MS)
            upto_ms = min(from_ms + now_ms - self._done_ms, FORTNIGHT_MS)
            first, end = np.searchsorted(self._at_ms, (from_ms, upto_ms), side="right").tolist()
            said += [self._reading(k, self._boot_ms + times * FORTNIGHT_MS) for k in range(first, end)]
            self._done_ms += upto_ms - from_ms
        return said

    def _reading(self, k: int, zero_ms: int) -> Reading:
        block = self._block
        value, spread = float(block.value[k]), float(block.spread[k])
        return Reading(
            block.sensor,
            zero_ms + int(self._at_ms[k]),
            None if math.isnan(value) else value,
            Quality(int(block.quality[k])),
            None if math.isnan(spread) else spread,
        )


def main() -> None:
    """Live in a process of its own: what the twin took is not the logger's."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 5.0
    print(f"the logger's long life, {minutes:g} minutes; {machine()}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([sys.executable, __file__, "--twin", folder], check=True)
        subprocess.run([sys.executable, __file__, "--live", folder, str(minutes * 60)], check=True)


def _twin(folder: Path) -> None:
    settings = parse_settings(TEXT, "bench")
    blocks = history(demo_history(settings, end_ms=BEGIN_MS, days=FORTNIGHT_MS // DAY_MS), settings, 7)
    for block in blocks:
        np.savez(folder / f"{block.sensor}.npz", block.t_ms, block.value, block.quality, block.spread)


def _live(folder: Path, seconds: float) -> None:
    settings, clock, path = parse_settings(TEXT, "bench"), FakeClock(wall_ms=BEGIN_MS), folder / "readings.db"
    repeats = Repeats(logging.NullHandler(), clock.boot_ms)
    logging.basicConfig(level=logging.INFO, handlers=[repeats])
    logger = Logger(
        settings,
        TEXT,
        LogWriter(path),
        _channels(folder, settings, clock.boot_ms()),
        clock,
        clock_is_trusted=lambda: True,
        boot_uuid="bench",
        health_path=folder / HEALTH_FILE,
        board=BoardCare(clock, spare=SpareRoom(folder, 1_000_000, 0), supply=Supply()),
    )

    def step(step_ms: int) -> None:
        logger.step()
        repeats.tick()
        clock.wait_until(clock.boot_ms() + step_ms)

    for part, share in (("days", 0.75), ("rounds", 0.25)):
        _live_part(part, seconds * share, path, clock, step)
    logger.stop()
    with LogReader(path) as reader:
        print(f"  {reader.count():,} readings and {sum(1 for _ in reader.events())} events in the log")


def _live_part(part: str, seconds: float, path: Path, clock: FakeClock, step: Callable[[int], None]) -> None:
    # Made beforehand: what the bench remembers must not look like what the logger does.
    seen, many = np.zeros((20_000, 4)), 0
    begun_s, begun_cpu_s, look_at_ms = time.perf_counter(), cpu_s(), clock.boot_ms() + LOOK_MS[part]
    while time.perf_counter() - begun_s < seconds and many < len(seen):
        step(STEP_MS[part])
        if clock.boot_ms() < look_at_ms:
            continue
        look_at_ms += LOOK_MS[part]
        many += 1
        mib = resident_mib()
        gc.collect()  # what waits to be collected is no growth
        seen[many - 1] = many, mib, sys.getallocatedblocks(), open_files() or 0
        if many % PRINT_EVERY[part] == 0:
            _print_look(part, path, seen[many - 1], (cpu_s() - begun_cpu_s) / (many * LOOK_MS[part] / DAY_MS))
    _sum_up(part, seen[:many])


def _print_look(part: str, path: Path, look: F64, cpu_s_day: float) -> None:
    number, mib, objects, files = look.tolist()
    print(
        f"  {part}: {number * LOOK_MS[part] / DAY_MS:6.2f} days, {mib:6.2f} MiB resident, {objects:,.0f} objects, "
        f"{files:.0f} descriptors, log {path.stat().st_size / 1e6:.2f} MB and {wal_bytes(path) / 1e6:.2f} MB "
        f"write-ahead, {cpu_s_day:.1f} s of processor a day",
        flush=True,
    )


def _sum_up(part: str, seen: F64) -> None:
    number, mib, objects, files = seen[SETTLED[part] :].T
    if len(number) < 3:
        print(f"  {part}: too few looks after the first {SETTLED[part]} for a slope", flush=True)
        return
    looks, told = (MONTH_DAYS, "month") if part == "days" else (1000 * STEP_MS[part] / LOOK_MS[part], "1000 commits")
    kib, more = (np.polyfit(number, column, 1)[0] * looks for column in (mib * 1024, objects))
    print(
        f"  {part} {number[0]:.0f} to {number[-1]:.0f}: by least squares {kib:+.1f} KiB, {more:+.1f} objects a {told}; "
        f"{mib.min():.1f} to {mib.max():.1f} MiB, {files.min():.0f} to {files.max():.0f} descriptors",
        flush=True,
    )


def _channels(folder: Path, settings: Settings, boot_ms: int) -> list[Scripted]:
    channels = []
    for name, sensor in settings.sensors.items():
        match sensor:
            case TippingBucket():
                kind = Kind.TIP
            case FlowPulse():
                kind = Kind.PULSE
            case OneWireProbe():
                kind = Kind.TEMPERATURE
            case _:
                kind = Kind.LEVEL
        with np.load(folder / f"{name}.npz") as columns:
            t_ms, value, quality, spread = (columns[key] for key in columns.files)
        channels.append(Scripted(name, kind, Said(Block(name, t_ms, value, quality, spread), boot_ms)))
    return channels


if __name__ == "__main__":
    if "--twin" in sys.argv:
        _twin(Path(sys.argv[2]))
    elif "--live" in sys.argv:
        _live(Path(sys.argv[2]), float(sys.argv[3]))
    else:
        main()
