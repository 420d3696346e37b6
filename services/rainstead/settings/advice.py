"""What is no mistake in a settings file, and will bite later all the same."""

import re

from .model import Settings

__all__ = ["advice"]

_RENUMBERED = re.compile(r"/dev/tty(USB|ACM)\d+")
"""Numbers given out in the order in which adapters are found; ports of the board itself (ttyAMA, ttyS) keep theirs."""


def advice(settings: Settings) -> tuple[str, ...]:
    """One line for each thing, naming the key and what would be better. Nothing here is wrong."""
    lines = []
    for name, sensor in settings.sensors.items():
        port = getattr(sensor, "port", "")
        if _RENUMBERED.fullmatch(port):
            lines.append(
                f"sensors.{name}.port = {port}: such a name may belong to another adapter once one is plugged anew or "
                "the board is started again; use the one that stays (`ls -l /dev/serial/by-id` shows them)"
            )
    return tuple(lines)
