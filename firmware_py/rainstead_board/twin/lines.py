"""The twin's ends of the wires: mock pins that stamp an edge when it happened, and pseudo-terminals."""

import contextlib
import os
import tty
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin

from rainstead.errors import RainsteadError

__all__ = ["SerialLine", "StampedPin", "TriggerPin", "binary_frame", "check_byte", "text_frame", "wire", "write_probe"]


def binary_frame(distance_mm: int) -> bytes:
    """Header 0xFF, high byte, low byte, and the low byte of their sum."""
    high, low = distance_mm >> 8 & 0xFF, distance_mm & 0xFF
    return bytes((0xFF, high, low, (0xFF + high + low) & 0xFF))


def text_frame(distance_mm: int) -> bytes:
    """`R`, four digits, carriage return."""
    return b"R%04d\r" % min(max(distance_mm, 0), 9999)


class StampedPin(MockPin):  # type: ignore[misc]  # gpiozero has no type hints
    """A mock pin whose edges carry the time at which they happened, as the kernel stamps them on a board.

    The twin's thread may come late; the stamp does not. A pin that is `held` stays at that level whatever is
    driven, even when it is made an input.
    """

    _state: bool

    def __init__(self, factory: Any, info: Any) -> None:
        self.held: bool | None = None
        super().__init__(factory, info)

    def drive(self, level: bool, at_s: float) -> None:
        """An edge to `level` at `at_s` of the factory's ticks; none where it is at that level already."""
        if self.held is not None:
            level = self.held
        if self._state == level:
            return
        self._state = level
        self._last_change = at_s
        edge = "rising" if level else "falling"
        if self._edges in ("both", edge) and self._when_changed is not None:
            self._call_when_changed()

    def _set_pull(self, value: str) -> None:
        if self.held is None:
            super()._set_pull(value)
        else:
            self._pull = value


class TriggerPin(MockPin):  # type: ignore[misc]  # gpiozero has no type hints
    """An output that remembers the ends of the pulses that it was given, in ticks, and calls `woken`."""

    def __init__(self, factory: Any, info: Any) -> None:
        super().__init__(factory, info)
        self.ends: deque[float] = deque(maxlen=16)
        self.woken: Callable[[], None] | None = None

    def _change_state(self, value: Any) -> Any:
        changed = super()._change_state(value)
        if changed and not value and self._function == "output":
            self.ends.append(self._last_change)
            if self.woken is not None:
                self.woken()
        if len(self.states) > 1000:  # the mock keeps every state for ever
            del self.states[:-1]
        return changed


def wire(factory: MockFactory, gpio: int, kind: type[Any]) -> Any:
    """The pin of that line, as `kind`; it must be wired before anything else opens it."""
    pin = factory.pin(gpio, pin_class=kind)
    if not isinstance(pin, kind):
        raise RainsteadError(f"GPIO {gpio} was opened before the twin was wired to it; make the twin first")
    return pin


class SerialLine:
    """A pseudo-terminal behind a link at `path`: write frames at this end, and a driver reads them at the link."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ends: tuple[int, int] | None = None
        self.plug()

    def plug(self) -> None:
        """Lay the line, and the link to it."""
        if self._ends is not None:
            return
        near, far = os.openpty()
        # Raw, or the line turns the carriage return into a line feed and echoes what is written.
        tty.setraw(far)
        os.set_blocking(near, False)
        self._ends = near, far
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_name(self.path.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(far))
        fresh.replace(self.path)

    def unplug(self) -> None:
        """Take the device away under whoever reads it."""
        if self._ends is None:
            return
        self.path.unlink(missing_ok=True)
        for end in self._ends:
            os.close(end)
        self._ends = None

    def write(self, data: bytes) -> None:
        """Send; lost where the line is unplugged, or nobody reads and its buffer is full."""
        if self._ends is None:
            return
        with contextlib.suppress(BlockingIOError):
            os.write(self._ends[0], data)


def check_byte(scratch: bytes) -> int:
    """The one-wire bus's check over a probe's bytes: x^8 + x^5 + x^4 + 1, lowest bit first."""
    check = 0
    for byte in scratch:
        check ^= byte
        for _ in range(8):
            check = check >> 1 ^ (0x8C if check & 1 else 0)
    return check


def write_probe(path: Path, temperature_c: float) -> None:
    """The kernel's text for a one-wire probe: nine bytes with their check, then thousandths of a degree."""
    raw = round(temperature_c * 16)
    scratch = (raw & 0xFFFF).to_bytes(2, "little") + bytes((0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
    check = check_byte(scratch)
    seen = scratch.hex(" ") + f" {check:02x}"
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(path.name + ".new")
    fresh.write_text(f"{seen} : crc={check:02x} YES\n{seen} t={raw * 125 // 2}\n", "ascii")
    fresh.replace(path)
