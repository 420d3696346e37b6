"""A serial adapter on a pseudo-terminal, and a ranger on it that is polled as the logger does. Time is the test's."""

import contextlib
import fcntl
import os
import sys
import termios
import time
import tty
from pathlib import Path

from rainstead.readings import Reading
from rainstead.settings import BinaryRanger, TextRanger
from rainstead_board.drivers.ranger_serial import SerialRanger

__all__ = ["Adapter", "Desk"]


class Adapter:
    """A serial adapter under a link that stays the same, as under /dev/serial/by-id."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ends: tuple[int, int] | None = None
        self.plug()

    def plug(self) -> None:
        near, far = os.openpty()
        tty.setraw(far)
        self._ends = near, far
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(far))

    def unplug(self) -> None:
        """The master goes: whoever reads the other end is told that the device has gone."""
        if self._ends is not None:
            self.path.unlink()
            for end in self._ends:
                os.close(end)
            self._ends = None

    def send(self, data: bytes) -> None:
        """Write, and see it arrive: the kernel carries it across in a thread of its own."""
        assert self._ends is not None
        near, far = self._ends
        want = self._waiting(far) + len(data)
        os.write(near, data)
        until_s = time.monotonic() + 10
        while self._waiting(far) < want:
            assert time.monotonic() < until_s, "the pseudo-terminal does not carry what was written"
            os.sched_yield()

    @staticmethod
    def _waiting(far: int) -> int:
        return int.from_bytes(fcntl.ioctl(far, termios.FIONREAD, bytes(4)), sys.byteorder)

    def fill(self) -> int:
        """Write until no more goes in; how much that was."""
        assert self._ends is not None
        os.set_blocking(self._ends[0], False)
        written = 0
        with contextlib.suppress(BlockingIOError):
            while written < 20_000:
                written += os.write(self._ends[0], bytes(1_000))
        return written


class Desk:
    """A ranger on an adapter, polled as the logger's loop polls it."""

    def __init__(self, adapter: Adapter, sensor: BinaryRanger | TextRanger) -> None:
        self.adapter, self.ranger, self.now_ms = adapter, SerialRanger("tank", sensor), 10_000
        self.readings: list[Reading] = []

    def poll(self) -> None:
        self.readings += self.ranger.poll(self.now_ms)

    def live(self, for_ms: int, sent: bytes = b"", every_ms: int = 100) -> list[Reading]:
        """Let time pass, with `sent` on the line at each step; the readings of it."""
        before, end_ms = len(self.readings), self.now_ms + for_ms
        while self.now_ms < end_ms:
            self.now_ms += every_ms
            if sent:
                self.adapter.send(sent)
            if self.ranger.next_due_ms(self.now_ms) <= self.now_ms:
                self.poll()
        return self.readings[before:]
