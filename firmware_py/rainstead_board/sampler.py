"""The sensors' own loop: it touches no disk, so that a slow one delays no reading and costs no edge."""

import logging
import threading
from collections.abc import Callable, Sequence
from typing import Final

from rainstead.clock import Clock
from rainstead.journal import about
from rainstead.readings import Reading

from .drivers import Channel
from .lamp import Lamp, LampSays
from .waiting import Waiting

__all__ = ["Sampler"]

LONGEST_WAIT_MS: Final = 1000
_JOIN_S: Final = 5.0

_journal = logging.getLogger("rainstead.logger")


class Sampler:
    """Polls every channel when it is due and puts what it said into `waiting`.

    step: all of it once, in the caller's thread. start and stop: the same, over and over, in a thread of its own.
    """

    def __init__(self, channels: Sequence[Channel], clock: Clock, waiting: Waiting, lamp: Lamp | None = None) -> None:
        self.channels = channels
        self.troubles: dict[str, str | None] = {}
        """What is wrong with each sensor, in plain words; None where nothing is."""
        self.lamp_says = LampSays.WELL
        self.remark: Callable[[], str] = lambda: ""
        """What to add in the journal to a trouble that begins now."""
        self.rounds = 0
        """Grows with each round that was finished: the proof that no driver hangs."""
        self._clock, self._waiting, self._lamp = clock, waiting, lamp
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()

    def step(self) -> int:
        """Poll what is due; returns the boot-clock time at which something is due again."""
        now_ms = self._clock.boot_ms()
        for channel in self.channels:
            if channel.next_due_ms(now_ms) <= now_ms:
                self._take(channel, channel.poll, now_ms)
        due_ms = [max(channel.next_due_ms(now_ms), now_ms + 1) for channel in self.channels]
        if self._lamp is not None:
            due_ms.append(self._lamp.tick(self.lamp_says, now_ms))
        self.rounds += 1
        return min([now_ms + LONGEST_WAIT_MS, *due_ms])

    def start(self) -> None:
        """Go on by itself until `stop`."""
        self._thread = threading.Thread(target=self._run, name="sensors", daemon=True)
        self._thread.start()

    @property
    def runs(self) -> bool:
        """Whether its thread lives; True where it has none."""
        return self._thread is None or self._thread.is_alive()

    def stop(self) -> None:
        """Take what the sensors still have and let go of them. A driver that hangs is left behind with its thread."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(_JOIN_S)
            if self._thread.is_alive():
                _journal.error("a sensor's driver hangs; what the sensors still had is lost")
                return
        now_ms = self._clock.boot_ms()
        for channel in self.channels:
            self._take(channel, channel.poll, now_ms)
            self._take(channel, channel.close, now_ms)
        if self._lamp is not None:
            self._lamp.close()

    def _run(self) -> None:
        while not self._ending.is_set():
            self._clock.wait_until(self.step())

    def _take(self, channel: Channel, ask: Callable[[int], list[Reading]], now_ms: int) -> None:
        try:
            self._waiting.put(ask(now_ms))
            trouble = channel.trouble
        except Exception as error:  # one sensor's fault, of whatever kind, must not stop the others
            trouble = f"its driver failed: {error!r}"
        if trouble != self.troubles.get(channel.name):
            fields = about(sensor=channel.name)
            if trouble is None:
                _journal.info("sensor %s is back", channel.name, extra=fields)
            else:
                _journal.warning("sensor %s: %s%s", channel.name, trouble, self.remark(), extra=fields)
            self.troubles[channel.name] = trouble
