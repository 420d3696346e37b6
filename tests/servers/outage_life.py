"""Weeks without a server in compressed time, then its return; with kills of forwarder and server, or without.

The log grows by the hour as a logger's does, the forwarder is a process of its own on a clock that runs as much faster
as the weeks are shorter. What the server holds at the end is held to the log, and the log to what the twin's sensors
said.
"""

import gzip
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from breaking_proxy import FORWARD, BreakingProxy, Mood, slow
from comparing import Comparison, compare
from forwarded_site import END_MS, columns_of, expected_points, forward_table, settings_text
from growing_site import GrowingSite, Piece, pieces
from influxd import Influxd

from rainstead.forward import Standing, read_standing, server_name
from rainstead.log import Columns, LogReader
from rainstead.settings import parse_settings

__all__ = ["Life", "Report", "live"]

_HOUR_MS = 3_600_000
_DAY_MS = 24 * _HOUR_MS
_WARM_H = 24
"""Hours that are through before the outage."""
_AFTER_H = 24 * 7
"""Hours that the log can still grow by once the server is back."""


@dataclass(frozen=True, slots=True)
class Life:
    """days: of the outage. outage_s: what they take here. slow_s: of each write, by a proxy: a thin line.

    every_s: between level readings. most_s: when to give up.
    """

    days: int = 30
    outage_s: float = 60.0
    kills: int = 0
    every_s: float = 60.0
    slow_s: float = 0.0
    seed: int = 1
    most_s: float = 900.0


@dataclass(slots=True)
class Report:
    """What came of it. again_ratio: lines that came to the server once more, to those that had to."""

    readings: int
    killed_forwarder: int = 0
    killed_server: int = 0
    newest_after_s: float = 0.0
    all_after_s: float = 0.0
    peak_mib: float = 0.0
    lines: int = 0
    again_ratio: float = 0.0
    log_is_the_twins: bool = False
    comparison: Comparison = field(default_factory=Comparison)
    refused: int = 0

    @property
    def is_well(self) -> bool:
        """Nothing lost, doubled, changed or set aside."""
        return self.log_is_the_twins and self.comparison.agrees and self.refused == 0


def live(folder: Path, server: Influxd, life: Life) -> Report:
    """One life, on a server that can be killed. Raises TimeoutError where it comes to no end."""
    one = _Living(folder, server, life)
    try:
        return one.run()
    finally:
        one.close()


