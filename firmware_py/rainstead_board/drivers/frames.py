"""Bytes of a serial ranger to ranges. Fed in any cut; resynchronise after garbage; never raise; bounded memory.

A range is in millimetres; None is the sensor saying that it heard no echo.
"""

from typing import Protocol

__all__ = ["BinaryFrames", "Frames", "TextFrames"]

_HEADER = 0xFF
_NO_ECHO_WORDS = frozenset({0x0000, 0xFFFD, 0xFFFE, 0xFFFF})
"""Codes that rangers of this kind send instead of a range."""


class Frames(Protocol):
    """A decoder that keeps the part of a frame that has come so far."""

    bad_bytes: int

    def feed(self, data: bytes) -> list[int | None]:
        """The ranges of all frames that these bytes complete."""


class BinaryFrames:
    """0xFF, high byte, low byte, low byte of the sum of the three."""

    def __init__(self) -> None:
        self.bad_bytes = 0
        self._kept = b""

    def feed(self, data: bytes) -> list[int | None]:
        """See Frames. Slides to the next 0xFF where the sum is wrong: it occurs inside frames too.

        No range is as large as 0xFF00 mm. Taken for one, the last byte of FF 01 FF FF (511 mm) would pass for a
        header, and the frame FF FF 01 FF be read for as long as the water stands at 511 mm.
        """
        buffer, at, found = self._kept + data, 0, []
        while len(buffer) - at >= 4:
            header, high, low, check = buffer[at : at + 4]
            word = high << 8 | low
            possible = header == _HEADER and (high != _HEADER or word in _NO_ECHO_WORDS)
            if possible and (header + high + low) & 0xFF == check:
                found.append(None if word in _NO_ECHO_WORDS else word)
                at += 4
            else:
                header_at = buffer.find(_HEADER, at + 1)
                skipped = (header_at if header_at >= 0 else len(buffer)) - at
                self.bad_bytes += skipped
                at += skipped
        self._kept = buffer[at:]
        return found


class TextFrames:
    """`R`, three to five digits, carriage return."""

    _LONGEST = 7

    def __init__(self) -> None:
        self.bad_bytes = 0
        self._kept = b""

    def feed(self, data: bytes) -> list[int | None]:
        """See Frames. A frame is whole or it is nothing: digits without their R are not a range."""
        *lines, rest = (self._kept + data).split(b"\r")
        found: list[int | None] = []
        for line in lines:
            start = line.rfind(b"R")
            digits = line[start + 1 :]
            if start >= 0 and 3 <= len(digits) <= 5 and digits.isdigit():
                self.bad_bytes += start
                value = int(digits)
                found.append(None if value == 0 else value)
            else:
                self.bad_bytes += len(line) + 1
        # What cannot be the beginning of a frame any more need not be kept.
        if len(rest) >= self._LONGEST:
            self.bad_bytes += len(rest) - self._LONGEST + 1
            rest = rest[-self._LONGEST + 1 :]
        self._kept = rest
        return found
