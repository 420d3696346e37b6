"""One reading, and a batch of them: what a sensor said, before anything is worked out from it."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

import numpy as np
import numpy.typing as npt

__all__ = ["F64", "I64", "RAW_UNIT", "Batch", "Kind", "Quality", "Reading"]

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]


class Kind(StrEnum):
    """What a sensor's raw value is; the log's `sensor.kind`."""

    LEVEL = "level"
    """Millimetres from the sensor face down to the water, by the sensor's own idea of the speed of sound."""
    TIP = "tip"
    """Tips since the row before."""
    PULSE = "pulse"
    """Pulses since the row before."""
    TEMPERATURE = "temperature"
    """Degrees Celsius."""


RAW_UNIT = {Kind.LEVEL: "mm", Kind.TIP: "tips", Kind.PULSE: "pulses", Kind.TEMPERATURE: "degC"}


class Quality(IntEnum):
    """Why a raw value can or cannot be used. Numbers are in the log for ever: add, never renumber."""

    OK = 0
    NO_ECHO = 1
    """The sensor answered that it heard nothing, or too few echoes of a burst came back."""
    BLANKED = 2
    """Nearer than the sensor can see: a bound ("at least this full"), never a level."""
    OUT_OF_RANGE = 3
    NOISY = 4
    """A value is there, but the burst is too ragged to act on."""
    ABSENT = 5
    """The device is not there or may not be opened."""
    SILENT = 6
    """The device is there and says nothing."""
    GARBLED = 7
    """Bytes come, but no frame among them: wrong variant, wrong baud rate or line noise."""
    STUCK = 8
    """A switch stays closed: what fell meanwhile is unknown, not nought."""
    FALSE_ECHO = 9
    """At a distance that the settings name as a false echo: given by the calculation, never in the log."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What one sensor said at one moment of one boot.

    boot_ms: boot clock, milliseconds; the logger turns it into a time stamp.
    value: raw, in RAW_UNIT of the sensor's kind; None where there is none.
    spread: standard deviation of the burst, robust, in the raw unit; None where there was no burst.
    count: echoes behind the value.
    """

    sensor: str
    boot_ms: int
    value: float | None
    quality: Quality = Quality.OK
    spread: float | None = None
    count: int | None = None


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings as columns, in the log's order: by time stamp, then by the log's number of the sensor.

    t_ms: int64, UTC milliseconds. sensor: int16, index into `names`. value, spread: float64, NaN where
    there is none. quality: uint8, see Quality. All of one length; may be empty.
    """

    names: tuple[str, ...]
    t_ms: I64
    sensor: npt.NDArray[np.int16]
    value: F64
    quality: U8
    spread: F64

    def __len__(self) -> int:
        return len(self.t_ms)

    def of(self, name: str) -> "Batch":
        """The readings of one sensor."""
        if name not in self.names:
            return self.take(np.zeros(len(self), dtype=bool))
        return self.take(self.sensor == self.names.index(name))

    def take(self, which: npt.NDArray[np.bool_] | slice) -> "Batch":
        """The readings that a mask or a slice picks."""
        return Batch(
            self.names,
            self.t_ms[which],
            self.sensor[which],
            self.value[which],
            self.quality[which],
            self.spread[which],
        )

    @staticmethod
    def from_rows(
        names: tuple[str, ...],
        rows: Sequence[tuple[int, int, float | None, int, float | None]],
    ) -> "Batch":
        """A batch from (t_ms, index into names, value, quality, spread) rows, already in order."""
        if not rows:
            t, s, v, q, d = (), (), (), (), ()
        else:
            t, s, v, q, d = zip(*rows, strict=True)
        return Batch(
            names,
            np.array(t, dtype=np.int64),
            np.array(s, dtype=np.int16),
            np.array(v, dtype=np.float64),  # None becomes NaN
            np.array(q, dtype=np.uint8),
            np.array(d, dtype=np.float64),
        )
