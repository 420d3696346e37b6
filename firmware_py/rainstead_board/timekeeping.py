"""When the wall clock is to be believed, and by how much it is ahead of the boot clock.

Stamps are `boot clock + offset`. The kernel disciplines both clocks alike, so the offset is constant but for steps:
a step is somebody or something setting the clock.
"""

import ctypes
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from rainstead.clock import Clock

__all__ = ["ClockNews", "TimeKeeper", "machine_clock_is_synchronised"]

_STEP_MS = 1000
"""Less than this is the two clocks being read a moment apart on a busy board."""
_SYNCHRONISED_FLAG = Path("/run/systemd/timesync/synchronized")
_TIME_ERROR = 5


class ClockNews(Enum):
    """What changed since the last look."""

    NONE = "none"
    SET_RIGHT = "set right"
    """The clock is trusted for the first time in this boot: its earlier stamps can be corrected."""
    STEPPED_FORWARD = "stepped forward"
    STEPPED_BACK = "stepped back"


@dataclass(slots=True)
class TimeKeeper:
    """Holds the offset in force; `look` compares the clocks."""

    clock: Clock
    is_trusted: Callable[[], bool]
    offset_ms: int = 0
    trusted: bool = False

    def __post_init__(self) -> None:
        self.offset_ms = self._measured_ms()
        self.trusted = self.is_trusted()

    def look(self) -> ClockNews:
        """Compare the clocks and take the new offset if the wall clock was stepped."""
        measured_ms = self._measured_ms()
        step_ms = measured_ms - self.offset_ms
        if not self.trusted and self.is_trusted():
            self.trusted = True
            if abs(step_ms) > _STEP_MS:
                self.offset_ms = measured_ms
            return ClockNews.SET_RIGHT
        if abs(step_ms) <= _STEP_MS:
            return ClockNews.NONE
        self.offset_ms = measured_ms
        return ClockNews.STEPPED_FORWARD if step_ms > 0 else ClockNews.STEPPED_BACK

    def _measured_ms(self) -> int:
        return self.clock.wall_ms() - self.clock.boot_ms()


def machine_clock_is_synchronised() -> bool:
    """Whether a time daemon has set the clock in this boot, by its flag file or by the kernel's own word."""
    if _SYNCHRONISED_FLAG.exists():
        return True
    try:
        adjtimex = ctypes.CDLL(None).adjtimex
    except (AttributeError, OSError):
        return False
    # struct timex, zeroed: modes = 0 only asks. 512 bytes are more than any 64-bit layout of it.
    answer = adjtimex(ctypes.create_string_buffer(512))
    # A confined process may be refused (-1); then only the flag file counts.
    return answer not in (-1, _TIME_ERROR)
