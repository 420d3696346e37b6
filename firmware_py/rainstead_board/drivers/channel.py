"""What the logger's loop asks of a sensor, and the grid and back-off that drivers share."""

from dataclasses import dataclass
from typing import Protocol

from rainstead.readings import Kind, Reading

__all__ = ["Backoff", "Channel", "Grid"]


class Channel(Protocol):
    """One sensor. Times are boot-clock milliseconds; nothing here waits."""

    name: str
    kind: Kind
    trouble: str | None
    """What is wrong, in plain words, while something is."""

    def poll(self, boot_ms: int) -> list[Reading]:
        """What the sensor has said up to now."""

    def next_due_ms(self, boot_ms: int) -> int:
        """When it wants to be polled again."""

    def close(self, boot_ms: int) -> list[Reading]:
        """Let go of the device; what it had counted and not told yet. Never raises for what the device does."""


@dataclass(slots=True)
class Grid:
    """Times at whole multiples of a period, so that late polls do not add up to drift."""

    period_ms: int
    next_ms: int | None = None

    def due_ms(self, boot_ms: int) -> int:
        """The next time on the grid; set at the first call."""
        if self.next_ms is None:
            self.next_ms = (boot_ms // self.period_ms + 1) * self.period_ms
        return self.next_ms

    def passed(self, boot_ms: int) -> bool:
        """Whether the next time has come; one that was missed is not made up for."""
        if boot_ms < self.due_ms(boot_ms):
            return False
        self.next_ms = (boot_ms // self.period_ms + 1) * self.period_ms
        return True


@dataclass(slots=True)
class Backoff:
    """Waits between tries, 1 s growing to a minute."""

    wait_ms: int = 1000
    again_ms: int = 0

    def ready(self, boot_ms: int) -> bool:
        """Whether it is time for another try."""
        return boot_ms >= self.again_ms

    def failed(self, boot_ms: int) -> None:
        """Wait longer."""
        self.again_ms = boot_ms + self.wait_ms
        self.wait_ms = min(self.wait_ms * 2, 60_000)

    def succeeded(self) -> None:
        """Begin again with short waits."""
        self.wait_ms, self.again_ms = 1000, 0
