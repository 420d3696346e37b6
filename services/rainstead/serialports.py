"""What else on this machine wants a serial port: a login console, a program that holds it, or one that tries all."""

import contextlib
import os
import stat
from pathlib import Path

__all__ = ["grabbers", "has_console", "holder"]

_GRABBERS = {
    "ModemManager": ("usr/sbin/ModemManager", "it talks to every new port as if it were a modem"),
    "brltty": ("usr/bin/brltty", "it takes common adapters for a braille display"),
}


def has_console(port: str, sys_folder: Path = Path("/sys")) -> bool:
    """Whether the kernel's console, and so as a rule a login, is on a port; a link is followed."""
    try:
        active = (sys_folder / "class" / "tty" / "console" / "active").read_text("ascii", "replace").split()
        return Path(port).resolve().name in active
    except (OSError, RuntimeError):  # a link may go round in a circle
        return False


def holder(port: str, proc: Path = Path("/proc")) -> str | None:
    """Name and number of another process that has a port open, as far as this user may see; None where none is seen."""
    try:
        device = Path(port).stat()
    except OSError:
        return None
    if not stat.S_ISCHR(device.st_mode):
        return None
    for process in sorted(proc.glob("[0-9]*")):
        if process.name == str(os.getpid()):
            continue
        # Processes end while one looks, and those of other users are closed to us.
        with contextlib.suppress(OSError):
            for one in (process / "fd").iterdir():
                # Only what is a device is asked further: a file on a share that hangs would hang us.
                if str(one.readlink()).startswith("/dev/") and one.stat().st_rdev == device.st_rdev:
                    return f"{(process / 'comm').read_text('utf-8', 'replace').strip()} (process {process.name})"
    return None


def grabbers(root: Path = Path("/")) -> dict[str, str]:
    """Installed programs that take serial adapters without being asked, and what each of them does."""
    return {name: does for name, (path, does) in _GRABBERS.items() if (root / path).exists()}
