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

__all__ = ["RELEASED_MS", "SMALL_MS", "ClockNews", "TimeKeeper", "machine_clock_is_synchronised", "not_before_release"]

RELEASED_MS = 1_767_225_600_000
"""2026-01-01, before the first release: a clock that says less is wrong for certain, like a chip with a flat cell."""
_STEP_MS = 1000
"""Less than this is the two clocks being read a moment apart on a busy board."""
SMALL_MS = 60_000
"""A clock that is set by less than this moves no stamps that the log has."""
_SYNCHRONISED_FLAG = Path("/run/systemd/timesync/synchronized")
_TIME_ERROR = 5


class ClockNews(Enum):
    """What changed since the last look."""

    NONE = "none"
    SET_RIGHT = "set right"
    """The clock is trusted for the first time in this boot: its earlier stamps can be corrected."""
    NUDGED_FORWARD = "set forward a little"
    """Less than a minute: stamps go on from there, and none before it moves. Only while nothing is being measured."""
    STEPPED_FORWARD = "set forward"
    """Whoever sets a clock by a minute or more says that it was wrong: this boot's earlier stamps move as well."""
    STEPPED_BACK = "set back"


@dataclass(slots=True)
class TimeKeeper:
    """Holds the offset in force; `look` compares the clocks.

    floor_ms: the newest stamp that is known already. A clock that nobody has set is not believed when it lies before
    it: this boot's stamps then go on from there until it is set.
    begun_ms: boot clock of the first reading that is to be stamped; None: now.
    """

    clock: Clock
    is_trusted: Callable[[], bool]
    floor_ms: int | None = None
    begun_ms: int | None = None
    offset_ms: int = 0
    trusted: bool = False
    _floor_offset_ms: int | None = None
    _seen_ms: int = 0
    """The wall clock's own offset when it was last taken."""

    def __post_init__(self) -> None:
        self._seen_ms = self._measured_ms()
        self.trusted = self.is_trusted()
        if self.floor_ms is not None:
            begun_ms = self.clock.boot_ms() if self.begun_ms is None else self.begun_ms
            self._floor_offset_ms = self.floor_ms + 1 - begun_ms
        self.offset_ms = self._believed_ms()

    def look(self, is_still: Callable[[], bool] = lambda: True) -> ClockNews:
        """Compare the clocks and take the new offset if the wall clock was stepped.

        is_still: whether nothing goes on whose length would be wrong if stamps jumped within it. Until then a small
        step is left for a later look; small ones that add up to a minute are no small one any more.
        """
        measured_ms = self._measured_ms()
        if not self.trusted and self.is_trusted():
            self.trusted, self._seen_ms = True, measured_ms
            if abs(measured_ms - self.offset_ms) > _STEP_MS:
                self.offset_ms = measured_ms
            return ClockNews.SET_RIGHT
        if abs(measured_ms - self._seen_ms) > _STEP_MS:
            self._seen_ms = measured_ms
        step_ms = self._believed_ms() - self.offset_ms
        if -SMALL_MS < step_ms <= _STEP_MS:
            # Going back a little is not worth the rewriting of a year, and no stamp may come twice: this boot's
            # stamps stay ahead by that little.
            return ClockNews.NONE
        if step_ms < 0:
            news = ClockNews.STEPPED_BACK
        elif step_ms >= SMALL_MS:
            news = ClockNews.STEPPED_FORWARD
        elif is_still():
            news = ClockNews.NUDGED_FORWARD
        else:
            return ClockNews.NONE
        self.offset_ms += step_ms
        return news

    def _believed_ms(self) -> int:
        if self.trusted or self._floor_offset_ms is None:
            return self._seen_ms
        return max(self._seen_ms, self._floor_offset_ms)

    def _measured_ms(self) -> int:
        return self.clock.wall_ms() - self.clock.boot_ms()


def not_before_release(clock: Clock, is_trusted: Callable[[], bool]) -> Callable[[], bool]:
    """The same word, but for a clock that stands before this program was there, whoever says that it is right."""
    return lambda: is_trusted() and clock.wall_ms() >= RELEASED_MS


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
