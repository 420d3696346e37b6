"""What is no mistake in a settings file, and will bite later all the same."""

import re
from pathlib import Path

from .addresses import address_advice
from .model import Messages, Settings
from .shared_port import shared_port

__all__ = ["advice", "messages_advice"]

_RENUMBERED = re.compile(r"/dev/tty(USB|ACM)\d+")
"""Numbers given out in the order in which adapters are found; ports of the board itself (ttyAMA, ttyS) keep theirs."""

DAY_S = 86_400


def advice(settings: Settings, folder: Path) -> tuple[str, ...]:
    """One line for each thing, naming the key and what would be better. Nothing here is wrong.

    folder: the settings file's own, where other files of the site are looked for.
    """
    lines = []
    for name, sensor in settings.sensors.items():
        port = getattr(sensor, "port", "")
        if _RENUMBERED.fullmatch(port):
            lines.append(
                f"sensors.{name}.port = {port}: such a name may belong to another adapter once one is plugged anew or "
                "the board is started again; use the one that stays (`ls -l /dev/serial/by-id` shows them)"
            )
        if port:
            lines += shared_port(f"sensors.{name}.port", port, folder)
    if 0 < settings.log.reboot_after_s < DAY_S:
        lines.append(
            f"log.reboot_after = {settings.log.reboot_after_s:.0f} s: a disk that fails time and again may then reboot "
            "the board more than once a day, and each time what waits in memory is lost; a day or more is better"
        )
    after_s = settings.alarms.no_backup.after_s
    if after_s is not None and 0 < after_s < DAY_S:
        lines.append(
            f"alarms.no_backup.after = {after_s:.0f} s: the alarm then stands again before the next nightly backup is "
            'made; say the unit, as in "3 d"; more than a day is better'
        )
    if settings.forward is not None:
        lines += _of_token(folder / settings.forward.token_file)
    if settings.messages is not None:
        lines += messages_advice(settings.messages, folder)
    return tuple(lines)


def messages_advice(messages: Messages, folder: Path) -> tuple[str, ...]:
    """The same of the channels' addresses alone, for whoever may read them and is no judge of ports."""
    return tuple(
        line
        for name, channel in messages.channels.items()
        for line in address_advice(f"messages.channels.{name}.address_file", folder / channel.address_file)
    )


def _of_token(path: Path) -> list[str]:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return [f"forward.token_file = {path}: is not there yet; put the token into it before the forwarder starts"]
    except OSError:
        return []  # it may be another user's, who can read it
    if mode & 0o077:
        return [
            f"forward.token_file = {path}: can be read by others than its owner, so the forwarder will refuse it; "
            "`chmod 600` it"
        ]
    return []
