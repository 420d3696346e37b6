"""Processor time and memory of the logger: three level sensors at 1 Hz, a gauge and a 150 Hz flow meter.

Run: .venv/bin/python tests/bench/bench_logger.py [SECONDS]
Each case is a process of its own that gets the same frames through pseudo-terminals and the same edges on gpiozero's
mock pins. `edges only` is what making the edges costs; `bare` is the loop that one would write in an afternoon with
gpiozero and sqlite3; `logger` is ours; `tending` is ours with a piece of upkeep after each commit, an hour sealed or an
old one thinned that a server has: what else happens once an hour. The first is taken off the others.
"""

import contextlib
import json
import os
import pty
import re
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path
from typing import Any

from gpiozero import Device
from gpiozero.pins.mock import MockFactory

sys.path.insert(0, str(Path(__file__).parent))
from measured import cpu_s, machine, resident_mib

FLOW_HZ = 150
SITE = """
[site]
name = "bench"
time_zone = "UTC"
latitude_deg = 0
[clock]
trust = "system"
[sensors.gauge]
kind = "tipping-bucket"
gpio = 5
calibrations = [{{ depth_per_tip = 0.2 }}]
[sensors.flow]
kind = "flow-pulse"
gpio = 17
calibrations = [{{ k_factor_per_l = 390 }}]
[rain]
gauge = "gauge"
[pump]
source = "tank_0"
meter = "flow"
[reserve]
fire = 5000
tanks = ["tank_0", "tank_1"]
[alarms]
overflow_risk = {{ freeboard = 300 }}
low_reserve = {{}}
"""
TANK = """
[sensors.level_{n}]
kind = "ranger-text"
port = "{port}"
every = 1
[tanks.tank_{n}]
sensor = "level_{n}"
face_height = 2.5
brim = 2
calibrations = [{{ shape = "cylinder", diameter = 2.2 }}]
"""
HOUR_MS = 3_600_000
KEEP = """
[log]
keep_days = 2
[forward]
url = "http://127.0.0.1:9"
org = "o"
bucket = "b"
token_file = "server.token"
"""


