"""A level ranger that sends its ranges over a serial line, all the time."""

from collections import deque

from rainstead.errors import DeviceError
from rainstead.readings import Kind, Quality, Reading
from rainstead.settings import BinaryRanger, TextRanger
from rainstead_board.sampling import burst

from .channel import Backoff, Grid
from .frames import BinaryFrames, Frames, TextFrames
from .garbled import SAMPLE_BYTES, garbled_words
from .last_hour import LastHour
from .serial_port import SerialPort

__all__ = ["SerialRanger"]

_POLL_MS = 250
_SILENT_PERIODS = 3
_SETTLE_MS = 1000
"""After opening: a sensor that opening resets sends a greeting first, and a frame of it may pass for a range."""


class SerialRanger:
    """One reading each period, whatever happens: a level, or the reason why there is none."""

    kind = Kind.LEVEL

    def __init__(self, name: str, sensor: BinaryRanger | TextRanger) -> None:
        self.name, self._sensor = name, sensor
        self.trouble: str | None = None
        self._port = SerialPort(sensor.port, sensor.baud)
        self._frames = self._fresh_frames()
        self._grid = Grid(round(sensor.every_s * 1000))
        self._burst_ms = round(sensor.burst_s * 1000)
        self._backoff = Backoff()
        self._echoes: deque[tuple[int, int | None]] = deque()
        self._bytes = self._bad_bytes = self._opened = 0
        self._heard = False
        self._sample = b""
        """The newest bytes since the last frame."""
        self._quiet = 0
        self._sharing: str | None = None
        self._opened_ms = 0
        self._hour = LastHour()
        self._polled_ms: int | None = None

    def poll(self, boot_ms: int) -> list[Reading]:
        """See Channel."""
        since_ms, self._polled_ms = self._polled_ms, boot_ms
        if not self._port.is_open and self._backoff.ready(boot_ms):
            self._open(boot_ms)
        elif self._port.is_open and since_ms is not None:
            self._read(since_ms, boot_ms)
        self._hour.note(boot_ms, self._all_bad_bytes())
        if not self._grid.passed(boot_ms):
            return []
        return [self._reading(boot_ms)]

    def next_due_ms(self, boot_ms: int) -> int:
        """See Channel. Read often, so that a frame's time is known and the kernel's buffer never holds old ones."""
        again_ms = boot_ms if self._polled_ms is None else self._polled_ms + _POLL_MS
        return min(again_ms, self._grid.due_ms(boot_ms))

    def close(self, boot_ms: int) -> list[Reading]:  # noqa: ARG002 - half a burst is no reading
        """See Channel."""
        self._port.close()
        return []

    def counts(self) -> dict[str, int]:
        """Bytes that were of no frame, in all and within the last hour; how often the port had to be opened anew."""
        bad = self._all_bad_bytes()
        return {
            "bad_bytes": bad,
            "bad_bytes_last_hour": self._hour.grown(bad),
            "opened_anew": max(0, self._opened - 1),
        }

    def _all_bad_bytes(self) -> int:
        return self._bad_bytes + self._frames.bad_bytes

    def _fresh_frames(self) -> Frames:
        return BinaryFrames() if self._sensor.kind == "ranger-binary" else TextFrames()

    def _open(self, boot_ms: int) -> None:
        try:
            self._port.open()
        except DeviceError as error:
            self._lost(str(error), boot_ms)
            return
        self._opened += 1
        self._bad_bytes += self._frames.bad_bytes
        self._frames = self._fresh_frames()
        self._echoes.clear()
        self._bytes, self._heard, self._sample = 0, False, b""
        self._opened_ms = boot_ms

    def _read(self, since_ms: int, boot_ms: int) -> None:
        try:
            data = self._port.read()
        except DeviceError as error:
            self._lost(str(error), boot_ms)
            return
        values = self._frames.feed(data)
        if self._is_settling(boot_ms):
            return
        self._bytes += len(data)
        self._sample = b"" if values else (self._sample + data)[-SAMPLE_BYTES:]
        # After a poll that came late most of these are old. Sensors of this kind send at a steady rate.
        for number, value in enumerate(values, start=1):
            at_ms = since_ms + (boot_ms - since_ms) * number // len(values)
            if not self._is_settling(at_ms):
                self._heard = True
                self._echoes.append((at_ms, value))
        # With a long period a talkative sensor would fill the memory with echoes of no burst.
        while self._echoes and self._echoes[0][0] <= boot_ms - self._burst_ms:
            self._echoes.popleft()

    def _is_settling(self, boot_ms: int) -> bool:
        return boot_ms < self._opened_ms + _SETTLE_MS

    def _lost(self, reason: str, boot_ms: int) -> None:
        self.trouble = reason
        self._backoff.failed(boot_ms)
        self._echoes.clear()

    def _reading(self, boot_ms: int) -> Reading:
        if not self._port.is_open:
            return Reading(self.name, boot_ms, None, Quality.ABSENT)
        recent = [value for at_ms, value in self._echoes if at_ms > boot_ms - self._burst_ms]
        came, self._bytes = self._bytes, 0
        heard_any, self._heard = self._heard, False
        self._echoes.clear()
        if heard_any:
            self._backoff.succeeded()
        if not recent:
            return self._nothing(boot_ms, came, heard_any)
        self._quiet, self.trouble, self._sharing = 0, None, None
        told = burst(
            [value for value in recent if value is not None],
            blanking_mm=self._sensor.blanking_m * 1000,
            max_range_mm=self._sensor.max_range_m * 1000,
            noisy_above_mm=self._sensor.noisy_above_m * 1000,
            fewest=self._sensor.fewest_echoes,
        )
        return Reading(self.name, boot_ms, told.median_mm, told.quality, told.spread_mm, told.count)

    def _nothing(self, boot_ms: int, came: int, heard_any: bool) -> Reading:
        """No frame in the burst: bytes without frames are another fault than silence."""
        garbled = came > 0 and not heard_any
        if self._is_settling(boot_ms):
            return Reading(self.name, boot_ms, None, Quality.GARBLED if garbled else Quality.SILENT)
        self._quiet += 1
        if self._quiet == _SILENT_PERIODS:
            self._sharing = self._port.shared_with()
        # What was told before may be over: a port that is back is not missing any more.
        if self._quiet >= _SILENT_PERIODS or self.trouble is not None:
            self.trouble = f"{self._port.path}: " + (
                "bytes come but no frame among them; "
                + garbled_words(self._sample, self._sensor.kind, self._sensor.baud)
                if garbled
                else "the sensor says nothing; has it power, and are its wires the right way round?"
            )
            if self._sharing is not None:
                self.trouble += f"; {self._sharing}"
        return Reading(self.name, boot_ms, None, Quality.GARBLED if garbled else Quality.SILENT)
