"""One lamp on the board: how things are, for somebody who stands before it without a screen."""

import contextlib
from collections.abc import Callable
from enum import Enum
from typing import Final, Protocol

from rainstead.errors import DeviceError

__all__ = ["Lamp", "LampSays"]


class LampSays(Enum):
    """What the lamp shows, worst last: milliseconds on and off, over and over."""

    WELL = (1000, 0)
    """Steady: readings come in and are stored."""
    CLOCK = (1800, 200)
    """A short wink every two seconds: readings are stored, but the clock is not set yet."""
    TROUBLE = (1000, 1000)
    """Slow: a sensor is in trouble, or the disk is nearly full."""
    DISK = (150, 150)
    """Fast: readings are not being stored; they wait in memory."""


class Output(Protocol):
    """A line that can be driven."""

    def set(self, high: bool) -> None:
        """Drive it."""

    def close(self) -> None:
        """Let go."""


_RETRY_MS: Final = 60_000


class Lamp:
    """Dark means that no logger runs. A line that cannot be driven is tried again each minute; it stops nothing."""

    def __init__(self, open_line: Callable[[], Output]) -> None:
        self.trouble: str | None = None
        self._open_line = open_line
        self._line: Output | None = None
        self._lit: bool | None = None
        self._again_ms = 0

    def tick(self, says: LampSays, boot_ms: int) -> int:
        """Show what it should show at this moment; returns when it changes next."""
        on_ms, off_ms = says.value
        into_ms = boot_ms % (on_ms + off_ms)
        lit = into_ms < on_ms
        if boot_ms >= self._again_ms and (self._line is None or lit != self._lit):
            self._drive(lit, boot_ms)
        if off_ms == 0:
            return boot_ms + on_ms
        return boot_ms - into_ms + (on_ms if lit else on_ms + off_ms)

    def close(self) -> None:
        """Dark."""
        if self._line is not None:
            with contextlib.suppress(Exception):
                self._line.set(False)
            self._line.close()
            self._line = None

    def _drive(self, lit: bool, boot_ms: int) -> None:
        try:
            if self._line is None:
                self._line = self._open_line()
            self._line.set(lit)
            self._lit, self.trouble = lit, None
        except DeviceError as error:
            self._failed(str(error), boot_ms)
        except Exception as error:  # a pin library has types of its own
            self._failed(f"the lamp cannot be driven ({error!r})", boot_ms)

    def _failed(self, reason: str, boot_ms: int) -> None:
        self.trouble = reason
        self.close()
        self._again_ms = boot_ms + _RETRY_MS
