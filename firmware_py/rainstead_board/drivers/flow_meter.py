"""An open-collector flow meter: pulses counted without loss, reported each period while water flows."""

from rainstead.clock import Clock
from rainstead.errors import DeviceError
from rainstead.readings import Kind, Quality, Reading
from rainstead.settings import FlowPulse

from .channel import Backoff, Grid
from .gpio_line import EdgeLine

__all__ = ["FlowMeter"]

_IDLE_MS = 600_000
_ABSENT_MS = 60_000


class FlowMeter:
    """A row carries the pulses since the row before; a row of nought stands before the first and after the last."""

    kind = Kind.PULSE

    def __init__(self, name: str, sensor: FlowPulse, clock: Clock) -> None:
        self.name, self._sensor, self._clock = name, sensor, clock
        self.trouble: str | None = None
        self._line: EdgeLine | None = None
        self._backoff = Backoff()
        self._grid = Grid(round(sensor.every_s * 1000))
        self._idle = Grid(_IDLE_MS)
        self._absent = Grid(_ABSENT_MS)
        self._counted = 0
        """Written by the edge's thread alone; everyone else only reads it."""
        self._reported = 0
        self._opened_anew = 0
        self._flowing = False
        self._looked_ms: int | None = None
        self._row_ms: int | None = None

    def poll(self, boot_ms: int) -> list[Reading]:
        """See Channel."""
        if self._line is None and not self._open(boot_ms):
            return [Reading(self.name, boot_ms, None, Quality.ABSENT)] if self._absent.passed(boot_ms) else []
        assert self._line is not None
        if not self._grid.passed(boot_ms):
            return []
        try:
            self._line.look(boot_ms)
        except DeviceError as error:
            self._let_go()
            self._opened_anew += 1
            self.trouble = str(error)
            self._backoff.failed(boot_ms)
            self._absent.next_ms = None
            # What flows meanwhile is unknown, not nought; what was counted is told with the next row.
            self._row_ms = boot_ms
            return [Reading(self.name, boot_ms, None, Quality.SILENT)]
        return self._report(boot_ms)

    def counts(self) -> dict[str, int]:
        """How often the line had to be opened anew."""
        return {"opened_anew": self._opened_anew}

    def next_due_ms(self, boot_ms: int) -> int:
        """See Channel."""
        if self._line is None:
            return min(max(self._backoff.again_ms, boot_ms), self._grid.due_ms(boot_ms))
        return self._grid.due_ms(boot_ms)

    def close(self, boot_ms: int) -> list[Reading]:
        """See Channel."""
        self._let_go()
        if self._counted == self._reported:
            return []
        # The poll before may have told of this very millisecond, and a stamp names its reading.
        return self._report(boot_ms if self._row_ms is None else max(boot_ms, self._row_ms + 1))

    def _let_go(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    def _report(self, boot_ms: int) -> list[Reading]:
        counted = self._counted
        fresh, looked_ms = counted - self._reported, self._looked_ms
        self._reported, self._looked_ms = counted, boot_ms
        rows: list[Reading] = []
        if fresh and not self._flowing and looked_ms is not None and looked_ms not in (self._row_ms, boot_ms):
            rows.append(Reading(self.name, looked_ms, 0.0))
        if fresh or self._flowing or self._idle.passed(boot_ms) or self._row_ms is None:
            rows.append(Reading(self.name, boot_ms, float(fresh)))
            self._row_ms = boot_ms
        if fresh:
            self._idle.next_ms = None
        self._flowing = fresh > 0
        return rows

    def _open(self, boot_ms: int) -> bool:
        if not self._backoff.ready(boot_ms):
            return False
        try:
            self._line = EdgeLine(
                self._sensor.gpio, self._clock, self._edge, pull_up=self._sensor.pull_up, closings_only=True
            )
        except DeviceError as error:
            self.trouble = str(error)
            self._backoff.failed(boot_ms)
            return False
        self._backoff.succeeded()
        self.trouble = None
        self._looked_ms = boot_ms
        return True

    def _edge(self, _boot_us: int, closed: bool) -> None:
        if closed:
            self._counted += 1
