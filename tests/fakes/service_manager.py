"""The service manager's end of a notify socket."""

import socket
from pathlib import Path

__all__ = ["ServiceManager"]


class ServiceManager:
    """Hears what a service says."""

    def __init__(self, path: Path) -> None:
        self.address = str(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.address)
        self._socket.setblocking(False)

    def heard(self) -> list[str]:
        """All messages since the last call."""
        found = []
        while True:
            try:
                found.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return found

    def close(self) -> None:
        """Hear no more."""
        self._socket.close()
