"""One GPIO line as edges with a time. The callback does next to nothing: what is slow in it loses edges.

gpiozero and its back ends run every callback in one thread, where an exception would end all of them, so the callback
catches everything. No bounce time is given to the library: back ends disagree on what it means.
"""

import contextlib
import sys
from collections.abc import Callable
from typing import Any

from gpiozero import Device

from rainstead.clock import Clock
from rainstead.errors import DeviceError

from .line_holder import line_holder

__all__ = ["EdgeLine", "OutputLine", "edges_have_ended"]

OnEdge = Callable[[int, bool], None]

_BELIEVABLE_US = 1_000_000
"""An edge is handed over within this of its stamp, or the stamp is of another clock."""


_WAKE_EVERY_MS = 60_000
_WAKE_FIRST_MS = 1000


def edges_have_ended() -> bool:
    """Whether the one thread that hands over every line's edges is dead: nothing but a new process brings it back."""
    library = sys.modules.get("lgpio")
    thread = None if library is None else getattr(library, "_notify_thread", None)
    return thread is not None and not thread.is_alive()


def _wake_library() -> None:
    # Seen with lgpio 0.2.2.0: its thread that watches the lines tests for lines, and only then goes to sleep; a line
    # that comes in between is never watched, and nothing says so. Opening and closing the chip wakes it.
    factory = Device.pin_factory
    if type(factory).__module__ == "gpiozero.pins.lgpio":
        library = sys.modules["lgpio"]
        with contextlib.suppress(Exception):
            library.gpiochip_close(library.gpiochip_open(factory.chip))


def _pin(line: int) -> Any:
    """The pin of the factory in use. Raises DeviceError for every way in which that can fail."""
    try:
        if Device.pin_factory is None:
            Device.ensure_pin_factory()
        return Device.pin_factory.pin(line)
    except Exception as error:  # each back end has its own types, down to bare strings from C
        library = sys.modules.get("lgpio")
        if library is not None and not hasattr(library, "gpiochip_open"):
            place = getattr(library, "__file__", None) or next(iter(getattr(library, "__path__", [])), "of no file")
            raise DeviceError(
                f"GPIO {line}: cannot be used: the GPIO library lgpio that is installed here ({place}) is an empty "
                'stand-in with nothing in it; put the whole one in its place: hardware/README.md, "The pin library"'
            ) from None
        holder = line_holder(line)
        if holder is not None:
            raise DeviceError(
                f"GPIO {line}: cannot be used ({error}); {holder} holds it: stop that program, or give this sensor "
                "another line"
            ) from None
        raise DeviceError(
            f"GPIO {line}: cannot be used ({error}); is this a board with GPIO lines, is this user in group gpio, "
            "and does no other program hold the line?"
        ) from None


def _let_go(pin: Any) -> None:
    # The logger lets go of its sensors before its last commit: a chip that is gone already must not cost that.
    with contextlib.suppress(Exception):
        pin.close()


class EdgeLine:
    """An input whose edges are handed to `on_edge(boot_us, closed)`, in the library's thread.

    closed: the switch or open collector pulls the line (low with pull_up, high without).
    closings_only: only those edges are asked for, which halves the work at high rates.
    """

    def __init__(
        self, line: int, clock: Clock, on_edge: OnEdge, *, pull_up: bool, closings_only: bool, pull: bool = True
    ) -> None:
        self._number, self._clock, self._on_edge, self._low_is_closed = line, clock, on_edge, pull_up
        self._delivered = 0
        self._pin = _pin(line)
        try:
            self._factory = self._pin.factory
            # Ticks are good for differences only, so they are paired with the boot clock once: pairing anew at each
            # edge would add the boot clock's millisecond to an echo's time, which is 170 mm.
            self._paired_ticks, self._paired_us = self._factory.ticks(), clock.boot_ms() * 1000
            self._pin.function = "input"
            self._pin.pull = ("up" if pull_up else "down") if pull else "floating"
            self._pin.bounce = None
            one = "falling" if pull_up else "rising"
            self._pin.edges = one if closings_only else "both"
            # gpiozero keeps only a weak reference to a method; this object must be kept by its driver.
            self._pin.when_changed = self._changed
        except Exception as error:
            self.close()
            raise DeviceError(f"GPIO {line}: cannot be set up ({error}); does another program hold the line?") from None
        self._was_closed, self._was_delivered = True, 0
        self._suspect: int | None = None
        self._wake_ms = clock.boot_ms() + _WAKE_FIRST_MS
        _wake_library()

    def look(self, boot_ms: int) -> bool:
        """The level now (closed), and whether the edges that led to it came.

        Raises DeviceError where the line cannot be read, and where it closed between two looks and a third one later
        no edge had come: edges are lost then, and the line is to be opened anew.
        """
        closed = self.closed
        delivered = self._delivered
        if self._suspect == delivered:
            raise DeviceError(f"GPIO {self._number}: the line moves, but its edges do not come; it is opened anew")
        deaf = closed and not self._was_closed and delivered == self._was_delivered
        self._suspect = delivered if deaf else None
        self._was_closed, self._was_delivered = closed, delivered
        if boot_ms >= self._wake_ms:
            self._wake_ms = boot_ms + _WAKE_EVERY_MS
            _wake_library()
        return closed

    @property
    def closed(self) -> bool:
        """The level now. Raises DeviceError where the line cannot be read any more."""
        try:
            return bool(self._pin.state) != self._low_is_closed
        except Exception as error:
            raise DeviceError(
                f"GPIO {self._number}: cannot be read ({error}); is its chip still there? It is opened again"
            ) from None

    def close(self) -> None:
        """Stop the edges; never raises."""
        with contextlib.suppress(Exception):
            self._pin.when_changed = None
        _let_go(self._pin)

    def _changed(self, ticks: float, state: int) -> None:
        try:
            now_us = self._clock.boot_ms() * 1000
            at_us = self._paired_us + round(self._factory.ticks_diff(ticks, self._paired_ticks) * 1_000_000)
            if abs(now_us - at_us) > _BELIEVABLE_US:
                # The board slept, the ticks wrapped, or this kernel stamps by another clock: arrival must do for this
                # edge, and those after it are told from it.
                self._paired_ticks, self._paired_us, at_us = ticks, now_us, now_us
            self._delivered += 1
            self._on_edge(at_us, bool(state) != self._low_is_closed)
        except Exception:
            # Raised here it would end the one thread that serves every line. What goes wrong shows as silence.
            pass


class OutputLine:
    """An output, low at first."""

    def __init__(self, line: int) -> None:
        self._pin = _pin(line)
        try:
            self._pin.function = "output"
            self._pin.state = False
        except Exception as error:
            self.close()
            raise DeviceError(f"GPIO {line}: cannot be set up ({error}); does another program hold the line?") from None

    def set(self, high: bool) -> None:
        """Drive it."""
        self._pin.state = high

    def close(self) -> None:
        """Let go; never raises."""
        _let_go(self._pin)
