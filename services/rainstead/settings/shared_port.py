"""Whether a sensor's port is another's too, on the machine where the settings are checked."""

import re
from pathlib import Path

from rainstead.holding import is_held
from rainstead.serialports import grabbers, has_console, holder

__all__ = ["shared_port"]

_ADAPTER = re.compile(r"tty(USB|ACM)\d+")


def shared_port(key: str, port: str, folder: Path) -> list[str]:
    """One line of advice for each other user of a port; none where there is no such port here.

    folder: the site's. Its logger has the port by right, whatever its program is called.
    """
    if not Path(port).exists():
        return []
    if has_console(port):
        return [
            f"{key} = {port}: the login console of this machine is on it too; take its `console=` out of the kernel's "
            "command line, or name another port"
        ]
    who = holder(port)
    if who is not None and "rainstead" not in who and not who.endswith(f"(process {_logger_of(folder)})"):
        return [f"{key} = {port}: {who} has it open too, and takes what is the sensor's; end that one"]
    if not _ADAPTER.fullmatch(Path(port).resolve().name):
        return []
    return [
        f"{key} = {port}: {program} is installed, and {does}; remove it, or keep it from this adapter"
        for program, does in grabbers().items()
    ]


def _logger_of(folder: Path) -> str:
    """The number of the process that writes the site's log; empty where none does."""
    path = folder / "readings.db.lock"
    try:
        return path.read_text("ascii").strip() if is_held(path) else ""
    except (OSError, ValueError):
        return ""
