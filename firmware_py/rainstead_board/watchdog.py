"""Word to the service manager: ready, alive, what is wrong. "Alive" is said only when every duty has moved on.

A ping from a timer would go on while the sensors hang. Here each duty marks its own progress, and there is no ping
once one of them is overdue; the manager then ends this process and starts it again.
"""

import contextlib
import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Duties", "Notifier"]


class Notifier:
    """Sends to the socket that the service manager names; without one, every call does nothing. Never raises."""

    def __init__(self, address: str | None, watchdog_us: int | None = None) -> None:
        self._address = None if not address else "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        self.ping_every_ms = None if watchdog_us is None else max(1, watchdog_us // 3000)
        """A third of what the manager allows, so that one ping may come late."""
        self._status = ""
        self._watchdog_us = self._allowed_us = watchdog_us

    @staticmethod
    def from_environment(environment: Mapping[str, str] = os.environ) -> "Notifier":
        """What the manager told this process; a watchdog that is meant for another process is not ours."""
        try:
            watchdog_us = int(environment["WATCHDOG_USEC"])
            if int(environment.get("WATCHDOG_PID", os.getpid())) != os.getpid() or watchdog_us <= 0:
                raise ValueError(watchdog_us)
        except (KeyError, ValueError):
            return Notifier(environment.get("NOTIFY_SOCKET"))
        return Notifier(environment.get("NOTIFY_SOCKET"), watchdog_us)

    def ready(self) -> None:
        """Readings are being taken: what waits for this service may start."""
        self._send("READY=1")

    def ping(self) -> None:
        """Every duty has moved on."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for whoever asks the manager; sent when it changes."""
        line = " ".join(text.split())
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def allow(self, ms: int) -> None:
        """The next piece of work may take so long; 0 for what the manager's own setting says."""
        usual_us = self._watchdog_us
        if usual_us is not None:
            wanted_us = max(usual_us, ms * 1000)
            if wanted_us != self._allowed_us:
                self._allowed_us = wanted_us
                self._send(f"WATCHDOG_USEC={wanted_us}")

    def stopping(self) -> None:
        """The last commit is being made."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """Say no more."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, message: str) -> None:
        if self._address is None:
            return
        # The manager being restarted itself must not end the logging.
        with contextlib.suppress(OSError):
            if self._socket is None:
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
                self._socket.setblocking(False)
            self._socket.sendto(message.encode(), self._address)


@dataclass(slots=True)
class Duties:
    """What must move on, and how long each may take; boot-clock milliseconds."""

    limits_ms: Mapping[str, int]
    _moved_ms: dict[str, int] = field(default_factory=dict)

    def moved(self, duty: str, boot_ms: int) -> None:
        """This duty has made progress."""
        self._moved_ms[duty] = boot_ms

    def overdue(self, boot_ms: int) -> dict[str, int]:
        """Duties without progress for longer than they may take, and for how long. One counts from its first move."""
        waited_ms = {duty: boot_ms - self._moved_ms.get(duty, boot_ms) for duty in self.limits_ms}
        return {duty: waited for duty, waited in waited_ms.items() if waited > self.limits_ms[duty]}
