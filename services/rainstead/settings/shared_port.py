"""Whether a sensor's port is another's too, on the machine where the settings are checked."""

import re
from pathlib import Path

from rainstead.serialports import grabbers, has_console, holder

__all__ = ["shared_port"]

_ADAPTER = re.compile(r"tty(USB|ACM)\d+")


def shared_port(key: str, port: str) -> list[str]:
    """One line of advice for each other user of a port; none where there is no such port here."""
    if not Path(port).exists():
        return []
    if has_console(port):
        return [
            f"{key} = {port}: the login console of this machine is on it too; take its `console=` out of the kernel's "
            "command line, or name another port"
        ]
    who = holder(port)
    if who is not None and "rainstead" not in who:
        return [f"{key} = {port}: {who} has it open too, and takes what is the sensor's; end that one"]
    if not _ADAPTER.fullmatch(Path(port).resolve().name):
        return []
    return [
        f"{key} = {port}: {program} is installed, and {does}; remove it, or keep it from this adapter"
        for program, does in grabbers().items()
    ]