class _Living:
    def __init__(self, folder: Path, server: Influxd, life: Life) -> None:
        self.server, self.life = server, life
        self.rnd = random.Random(life.seed)
        self.bucket = server.new_bucket()
        self.lines, self.server_is_up = 0, True
        self.proxy = BreakingProxy(server.url, self._mood)
        text = settings_text() + forward_table(server, self.bucket, url=self.proxy.url)
        settings = parse_settings(text, "site.toml")
        hours = _WARM_H + life.days * 24 + _AFTER_H
        self.columns = columns_of(settings, days=hours // 24, seed=life.seed + 6, every_s=life.every_s)
        self.first_ms = END_MS - hours * _HOUR_MS
        edges_ms = [self.first_ms + (k + 1) * _HOUR_MS for k in range(hours)]
        self.growth: Iterator[Piece] = pieces(settings, self.columns, edges_ms)
        self.site = GrowingSite(folder / "site", text, server.token, self.first_ms)
        self.pace = life.days * 86_400 / life.outage_s
        self.child: subprocess.Popen[bytes] | None = None
        self.end_s = time.monotonic() + life.most_s
        self.report = Report(0)

    def _mood(self, body: bytes) -> Mood:
        if self.server_is_up:
            self.lines += gzip.decompress(body).count(b"\n") + 1
        return slow(self.life.slow_s) if self.life.slow_s else FORWARD

    def close(self) -> None:
        if self.child is not None and self.child.poll() is None:
            self.child.kill()
            self.child.wait()
        self.proxy.close()
        self.site.close()
        self.server.drop_bucket(self.bucket)

    def run(self) -> Report:
        life, report = self.life, self.report
        for _ in range(_WARM_H):
            self.site.add(next(self.growth))
        self._begin()
        self._wait(self._is_all_sent)

        self._kill_server()
        in_outage = self.rnd.sample(range(life.days * 24), life.kills // 3)
        begun_s = time.monotonic()
        for hour in range(life.days * 24):
            self.site.add(next(self.growth))
            if hour in in_outage:
                self._kill_forwarder()
            time.sleep(max(0.0, begun_s + life.outage_s * (hour + 1) / life.days / 24 - time.monotonic()))
        self._start_server()
        back_s = time.monotonic()
        newest_ms = self.site.newest_ms
        self._kills_after(life.kills - len(in_outage))
        self._wait(lambda: self._newest_sent_ms() >= newest_ms)
        report.newest_after_s = time.monotonic() - back_s
        self._wait(self._is_all_sent)
        report.all_after_s = time.monotonic() - back_s
        self._look_at_memory()
        assert self.child is not None
        self.child.terminate()
        self.child.wait(timeout=30)
        self._judge()
        return report

    def _kills_after(self, kills: int) -> None:
        """While the backlog leaves and the log goes on."""
        for k in range(kills):
            self._wait_s(self.rnd.uniform(1.0, 3.0))
            self._look_at_memory()
            if k % 5 in (1, 3):
                self._kill_server()
                self.report.killed_server += 1
                self._wait_s(self.rnd.uniform(0.0, 0.5))
                self._start_server()
            else:
                self._kill_forwarder()
            piece = next(self.growth, None)
            if piece is not None:
                self.site.add(piece)

    def _kill_server(self) -> None:
        self.server_is_up = False
        self.server.kill()

    def _start_server(self) -> None:
        self.server.start()
        self.server_is_up = True

    def _judge(self) -> None:
        report, site = self.report, self.site
        wanted = expected_points(site.folder)
        report.comparison = compare(self.server, self.bucket, wanted, site.settings.site.name)
        report.lines, report.again_ratio = len(wanted), self.lines / len(wanted) - 1
        report.log_is_the_twins, report.readings = _is_the_twins(self.columns, site)
        standing = self._standing()
        report.refused = 0 if standing is None else standing.refused_count

    # --- the forwarder's process -------------------------------------------------------------------------------

    def _begin(self) -> None:
        program = Path(__file__).with_name("paced_forwarder.py")
        self.child = subprocess.Popen([sys.executable, str(program), str(self.site.folder), str(self.pace)])

    def _kill_forwarder(self) -> None:
        assert self.child is not None
        self._look_at_memory()
        self.child.kill()
        self.child.wait()
        self.report.killed_forwarder += 1
        self._begin()

    def _look_at_memory(self) -> None:
        assert self.child is not None
        told = Path(f"/proc/{self.child.pid}/status").read_text(encoding="ascii")
        peak_kib = [int(line.split()[1]) for line in told.splitlines() if line.startswith("VmHWM")]
        self.report.peak_mib = max(self.report.peak_mib, *(kib / 1024 for kib in peak_kib), 0.0)

    def _standing(self) -> Standing | None:
        assert self.site.settings.forward is not None
        return read_standing(self.site.folder, server_name(self.site.settings.forward), most=0)

    def _newest_sent_ms(self) -> int:
        standing = self._standing()
        return -1 if standing is None or standing.cursor.live_ms is None else int(standing.cursor.live_ms)

    def _is_all_sent(self) -> bool:
        standing = self._standing()
        if standing is None or standing.cursor.stretches or standing.cursor.live_ms is None:
            return False
        return bool(standing.cursor.live_ms >= self.site.newest_ms)

    def _wait(self, what: Callable[[], bool]) -> None:
        while not what():
            assert self.child is not None
            if self.child.poll() is not None:
                raise RuntimeError(f"the forwarder ended by itself with code {self.child.returncode}")
            self._wait_s(0.1)

    def _wait_s(self, seconds: float) -> None:
        if time.monotonic() > self.end_s:
            raise TimeoutError(f"it comes to no end: {self._standing()}, {self.report}")
        time.sleep(seconds)


def _is_the_twins(columns: list[Columns], site: GrowingSite) -> tuple[bool, int]:
    """Whether the log is, to the bit, what the twin's sensors said up to its newest reading; and how many readings."""
    many = 0
    with LogReader(site.folder) as reader:
        for one in columns:
            stop = int(np.searchsorted(one.t_ms, site.newest_ms, side="right"))
            found = list(reader.batches(sensors=[one.sensor]))
            for name in ("t_ms", "value", "quality", "spread"):
                said = getattr(one, name)[:stop]
                kept = np.concatenate([getattr(batch, name) for batch in found]) if found else said[:0]
                if not np.array_equal(said, kept, equal_nan=name in ("value", "spread")):
                    return False, many
            many += stop
    return True, many
