"""The two clocks: the boot clock for durations, the wall clock for stamps. Nothing else asks for the time."""

import time
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


class Clock(Protocol):
    """What a process may ask of time; tests pass their own."""

    def boot_ms(self) -> int:
        """Milliseconds since boot, never stepped, counting suspend."""

    def wall_ms(self) -> int:
        """UTC milliseconds by the wall clock, right or wrong."""

    def wait_until(self, boot_ms: int) -> None:
        """Sleep until the boot clock shows `boot_ms`, or return at once if it has passed."""


class SystemClock:
    """The machine's own clocks."""

    def boot_ms(self) -> int:
        """See Clock."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def wall_ms(self) -> int:
        """See Clock."""
        return time.time_ns() // 1_000_000

    def wait_until(self, boot_ms: int) -> None:
        """See Clock."""
        ahead_s = (boot_ms - self.boot_ms()) / 1000
        if ahead_s > 0:
            time.sleep(ahead_s)
