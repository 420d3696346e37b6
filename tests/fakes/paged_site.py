"""A hand-worked site with something on every screen of the page, and the page in front of it."""

import json
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from desk_site import Raw, level, make_site, pulses, tips
from fake_clock import FakeClock
from pumped_site import PUMPED
from werkzeug.test import Client

from rainstead.inforce import InForce
from rainstead.settings import load_settings
from rainstead_page.app import make_app
from rainstead_page.guarding import guarded
from rainstead_page.hosts import is_allowed
from rainstead_page.keeping import Kept
from rainstead_page.site import Site

__all__ = [
    "DAY_MS",
    "NOW_MS",
    "PAGED",
    "as_json",
    "free_port",
    "get",
    "in_front_of",
    "paged_site",
    "running_page",
    "some_rows",
]

DAY_MS = 86_400_000
NOW_MS = 1_774_008_000_000
"""2026-03-20T12:00Z."""
PAGED = PUMPED + '\n[page]\nnames = ["raintank.local"]\n'


def some_rows(now_ms: int = NOW_MS) -> list[Raw]:
    """Two tanks of 2000 L a metre, by the minute, for four hours up to now.

    An hour and a half ago 600 L went from `east` (1.5 m, then 1.2 m) to `west` (1.62 m, then 1.92 m: 160 L to go).
    Two storms, of 10 mm two days ago and of 4 mm half an hour ago.
    """

    def at(back_s: float) -> str:
        return datetime.fromtimestamp((now_ms - back_s * 1000) / 1000, UTC).isoformat()

    rows: list[Raw] = [tips(at(back), 0) for back in (4 * 86_400, 3 * 86_400)]
    rows += [tips(at(2 * 86_400 - k * 60), 1) for k in range(50)]
    rows += [tips(at(1800 + k * 20), 1) for k in range(20)]
    for minute in range(240, -1, -1):
        moved = min(max((90 - minute) / 10, 0.0), 1.0)
        rows.append(level(at(minute * 60 + 5), "east_level", round(2500 - 1500 + 300 * moved)))
        rows.append(level(at(minute * 60 + 5), "west_level", round(2500 - 1620 - 300 * moved)))
    rows.append(pulses(at(90 * 60), 0))
    rows += [pulses(at(90 * 60 - 5 * k), 500) for k in range(1, 121)]
    return rows


def paged_site(folder: Path, now_ms: int = NOW_MS, *, text: str = PAGED) -> Path:
    """Its folder, with the log as a logger leaves it."""
    return make_site(folder, some_rows(now_ms), text=text)


@contextmanager
def in_front_of(site: Path, clock: FakeClock, *, patience_s: float = 60) -> Iterator[Client]:
    """A client of the page, in this process."""
    held = Site(site, InForce(load_settings(site / "site.toml"), "", None), clock)
    kept = Kept(held, clock, patience_s=patience_s)
    try:
        yield Client(
            guarded(make_app(kept), lambda header: is_allowed(header, held.page.listen, held.page.names)),
        )
    finally:
        kept.close()


def as_json(page: Client, path: str) -> Any:
    """What an address gives as JSON, whatever its status."""
    return json.loads(page.get(path).text)


def free_port() -> int:
    """A port of the loopback that nobody has just now."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def running_page(site: Path) -> Iterator[subprocess.Popen[str]]:
    """The real process, once it listens; ended with SIGTERM, which is no failure."""
    command = [sys.executable, "-c", "from rainstead_page import main; main()", str(site)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        try:
            for line in process.stderr:
                if "showing" in line:
                    break
            else:
                raise AssertionError(f"the page ended with {process.wait()}")
            yield process
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(20)
        assert process.returncode == 0


def get(port: int, path: str = "/", *, host: str | None = None) -> tuple[int, str]:
    """Status and text of one address of a page on loopback."""
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers={} if host is None else {"Host": host})
    try:
        with urllib.request.urlopen(request, timeout=60) as response:
            return response.status, response.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()
