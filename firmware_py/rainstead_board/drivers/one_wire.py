"""A one-wire temperature probe, by the kernel's text file. Reading it takes most of a second, so a thread does."""

import re
import threading
from pathlib import Path

from rainstead.readings import Kind, Quality, Reading
from rainstead.settings import OneWireProbe

from .channel import Grid

__all__ = ["OneWireThermometer", "parse_probe"]

_POLL_MS = 250

_POWER_ON_MC = 85_000
"""What a probe says that lost power before it had measured."""
_ALONE = re.compile(r"\s*(-?\d{1,6})\s*")
_MILLI = re.compile(r"t=(-?\d{1,6})\s*\Z")


def parse_probe(text: str) -> tuple[float | None, Quality]:
    """Degrees Celsius from the two lines of `w1_slave`, or from `temperature` (thousandths alone)."""
    if (alone := _ALONE.fullmatch(text)) is not None:
        milli = int(alone[1])  # not the text: there are spaces that int() does not take
    else:
        found = _MILLI.search(text)
        if found is None or "YES" not in text.splitlines()[0]:
            return None, Quality.GARBLED
        milli = int(found.group(1))
    if milli == _POWER_ON_MC:
        return None, Quality.GARBLED
    if not -60_000 <= milli <= 125_000:
        return milli / 1000, Quality.OUT_OF_RANGE
    return milli / 1000, Quality.OK


class OneWireThermometer:
    """One reading each period."""

    kind = Kind.TEMPERATURE

    def __init__(self, name: str, sensor: OneWireProbe) -> None:
        self.name = name
        self.trouble: str | None = None
        path = Path(sensor.path)
        self._path = path if path.name in ("w1_slave", "temperature") else path / "w1_slave"
        self._given = path
        self._grid = Grid(round(sensor.every_s * 1000))
        self._look_ms: int | None = None
        """When to look at the thread again; None before the first poll."""
        self._thread: threading.Thread | None = None
        self._told: tuple[float | None, Quality, str | None] | None = None

    def poll(self, boot_ms: int) -> list[Reading]:
        """See Channel."""
        first = self._look_ms is None
        self._look_ms = boot_ms + _POLL_MS
        if self._thread is not None:
            if not self._thread.is_alive():
                return [self._answer(boot_ms)]
            if not self._grid.passed(boot_ms):
                return []
            self.trouble = f"{self._path}: the read does not come back; is the bus wired well?"
            return [Reading(self.name, boot_ms, None, Quality.SILENT)]
        if self._grid.passed(boot_ms) or first:
            self._thread = threading.Thread(target=self._ask, name=f"probe {self.name}", daemon=True)
            self._thread.start()
        return []

    def next_due_ms(self, boot_ms: int) -> int:
        """See Channel."""
        if self._look_ms is None:
            return boot_ms
        due_ms = self._grid.due_ms(boot_ms)
        return due_ms if self._thread is None else min(self._look_ms, due_ms)

    def close(self, boot_ms: int) -> list[Reading]:  # noqa: ARG002 - the protocol's
        """See Channel. A read that hangs in the kernel is left behind with its thread."""
        return []

    def _answer(self, boot_ms: int) -> Reading:
        self._thread = None
        told, self._told = self._told, None
        # A thread that ended without an answer died of something that no file should do to it.
        value, quality, self.trouble = told or (None, Quality.ABSENT, f"{self._path}: cannot be read")
        return Reading(self.name, boot_ms, value, quality)

    def _ask(self) -> None:
        # A probe's path may be its folder, or a file that has been put in its place.
        path = self._given if self._given.is_file() else self._path
        try:
            value, quality = parse_probe(path.read_text(encoding="ascii"))
        except UnicodeDecodeError:
            self._told = (None, Quality.GARBLED, f"{path}: says something that is not text; is the bus wired well?")
            return
        except OSError as error:
            reason = f"{path}: cannot be read ({error.strerror}); `ls /sys/bus/w1/devices` shows the probes"
            self._told = (None, Quality.ABSENT, reason)
            return
        trouble = None
        if quality is Quality.GARBLED:
            trouble = f"{path}: the probe's check fails or it lost power; is its cable long, or its pull-up missing?"
        self._told = (value, quality, trouble)