def main() -> None:
    """Run the cases one after another and print them."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    print(f"logger for {seconds:.0f} s a case; {machine()}")
    figures = {case: _measure(case, seconds) for case in ("edges", "bare", "logger", "tending")}
    source = figures["edges"]["cpu_s"]
    for case in ("bare", "logger", "tending"):
        one = figures[case]
        print(
            f"  {case:7} {100 * (one['cpu_s'] - source) / one['wall_s']:5.2f} % of a core, "
            f"{one['resident_mib']:5.1f} MiB resident, {one['rows']} rows"
        )
    ratio = figures["logger"]["cpu_s"] / figures["bare"]["cpu_s"]
    edges = 100 * source / figures["edges"]["wall_s"]
    print(f"  making the edges took {edges:.2f} %; with it, logger to bare {ratio:.2f}")


def _measure(case: str, seconds: float) -> dict[str, float]:
    """Feed a case from this process, so that feeding is not counted in it."""
    ports = [pty.openpty() for _ in range(3)]
    for master, slave in ports:
        tty.setraw(slave)
        os.set_blocking(master, False)
    names = [os.ttyname(slave) for _, slave in ports]
    child = subprocess.Popen(
        [sys.executable, __file__, "--case", case, str(seconds), *names],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "MALLOC_ARENA_MAX": "2"},  # as the unit has it
    )
    n = 0
    while child.poll() is None:
        for master, _ in ports:
            with contextlib.suppress(BlockingIOError):  # nobody reads in the edges-only case
                os.write(master, b"R%04d\r" % (1200 + n % 7))
        n += 1
        time.sleep(0.1)
    assert child.stdout is not None
    told: dict[str, float] = json.loads(child.stdout.read().splitlines()[-1])
    for pair in ports:
        for descriptor in pair:
            os.close(descriptor)
    return told


def _case(case: str, seconds: float, ports: list[str]) -> None:
    factory = Device.pin_factory = MockFactory()
    stop = threading.Event()
    with tempfile.TemporaryDirectory() as folder:
        run = {"edges": _edges_only, "bare": _bare, "logger": _logger, "tending": _tending}[case]
        begin, rows = run(Path(folder), ports, stop)
        pulses = threading.Thread(target=_pulse, args=(factory, stop))
        pulses.start()
        loop = threading.Thread(target=begin)
        loop.start()
        time.sleep(2)  # imports and the first rows are not the steady state
        cpu, wall = cpu_s(), time.perf_counter()
        time.sleep(seconds)
        told = {"cpu_s": cpu_s() - cpu, "wall_s": time.perf_counter() - wall, "resident_mib": resident_mib()}
        stop.set()
        loop.join()
        pulses.join()
        print(json.dumps(told | {"rows": rows()}))


def _pulse(factory: Any, stop: threading.Event) -> None:
    pin, due = factory.pin(17), time.perf_counter()
    while not stop.is_set():
        pin.drive_low()
        pin.drive_high()
        due += 1 / FLOW_HZ
        time.sleep(max(0.0, due - time.perf_counter()))


def _edges_only(_folder: Path, _ports: list[str], stop: threading.Event) -> Any:
    Device.pin_factory.pin(17).function = "input"
    return stop.wait, lambda: 0


def _bare(folder: Path, ports: list[str], stop: threading.Event) -> Any:
    import serial
    from gpiozero import DigitalInputDevice

    db = sqlite3.connect(folder / "bare.db", check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("CREATE TABLE r (t REAL, name TEXT, value REAL)")
    count = 0

    def hit() -> None:
        nonlocal count
        count += 1

    meter = DigitalInputDevice(17, pull_up=True)
    meter.when_activated = hit

    def loop() -> None:
        nonlocal count
        lines = [serial.Serial(port, timeout=0) for port in ports]
        n = 0
        while not stop.is_set():
            now = time.time()
            for k, line in enumerate(lines):
                found = re.findall(rb"R(\d{4})\r", line.read(4096))
                if found:
                    db.execute("INSERT INTO r VALUES (?, ?, ?)", (now, f"level_{k}", float(found[-1])))
            db.execute("INSERT INTO r VALUES (?, ?, ?)", (now, "flow", count))
            count = 0
            n += 1
            if n % 10 == 0:
                db.commit()
            stop.wait(1)
        db.commit()

    return loop, lambda: db.execute("SELECT count(*) FROM r").fetchone()[0]


def _tending(folder: Path, ports: list[str], stop: threading.Event) -> Any:
    """A log with four days behind it, sealed but for the last, of which all is on a server."""
    # In a process of its own: the memory that it takes is not the logger's.
    subprocess.run([sys.executable, __file__, "--history", folder, *ports], check=True)
    return _logger(folder, ports, stop, KEEP)


def _history(folder: Path, ports: list[str]) -> None:
    import numpy as np

    from rainstead.forward import Cursor, CursorFile
    from rainstead.log import Columns, LogWriter
    from rainstead.readings import Kind

    now_ms = time.time_ns() // 1_000_000
    t_ms = np.arange(now_ms - 96 * HOUR_MS, now_ms - HOUR_MS, 1000)
    kinds = {f"level_{n}": Kind.LEVEL for n in range(len(ports))}
    with LogWriter(folder / "readings.db") as writer:
        numbers = writer.sensor_numbers(kinds)
        segment = writer.begin_segment(writer.begin_boot("logger", "old", 0), 0, trusted=True)
        for part_ms in (t_ms[t_ms < now_ms - 20 * HOUR_MS], t_ms[t_ms >= now_ms - 20 * HOUR_MS]):
            for name in kinds:
                value = (1200 + part_ms // 1000 % 7).astype(np.float64)
                good = np.zeros(len(part_ms), np.uint8)
                spread = np.full(len(part_ms), 1.5)
                writer.append_columns(segment, numbers, [Columns(name, part_ms, value, good, spread)])
            while part_ms[0] == t_ms[0] and writer.seal_some(now_ms):
                pass
    file = CursorFile(folder / "forwarder.db")
    file.save("http://127.0.0.1:9 o b", Cursor(now_ms, 0, ()), [], now_ms)
    file.close()
    # A logger that has worked out all of it, and keeps that state.
    Device.pin_factory = MockFactory()
    stop = threading.Event()
    stop.set()
    _logger(folder, ports, stop, KEEP)[0]()


def _logger(folder: Path, ports: list[str], stop: threading.Event, more: str = "") -> Any:
    from rainstead.clock import SystemClock
    from rainstead.log import LogReader, LogWriter
    from rainstead.settings import parse_settings
    from rainstead_board.drivers import build_channels
    from rainstead_board.logger import Logger

    text = SITE.format() + "".join(TANK.format(n=n, port=port) for n, port in enumerate(ports)) + more
    settings, clock = parse_settings(text, "bench"), SystemClock()
    logger = Logger(
        settings,
        text,
        LogWriter(folder / "readings.db"),
        build_channels(settings, clock),
        clock,
        clock_is_trusted=lambda: True,
        boot_uuid="bench",
    )

    def rows() -> int:
        with LogReader(folder / "readings.db") as reader:
            return reader.count()

    return lambda: logger.run(stop.is_set), rows


if __name__ == "__main__":
    if "--history" in sys.argv:
        _history(Path(sys.argv[2]), sys.argv[3:])
    elif "--case" in sys.argv:
        _case(sys.argv[2], float(sys.argv[3]), sys.argv[4:])
    else:
        main()
