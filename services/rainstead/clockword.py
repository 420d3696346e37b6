"""The owner's word that a board's clock is right: for a board that never sees a network and has no clock of its own.

A small file in the site's folder names the boot for which it holds. The next boot begins with a wrong clock again, so
the word does not outlive it.
"""

import contextlib
import json
import os
import uuid
from pathlib import Path

from rainstead.errors import LogError

__all__ = ["BOOT_UUID_VARIABLE", "CLOCK_WORD", "clock_is_confirmed", "confirm_clock", "machine_boot_uuid"]

CLOCK_WORD = "clock-word.json"
BOOT_UUID_VARIABLE = "RAINSTEAD_BOOT"
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def machine_boot_uuid() -> str | None:
    """The kernel's name for this boot; None where it gives none.

    A confined service does not see that file; its unit has the service manager say it, in another way of writing.
    """
    with contextlib.suppress(OSError, ValueError):
        return _BOOT_ID.read_text(encoding="ascii").strip()
    with contextlib.suppress(ValueError):
        return str(uuid.UUID(os.environ.get(BOOT_UUID_VARIABLE, "")))
    return None


def confirm_clock(folder: Path, boot_uuid: str, wall_ms: int) -> None:
    """Put down that in this boot, as from now, the clock is right. Raises LogError if the folder refuses it."""
    path = folder / CLOCK_WORD
    try:
        fresh = path.with_name(path.name + ".new")
        fresh.write_text(json.dumps({"boot": boot_uuid, "confirmed_ms": wall_ms}) + "\n", encoding="utf-8")
        fresh.chmod(0o644)
        fresh.replace(path)
    except OSError as error:
        raise LogError(
            f"{path}: cannot be written ({error.strerror}); run this as the user who owns the site's folder"
        ) from None


def clock_is_confirmed(folder: Path, boot_uuid: str) -> bool:
    """Whether the owner has said so in this boot. Whatever else stands in the file is no word."""
    try:
        said = json.loads((folder / CLOCK_WORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(said, dict) and said.get("boot") == boot_uuid
