"""Memory, processor time and time per screen of the page, on the demo's 60 days.

Run: .venv/bin/python tests/bench/bench_page.py [SECONDS]
`page` is ours, a process of its own; `bare` is a page that says one sentence with the same two libraries. Both are
asked for the screen of now each ten seconds for so long (60 if left out), from this process.
"""

import os
import re
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parent))
from measured import machine

BARE = """
import sys, flask, waitress
app = flask.Flask("bare", static_folder=None)
app.add_url_rule("/", "now", lambda: "all is well")
waitress.serve(app, host="127.0.0.1", port=int(sys.argv[1]), threads=6)
"""
SCREENS = ("/", "/alarms", "/health", "/rain", "/storms", "/runs", "/storms?days=366", "/runs?days=366")
PORT, BARE_PORT = 28_035, 28_036
EVERY_S = 10


def get(port: int, path: str) -> str:
    """The text of a screen, once it is there: a sheet is worked out while one waits."""
    while True:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=120) as response:
            text: str = response.read().decode()
            if response.status == 200:
                return text
        time.sleep(0.05)


def seconds(port: int, path: str) -> float:
    """How long one screen takes."""
    begun = time.perf_counter()
    get(port, path)
    return time.perf_counter() - begun


def resident_mib(process: psutil.Process) -> float:
    """Resident memory now."""
    return float(process.memory_info().rss) / 2**20


def cpu_s(process: psutil.Process) -> float:
    """Processor seconds so far, with those of children that have ended."""
    used = process.cpu_times()
    return float(used.user + used.system + used.children_user + used.children_system)


class Watch(threading.Thread):
    """The most that children of a process have had resident."""

    def __init__(self, process: psutil.Process) -> None:
        super().__init__(daemon=True)
        self.process, self.most_mib, self.over = process, 0.0, False

    def run(self) -> None:
        while not self.over:
            for child in self.process.children():
                try:
                    self.most_mib = max(self.most_mib, resident_mib(child))
                except psutil.NoSuchProcess:
                    continue
            time.sleep(0.01)


def started(command: list[str], port: int) -> psutil.Popen:
    """A process that answers."""
    environment = {**os.environ, "MALLOC_ARENA_MAX": "2"}
    process = psutil.Popen(command, stderr=subprocess.DEVNULL, env=environment)
    for _ in range(600):
        try:
            get(port, "/alarms" if port == PORT else "/")
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.1)
        else:
            return process
    raise SystemExit("it does not answer")


def asked(process: psutil.Popen, port: int, for_s: float) -> float:
    """The share of a core that asking for now each ten seconds takes, in per cent."""
    begun_s, begun = cpu_s(process), time.perf_counter()
    while time.perf_counter() - begun < for_s:
        get(port, "/")
        time.sleep(EVERY_S)
    return 100 * (cpu_s(process) - begun_s) / (time.perf_counter() - begun)


def main() -> None:
    """Print the figures."""
    for_s = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as folder:
        site = Path(folder) / "site"
        twin = [sys.executable, "-m", "rainstead_board.twin.command", "demo", str(site), "--seconds", "1"]
        subprocess.run(twin, check=True, capture_output=True)
        toml = site / "site.toml"
        toml.write_text(f"{toml.read_text('utf-8')}\n[page]\nport = {PORT}\n", "utf-8")
        print(machine())
        bare = started([sys.executable, "-c", BARE, str(BARE_PORT)], BARE_PORT)
        page = started([sys.executable, "-c", "from rainstead_page import main; main()", str(site)], PORT)
        try:
            print(f"{'screen':<24}{'first':>10}{'anew':>10}{'kept':>10}")
            for path in SCREENS:
                first = seconds(PORT, path)
                time.sleep(max(4.0, 11 * first))  # until it is kept no longer
                anew, kept = seconds(PORT, path), seconds(PORT, path)
                print(f"{path:<24}{first:>8.3f} s{anew:>8.3f} s{kept:>8.3f} s")
            print(f"{'bare':<24}{seconds(BARE_PORT, '/'):>8.3f} s")
            lean_mib = resident_mib(page)
            watch = Watch(page)
            watch.start()
            for pattern, path in ((r"/storms/[0-9]+", "/storms?days=366"), (r"/runs/[0-9]+", "/runs?days=366")):
                found = re.findall(pattern, get(PORT, path))
                print(f"{'a sheet: ' + path.split('?')[0]:<24}{seconds(PORT, found[len(found) // 2]):>8.3f} s")
            watch.over = True
            print(f"resident: page {lean_mib:.0f} MiB, after two sheets {resident_mib(page):.0f} MiB, ", end="")
            print(f"their own process {watch.most_mib:.0f} MiB at most; bare {resident_mib(bare):.0f} MiB")
            share, bare_share = asked(page, PORT, for_s), asked(bare, BARE_PORT, for_s)
            print(f"now each {EVERY_S} s: page {share:.2f} % of a core, bare {bare_share:.2f} %")
        finally:
            for process in (page, bare):
                process.terminate()
                process.wait(20)


if __name__ == "__main__":
    main()
