"""A level ranger with a trigger and an echo line: the time between the echo's edges is the way there and back."""

import time

from rainstead.clock import Clock
from rainstead.errors import DeviceError
from rainstead.readings import Kind, Quality, Reading
from rainstead.settings import EchoRanger
from rainstead_board.sampling import burst

from .channel import Backoff, Grid
from .gpio_line import EdgeLine, OutputLine

__all__ = ["NOMINAL_M_S", "TriggerEchoRanger"]

NOMINAL_M_S = 343.2
"""Raw millimetres are the echo's time at this speed, that of dry air at 20 deg C: a fixed factor, nothing else."""
_PING_MS = 60
"""Longer than any echo of a tank: a late one must not be taken for the next ping's."""
_TRIGGER_S = 12e-6


class TriggerEchoRanger:
    """Pings during the burst before each reading is due; an echo that does not come is never made up."""

    kind = Kind.LEVEL

    def __init__(self, name: str, sensor: EchoRanger, clock: Clock) -> None:
        self.name, self._sensor, self._clock = name, sensor, clock
        self.trouble: str | None = None
        self._grid = Grid(round(sensor.every_s * 1000))
        self._backoff = Backoff()
        self._lines: tuple[OutputLine, EdgeLine] | None = None
        self._edges: list[tuple[int, bool]] = []
        self._pinged_ms: int | None = None
        self._ranges_mm: list[tuple[int, float]] = []
        """Each with the time of its ping."""
        self._silent = 0

    def poll(self, boot_ms: int) -> list[Reading]:
        """See Channel."""
        if self._lines is None and not self._open(boot_ms):
            return [Reading(self.name, boot_ms, None, Quality.ABSENT)] if self._grid.passed(boot_ms) else []
        if self._pinged_ms is not None and boot_ms - self._pinged_ms >= _PING_MS:
            self._collect()
        if self._grid.passed(boot_ms):
            return [self._reading(boot_ms)]
        # A ping whose echo cannot be back before the reading would stand in the next one, a period too late.
        due_ms = self._grid.due_ms(boot_ms)
        if self._pinged_ms is None and due_ms - self._burst_ms() <= boot_ms <= due_ms - _PING_MS:
            self._ping(boot_ms)
        return []

    def next_due_ms(self, boot_ms: int) -> int:
        """See Channel."""
        due_ms = self._grid.due_ms(boot_ms)
        if self._pinged_ms is not None:
            return min(self._pinged_ms + _PING_MS, due_ms)
        if self._lines is None:
            return min(max(self._backoff.again_ms, boot_ms), due_ms)
        return due_ms if boot_ms > due_ms - _PING_MS else max(due_ms - self._burst_ms(), boot_ms)

    def close(self, boot_ms: int) -> list[Reading]:  # noqa: ARG002 - half a burst is no reading
        """See Channel."""
        if self._lines is not None:
            for line in self._lines:
                line.close()
            self._lines = None
        return []

    def _burst_ms(self) -> int:
        return min(max(round(self._sensor.burst_s * 1000), _PING_MS), self._grid.period_ms)

    def _open(self, boot_ms: int) -> bool:
        if not self._backoff.ready(boot_ms):
            return False
        trigger: OutputLine | None = None
        try:
            trigger = OutputLine(self._sensor.trigger_gpio)
            echo = EdgeLine(
                self._sensor.echo_gpio, self._clock, self._edge, pull_up=False, closings_only=False, pull=False
            )
        except DeviceError as error:
            if trigger is not None:
                trigger.close()
            self.trouble = str(error)
            self._backoff.failed(boot_ms)
            return False
        self._lines = (trigger, echo)
        self._backoff.succeeded()
        self.trouble = None
        return True

    def _edge(self, boot_us: int, high: bool) -> None:
        if len(self._edges) < 64:
            self._edges.append((boot_us, high))

    def _ping(self, boot_ms: int) -> None:
        assert self._lines is not None
        self._edges.clear()
        self._pinged_ms = boot_ms
        self._lines[0].set(True)
        time.sleep(_TRIGGER_S)
        self._lines[0].set(False)

    def _collect(self) -> None:
        assert self._pinged_ms is not None
        rose_us: int | None = None
        for at_us, high in list(self._edges):
            if high:
                rose_us = at_us
            elif rose_us is not None:
                self._ranges_mm.append((self._pinged_ms, (at_us - rose_us) * NOMINAL_M_S / 2000))
                break
        self._pinged_ms = None

    def _reading(self, boot_ms: int) -> Reading:
        # The last poll may come late by less than a ping; what is older than that is of no burst of this reading.
        oldest_ms = boot_ms - self._burst_ms() - _PING_MS
        ranges_mm = [range_mm for at_ms, range_mm in self._ranges_mm if at_ms >= oldest_ms]
        self._ranges_mm.clear()
        told = burst(
            ranges_mm,
            blanking_mm=self._sensor.blanking_m * 1000,
            max_range_mm=self._sensor.max_range_m * 1000,
            noisy_above_mm=self._sensor.noisy_above_m * 1000,
            fewest=self._sensor.fewest_echoes,
        )
        self._silent = 0 if ranges_mm else self._silent + 1
        if self._silent == 0:
            self.trouble = None
        elif self._silent >= 3:
            self.trouble = (
                f"GPIO {self._sensor.echo_gpio}: no echo to any ping; has the ranger power, and are trigger and echo "
                "the right way round?"
            )
        quality = Quality.SILENT if told.quality is Quality.NO_ECHO and not ranges_mm else told.quality
        value = None if told.median_mm is None else round(told.median_mm, 1)
        return Reading(self.name, boot_ms, value, quality, told.spread_mm, told.count)
