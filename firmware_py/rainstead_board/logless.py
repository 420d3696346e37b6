"""While the disk lets no log be opened or begun: readings wait in memory, and it is tried again, ever further apart."""

import logging
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Final

from rainstead.alarms import BOARD_ALARMS, NORMAL
from rainstead.clock import Clock
from rainstead.events import AlarmEvent

from .keeper import Keeper
from .timekeeping import TimeKeeper, not_before_release

__all__ = ["Logless", "to_hand_on"]

FIRST_WAIT_MS: Final = 5_000
LONGEST_WAIT_MS: Final = 60_000

_journal = logging.getLogger("rainstead.logger")


class Logless:
    """Stands in for the keeper, and says of itself what a keeper does. Nothing is calculated meanwhile.

    before: the keeper that has lost its log; its stamps go on.
    """

    calculation_failed: None = None

    def __init__(
        self, clock: Clock, clock_is_trusted: Callable[[], bool], disk_trouble: str, before: Keeper | None
    ) -> None:
        self.time = TimeKeeper(clock, not_before_release(clock, clock_is_trusted)) if before is None else before.time
        self.disk_trouble = disk_trouble
        self.last_commit_ms = None if before is None else before.last_commit_ms
        self.slowest_commit_ms = 0 if before is None else before.slowest_commit_ms
        self.events: list[AlarmEvent] = [] if before is None else before.events
        """For the log that there will be."""
        self._clock = clock
        self._wait_ms = FIRST_WAIT_MS
        self.due_ms = clock.boot_ms() + self._wait_ms
        """Boot clock of the next try."""
        _journal.error("there is no log to write to (%s); readings wait in memory until there is one", disk_trouble)

    def wall_ms(self) -> int:
        """The stamp of this moment, as far as it is known."""
        return self._clock.boot_ms() + self.time.offset_ms

    def keep_events(self, events: Iterable[AlarmEvent]) -> None:
        """Put events into the log that there will be."""
        self.events += events

    def step(self) -> int:
        """Look at the clock; returns the boot-clock time of the next try."""
        self.time.look(lambda: False)  # what goes on is not known without a log
        return self.due_ms

    def refused_again(self, why: str) -> None:
        """The next try comes later than this one did."""
        self.disk_trouble = why
        self._wait_ms = min(2 * self._wait_ms, LONGEST_WAIT_MS)
        self.due_ms = self._clock.boot_ms() + self._wait_ms


def to_hand_on(events: Iterable[AlarmEvent], stood: Iterable[AlarmEvent], shift_ms: int) -> list[AlarmEvent]:
    """Those of the board's alarms that a log does not have yet; the others are worked out from readings.

    stood: what the log has. shift_ms: by how much stamps differ in it from what they were taken for.
    """
    states = {(event.alarm, event.subject): event.state for event in stood}
    found = []
    for event in events:
        key = (event.alarm, event.subject)
        if event.alarm in BOARD_ALARMS and states.get(key, NORMAL) != event.state:
            states[key] = event.state
            found.append(replace(event, t_ms=event.t_ms + shift_ms))
    return found
