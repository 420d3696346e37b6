"""Bytes that reach the block device in a day of the demo site, by the time between two commits.

Run as root: .venv/bin/python tests/bench/bench_writes.py [HOURS [MOUNT OPTIONS …]]; it waits for some minutes.
The log lies on a file system of its own on a loop device, whose kernel counter is read. What the commits themselves
write is measured without waiting. The file system's own books (a file's time of change, in its journal) follow each
commit within 5 s: they are measured with waiting, over some commits, on a file system told to do it within 1 s.
Who may not mount gets the kernel's counter for this process instead, which knows nothing of those books.
"""

import contextlib
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from rainstead.log import LogWriter, Row
from rainstead.readings import I64
from rainstead.settings import Settings, parse_settings, sensor_kind
from rainstead_board.twin.invented import demo_history, demo_settings_text
from rainstead_board.twin.sense import history

sys.path.insert(0, str(Path(__file__).parent))
from measured import machine

END_MS = 1_780_000_000_000
HOUR_MS = 3_600_000
WARM, WAITED = 2500, 120
STATE = 6000
"""Characters of the calculation's state, which is kept each hour."""


def main() -> None:
    """Print megabytes a day at 10 s and at 60 s."""
    hours = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    settings = parse_settings(demo_settings_text(), "demo")
    rows = _rows(settings, hours)
    print(f"writes of {hours} h of the demo site, {len(rows):,} readings, scaled to a day; {machine()}")
    for options in sys.argv[2:] or ["noatime", "noatime,lazytime"]:
        for every_s in (10, 60):
            with tempfile.TemporaryDirectory() as folder, _disk(Path(folder), options) as (disk, written, how):
                log = _Log(disk / "readings.db", settings, rows, every_s, written)
                log.go_on(WARM)  # until the write-ahead log has its size
                commits = np.array(log.go_on(24 * 3600 // every_s))
                waited = np.array(log.go_on(WAITED, wait_s=1.3))
                log.close()
            # By the usual commits: a few do far more, sealing or bringing the write-ahead log home.
            books = max(0.0, _usual(waited) - _usual(commits))
            day = 24 * 3600 / every_s
            print(
                f"  every {every_s:2} s, {how}: commits {commits.mean() * day / 1e6:6.1f} MB a day, "
                f"a usual one {_usual(commits) / 1e3:.1f} kB; with the file system's books "
                f"{(commits.mean() + books) * day / 1e6:6.1f} MB a day"
            )


def _usual(commits: I64) -> float:
    return float(np.sort(commits)[: len(commits) * 95 // 100].mean())


def _rows(settings: Settings, hours: int) -> list[Row]:
    names = sorted(settings.sensors)
    found: list[Row] = []
    for name, t_ms, value, quality, spread in history(demo_history(settings, end_ms=END_MS, days=2), settings, 7):
        late = t_ms > END_MS - hours * HOUR_MS
        columns = (t_ms[late], value[late], quality[late], spread[late])
        for t, v, q, d in zip(*(column.tolist() for column in columns), strict=True):
            found.append((t, names.index(name) + 1, 1, None if np.isnan(v) else v, q, None if np.isnan(d) else d, 8))
    return sorted(found, key=lambda row: row[:3])


class _Log:
    """Commits as the logger does, seals after a commit, keeps the state each hour; the rows come round again."""

    def __init__(
        self, path: Path, settings: Settings, rows: list[Row], every_s: int, written: Callable[[], int]
    ) -> None:
        self._writer, self._written = LogWriter(path), written
        self._writer.sensor_numbers({name: sensor_kind(sensor) for name, sensor in settings.sensors.items()})
        self._writer.begin_segment(self._writer.begin_boot("logger", "bench", 0), 0, trusted=True)
        self._groups: list[list[Row]] = []
        for row in rows:
            if not self._groups or row[0] >= self._groups[-1][0][0] + every_s * 1000:
                self._groups.append([])
            self._groups[-1].append(row)
        self._round_ms = rows[-1][0] - rows[0][0] + 10_000
        self._state_ms = rows[0][0]
        self.commits = 0

    def go_on(self, commits: int, *, wait_s: float = 0.0) -> list[int]:
        """So many commits more; the bytes that each wrote."""
        told = [self._written()]
        for _ in range(commits):
            again, at = divmod(self.commits, len(self._groups))
            rows: list[Row] = [(row[0] + again * self._round_ms, *row[1:]) for row in self._groups[at]]
            t_ms = rows[0][0]
            self._writer.append(rows)
            self._writer.seal_some(t_ms)
            if t_ms - self._state_ms >= HOUR_MS:
                self._writer.save_checkpoint(t_ms, "d", "x" * STATE)
                self._state_ms = t_ms
            self.commits += 1
            time.sleep(wait_s)
            told.append(self._written())
        return np.diff(told).tolist()

    def close(self) -> None:
        self._writer.close()


@contextlib.contextmanager
def _disk(folder: Path, options: str) -> Iterator[tuple[Path, Callable[[], int], str]]:
    """A folder, what tells the bytes written to its disk, and what that is."""
    image, mount = folder / "disk.img", folder / "disk"
    mount.mkdir()
    with image.open("wb") as file:
        file.truncate(128_000_000)
    # Nothing put off: what a new file system does in its first hour is not the log's.
    make = ["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image)]
    made = subprocess.run(make, check=False, capture_output=True).returncode == 0
    if (
        not made
        or subprocess.run(["mount", "-o", "loop,noatime", image, mount], check=False, capture_output=True).returncode
    ):
        yield mount, _own_bytes, "by this process alone"
        return
    try:
        device = next(line.split()[0] for line in Path("/proc/mounts").read_text().splitlines() if f" {mount} " in line)
        stat = Path("/sys/block") / Path(device).name / "stat"
        yield mount, lambda: int(stat.read_text().split()[6]) * 512, f"ext4 on a loop device, {options}"
    finally:
        subprocess.run(["umount", "-l", mount], check=False)


def _own_bytes() -> int:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("write_bytes")))


if __name__ == "__main__":
    main()
