"""Readings between the sensors and the disk: bounded, the oldest given up first, and counted."""

import threading
from collections import deque
from collections.abc import Iterable

from rainstead.readings import Reading

__all__ = ["MOST_WAITING", "Waiting"]

MOST_WAITING = 200_000
"""About 18 hours of three rangers every second, or a week of three every ten; some 40 MB."""


class Waiting:
    """Filled by the sensors' thread, emptied by the one that writes."""

    def __init__(self, most: int = MOST_WAITING) -> None:
        self.dropped = 0
        """Given up for want of room since the last `forget_dropped`."""
        self._most = most
        self._lock = threading.Lock()
        self._readings: deque[Reading] = deque()
        self._taken = 0

    def __len__(self) -> int:
        return len(self._readings) + self._taken

    def put(self, readings: Iterable[Reading]) -> None:
        """Add what sensors said; the oldest goes where there is no more room."""
        with self._lock:
            self._readings.extend(readings)
            self._keep_bounded()

    def oldest_ms(self) -> int | None:
        """Boot-clock time of the reading that has waited longest."""
        with self._lock:
            return self._readings[0].boot_ms if self._readings else None

    def earliest_ms(self, now_ms: int) -> int:
        """Boot-clock time of the earliest reading; now where none waits."""
        with self._lock:
            return min((reading.boot_ms for reading in self._readings), default=now_ms)

    def newest_ms(self) -> int | None:
        """Boot-clock time of the newest reading."""
        with self._lock:
            return max((reading.boot_ms for reading in self._readings), default=None)

    def take(self, upto_boot_ms: int, most: int) -> list[Reading]:
        """Those read up to a time, oldest first and at most so many (more where many are of one millisecond).

        They count as waiting until `stored` or `put_back` says what became of them.
        """
        with self._lock:
            ready = sorted((r for r in self._readings if r.boot_ms <= upto_boot_ms), key=lambda r: r.boot_ms)
            if len(ready) > most:
                # A millisecond stays whole: what comes of it later would be late, and late readings cost a rebuild.
                last_ms = ready[most - 1].boot_ms
                upto_boot_ms = last_ms
                ready = [r for r in ready if r.boot_ms <= last_ms]
            if ready:
                self._readings = deque(r for r in self._readings if r.boot_ms > upto_boot_ms)
            self._taken = len(ready)
            return ready

    def stored(self) -> None:
        """What was taken is on disk."""
        with self._lock:
            self._taken = 0

    def put_back(self, readings: list[Reading]) -> None:
        """What was taken is not on disk."""
        with self._lock:
            self._taken = 0
            self._readings.extendleft(reversed(readings))
            self._keep_bounded()

    def forget_dropped(self) -> int:
        """How many were given up; from here on counted anew."""
        with self._lock:
            dropped, self.dropped = self.dropped, 0
            return dropped

    def _keep_bounded(self) -> None:
        while self._readings and len(self._readings) + self._taken > self._most:
            self._readings.popleft()
            self.dropped += 1
