"""A serial port that may be missing, busy, forbidden or pulled out, and says which in plain words."""

import contextlib
import errno
import grp
import os
import stat
import termios
from pathlib import Path

import serial

from rainstead.errors import DeviceError
from rainstead.serialports import has_console, holder

__all__ = ["SerialPort"]

_MOST_BYTES = 65_536
# An unplugged adapter shows as one of these, depending on the call that meets it first.
_FAILURES = (serial.SerialException, OSError, termios.error, TypeError, ValueError)


class SerialPort:
    """Reads what has come, without waiting. Raises DeviceError and is closed after any failure."""

    def __init__(self, path: str, baud: int) -> None:
        self.path, self._baud = path, baud
        self._port: serial.Serial | None = None

    @property
    def is_open(self) -> bool:
        """Whether there is a device to read from."""
        return self._port is not None

    def open(self) -> None:
        """Open for this process alone. The library drops what lies in the buffer, which is older than now."""
        try:
            self._port = serial.Serial(self.path, self._baud, timeout=0, exclusive=True)
        except _FAILURES as error:
            self.close()
            raise DeviceError(self._reason(error)) from None

    def read(self) -> bytes:
        """All bytes that have come since the last call."""
        if self._port is None:
            raise DeviceError(f"{self.path}: is not open")
        try:
            data: bytes = b""
            # One read gives no more than a kernel's line buffer, with newer bytes waiting behind it.
            while len(data) < _MOST_BYTES and (more := self._port.read(_MOST_BYTES)):
                data += more
            # A port whose device has gone reads as empty for ever on some kernels; asking for its state tells.
            if not data:
                _ = self._port.in_waiting
        except _FAILURES as error:
            self.close()
            raise DeviceError(f"{self.path}: the device has gone ({error}); is it plugged in and powered?") from None
        return data

    def close(self) -> None:
        """Let go at once, so that the adapter can come back under its old name."""
        if self._port is not None:
            with contextlib.suppress(*_FAILURES):
                self._port.close()
            self._port = None

    def shared_with(self) -> str | None:
        """Who else may be taking bytes away, in words; None where nobody is seen. Looks at every process: not often."""
        if has_console(self.path):
            return "the board's login console is on it too; turn that off"
        who = holder(self.path)
        return None if who is None else f"{who} has it open too; end that one"

    def _reason(self, error: BaseException) -> str:
        number = getattr(error, "errno", None)
        if number is None and error.args and isinstance(error.args[0], int):
            number = error.args[0]
        if number == errno.ENOENT or not os.path.lexists(self.path):
            return (
                f"{self.path}: there is no such port; is the sensor plugged in? `ls /dev/serial/by-id` shows the ports"
            )
        if number == errno.EPERM:  # not of the file's owner and mode, which say EACCES: of the unit's device filter
            return (
                f"{self.path}: the service's confinement refuses it: its driver was loaded after the service began, "
                "or the unit's DeviceAllow= lacks its kind; `sudo systemctl restart rainstead-logger` mends the first"
            )
        if number == errno.EACCES:
            return f"{self.path}: this user may not open it; {self._who_may()}"
        if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "exclusively lock" in str(error):
            who = holder(self.path)
            if who is None:  # of another user, whom a confined service may not see
                return f"{self.path}: another program holds it; `sudo fuser -v {self.path}` names it: end that one"
            return f"{self.path}: another program holds it, {who}; end that one, or name another port"
        return f"{self.path}: cannot be opened ({error}); is it a serial port?"

    def _who_may(self) -> str:
        try:
            status = Path(self.path).stat()
            name = grp.getgrgid(status.st_gid).gr_name
        except (OSError, KeyError):
            return "let its owner give this user the right to"
        if status.st_mode & stat.S_IRGRP and status.st_mode & stat.S_IWGRP:
            return f"it belongs to group {name}: add the user to that group"
        return f"not even its group {name} may: `chmod g+rw {self.path}` lets that group, then add the user to it"
