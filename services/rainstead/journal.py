"""What our programs say while they run: to the system's journal with a priority and fields, to anybody else as words.

The journal's own datagrams (systemd, "Journal Native Protocol") carry a priority, so that `journalctl -p warning` finds
what is wrong, and fields, so that `journalctl RAINSTEAD_SENSOR=…` finds what was said of a sensor. Nothing waits for a
journal that hangs, which reads no error stream either: lines are dropped, and how many is said later.
"""

import logging
import os
import socket
import struct
import sys
from typing import Final

from rainstead.clock import SystemClock
from rainstead.repeats import Repeats

__all__ = ["JOURNAL", "about", "begin_journal", "last_words"]

JOURNAL: Final = "/run/systemd/journal/socket"
_ERROR: Final = 3
_PRIORITY: Final = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: _ERROR, logging.CRITICAL: 2}
"""As syslog has them (RFC 5424)."""


def begin_journal(program: str) -> Repeats:
    """Let what is logged from now on be heard: INFO and above, of all modules. What it returns is to be ticked."""
    said = Repeats(_handler(program), SystemClock().boot_ms)
    logging.basicConfig(level=logging.INFO, handlers=[said])
    return said


def about(**fields: str) -> dict[str, dict[str, str]]:
    """What a line is about, as `extra` of a logging call: `about(sensor="house")` becomes RAINSTEAD_SENSOR=house.

    Lines about the same are one matter to `repeats`, whatever their words.
    """
    return {"fields": {f"RAINSTEAD_{name.upper()}": value for name, value in fields.items()}}


def last_words(program: str, said: str) -> None:
    """Why a program ends, for whoever reads its error stream."""
    print(f"<{_ERROR}>{said}" if _journal_listens() else f"{program}: {said}", file=sys.stderr)


def _journal_listens() -> bool:
    """Whether the error stream goes to the journal, as the manager says it does (`JOURNAL_STREAM`)."""
    try:
        told = os.fstat(sys.stderr.fileno())
    except (OSError, ValueError, AttributeError):
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{told.st_dev}:{told.st_ino}"


def _handler(program: str) -> logging.Handler:
    if _journal_listens():
        return _Journal(program, JOURNAL)
    words = logging.StreamHandler(sys.stderr)
    words.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
    return words


class _Journal(logging.Handler):
    def __init__(self, program: str, address: str) -> None:
        super().__init__()
        self.setFormatter(logging.Formatter("%(message)s"))
        self._program, self._address, self._dropped = program, address, 0
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setblocking(False)

    def emit(self, record: logging.LogRecord) -> None:
        """Send a line, and how many were dropped before it."""
        try:
            said, priority = self.format(record), _PRIORITY.get(record.levelno, 6)
            if self._dropped:
                said += f" ({self._dropped} lines before this one are lost: the journal took none)"
            where = {"CODE_FILE": record.pathname, "CODE_LINE": str(record.lineno), "CODE_FUNC": record.funcName or ""}
            self._send(said, priority, {"LOGGER": record.name, **where, **getattr(record, "fields", {})})
        except Exception:  # what logging itself does: nothing that is said may end who says it
            self.handleError(record)

    def _send(self, said: str, priority: int, more: dict[str, str]) -> None:
        fields = {"MESSAGE": said, "PRIORITY": str(priority), "SYSLOG_IDENTIFIER": self._program, **more}
        try:
            self._socket.sendto(b"".join(_field(*one) for one in fields.items()), self._address)
            self._dropped = 0
        except BlockingIOError:
            self._dropped += 1
        except OSError:  # there is no such socket, or the line is too long for it
            for line in said.splitlines():
                print(f"<{priority}>{line}", file=sys.stderr)

    def close(self) -> None:
        """See logging.Handler."""
        self._socket.close()
        super().close()


def _field(name: str, value: str) -> bytes:
    data = value.encode("utf-8", "backslashreplace")
    if b"\n" in data:
        return name.encode() + b"\n" + struct.pack("<Q", len(data)) + data + b"\n"
    return name.encode() + b"=" + data + b"\n"
