"""Pulses counted without loss, and what one costs, against a bare gpiozero callback in the same run.

Run: .venv/bin/python tests/bench/bench_pulses.py
The pins are gpiozero's mock: this measures our Python path, not a kernel's edge queue.
"""

import sys
import time
from pathlib import Path

from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from rainstead.clock import SystemClock
from rainstead.settings import parse_settings
from rainstead_board.drivers import build_channels

sys.path.insert(0, str(Path(__file__).parent))
from measured import machine

PULSES = 200_000
SITE = """
[site]
name = "bench"
time_zone = "UTC"
latitude_deg = 0
[sensors.flow]
kind = "flow-pulse"
gpio = 17
calibrations = [{ k_factor_per_l = 390 }]
[tanks.any]
brim = 2
calibrations = [{ shape = "cylinder", diameter = 2 }]
"""


def main() -> None:
    """Print rates and the ratio."""
    print(f"pulses; {machine()}")
    Device.pin_factory = MockFactory()
    bare = Device.pin_factory.pin(4)
    bare.function, bare.pull, bare.edges = "input", "up", "falling"
    counted = 0

    def count(_ticks: float, _state: int) -> None:
        nonlocal counted
        counted += 1

    bare.when_changed = count
    bare_s = _drive(bare)
    assert counted == PULSES

    clock = SystemClock()
    (channel,) = build_channels(parse_settings(SITE, "bench"), clock)
    channel.poll(clock.boot_ms())
    ours_s = _drive(Device.pin_factory.pin(17))
    time.sleep(1.1)
    rows = channel.poll(clock.boot_ms())
    time.sleep(1.1)
    rows += channel.poll(clock.boot_ms())
    total = sum(row.value or 0 for row in rows)
    print(f"  bare callback {PULSES / bare_s / 1e3:6.0f} k pulses/s, {counted} of {PULSES}")
    print(
        f"  our driver    {PULSES / ours_s / 1e3:6.0f} k pulses/s, {total:.0f} of {PULSES}; ratio {ours_s / bare_s:.2f}"
    )
    if total != PULSES:
        raise SystemExit("pulses were lost")
    channel.close(clock.boot_ms())


def _drive(pin: "object") -> float:
    begun = time.perf_counter()
    for _ in range(PULSES):
        pin.drive_low()  # type: ignore[attr-defined]
        pin.drive_high()  # type: ignore[attr-defined]
    return time.perf_counter() - begun


if __name__ == "__main__":
    main()
