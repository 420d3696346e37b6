"""A tipping-bucket rain gauge: each tip is a reading, stamped at its edge."""

from collections import deque

from rainstead.clock import Clock
from rainstead.errors import DeviceError
from rainstead.readings import Kind, Quality, Reading
from rainstead.settings import TippingBucket

from .channel import Backoff, Grid
from .gpio_line import EdgeLine
from .tips import TipFilter

__all__ = ["TippingBucketGauge"]

_POLL_MS = 250
_IDLE_MS = 600_000
"""Without tips, a row of nought this often: watched, and nothing fell."""
_STUCK_MS = 10_000
_STUCK_AGAIN_MS = 60_000
_MOST_EDGES = 100_000
"""Edges between two polls; more than this is a line that oscillates, not rain, and what comes on top is not kept."""


class TippingBucketGauge:
    """Counts in the edge's own path; polls only carry what has been counted."""

    kind = Kind.TIP

    def __init__(self, name: str, sensor: TippingBucket, clock: Clock) -> None:
        self.name, self._sensor, self._clock = name, sensor, clock
        self.trouble: str | None = None
        self.filter = TipFilter(round(sensor.bounce_s * 1e6), round(sensor.closest_tips_s * 1e6))
        self._edges: deque[tuple[int, bool]] = deque()
        self._given_up = self._opened_anew = 0
        self._line: EdgeLine | None = None
        self._backoff = Backoff()
        self._idle = Grid(_IDLE_MS)
        self._absent = Grid(_STUCK_AGAIN_MS)
        self._closed_since_ms: int | None = None
        self._stuck_told_ms: int | None = None
        self._last_ms = -1
        self._polled_ms: int | None = None

    def poll(self, boot_ms: int) -> list[Reading]:
        """See Channel."""
        self._polled_ms = boot_ms
        if self._line is None and not self._open(boot_ms):
            return [Reading(self.name, boot_ms, None, Quality.ABSENT)] if self._absent.passed(boot_ms) else []
        assert self._line is not None
        rows = self._tips()
        try:
            rows += self._watch_level(boot_ms, self._line.look(boot_ms))
        except DeviceError as error:
            self._lost(str(error), boot_ms)
            # What fell meanwhile is unknown, not nought.
            self._absent.next_ms = None
            return [*rows, *self._tips(), self._unknown(boot_ms, Quality.SILENT)]
        if rows:
            self._idle.next_ms = None
        elif self._idle.passed(boot_ms) and self._closed_since_ms is None:
            rows.append(self._row(boot_ms, 0.0))
        return rows

    def next_due_ms(self, boot_ms: int) -> int:
        """See Channel."""
        return boot_ms if self._polled_ms is None else self._polled_ms + _POLL_MS

    def close(self, boot_ms: int) -> list[Reading]:  # noqa: ARG002 - a tip is stamped at its edge
        """See Channel."""
        self._let_go()
        return self._tips()

    def _let_go(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    def _tips(self) -> list[Reading]:
        return [self._row(at_us // 1000, 1.0) for at_us in self._tips_us()]

    def _tips_us(self) -> list[int]:
        tips: list[int] = []
        for _ in range(len(self._edges)):
            at_us, closed = self._edges.popleft()
            if not closed:
                self.filter.opened(at_us)
            elif self.filter.is_tip(at_us):
                tips.append(at_us)
        return tips

    def _row(self, boot_ms: int, tips: float) -> Reading:
        # One row a millisecond, in order: a stamp names its reading.
        self._last_ms = max(boot_ms, self._last_ms + 1)
        return Reading(self.name, self._last_ms, tips)

    def _open(self, boot_ms: int) -> bool:
        if not self._backoff.ready(boot_ms):
            return False
        # Before the first edge can come: what is in the queue then lies after it.
        self.filter.begins(self._clock.boot_ms() * 1000)
        try:
            self._line = EdgeLine(
                self._sensor.gpio, self._clock, self._edge, pull_up=self._sensor.pull_up, closings_only=False
            )
        except DeviceError as error:
            self._lost(str(error), boot_ms)
            return False
        self._backoff.succeeded()
        self.trouble = None
        self._idle.next_ms = None
        return True

    def _lost(self, reason: str, boot_ms: int) -> None:
        self._opened_anew += self._line is not None
        self._let_go()
        self.trouble = reason
        self._closed_since_ms = self._stuck_told_ms = None
        self._backoff.failed(boot_ms)

    def counts(self) -> dict[str, int]:
        """Closures that were not counted as tips, and why; edges that did not come, and lines opened anew."""
        return {
            "bounces": self.filter.bounces,
            "tips_too_close": self.filter.too_close,
            "edges_missed": self.filter.missed_edges,
            "edges_given_up": self._given_up,
            "opened_anew": self._opened_anew,
        }

    def _edge(self, boot_us: int, closed: bool) -> None:
        if len(self._edges) < _MOST_EDGES:
            self._edges.append((boot_us, closed))
        else:
            self._given_up += 1

    def _watch_level(self, boot_ms: int, closed: bool) -> list[Reading]:
        """A switch held closed counts nothing; what falls meanwhile is unknown, and that is told, not nought."""
        if not closed:
            if self._stuck_told_ms is not None:
                self.trouble = None
            self._closed_since_ms = self._stuck_told_ms = None
            return []
        if self._closed_since_ms is None:
            self._closed_since_ms = boot_ms
        if boot_ms - self._closed_since_ms < _STUCK_MS:
            return []
        if self._stuck_told_ms is not None and boot_ms - self._stuck_told_ms < _STUCK_AGAIN_MS:
            return []
        self._stuck_told_ms = boot_ms
        self.trouble = (
            f"GPIO {self._sensor.gpio}: the gauge's switch stays closed, so tips are not counted; "
            "is the bucket resting on its magnet, or the cable shorted or wet?"
        )
        return [self._unknown(boot_ms, Quality.STUCK)]

    def _unknown(self, boot_ms: int, why: Quality) -> Reading:
        self._last_ms = max(boot_ms, self._last_ms + 1)
        return Reading(self.name, self._last_ms, None, why)
