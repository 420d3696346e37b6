"""Which process holds a GPIO line: lines are for one process at a time, and the kernel's refusal names nobody."""

import contextlib
import re
from pathlib import Path

__all__ = ["line_holder"]


def line_holder(line: int, proc: Path = Path("/proc")) -> str | None:
    """Name and number of the process that holds a line, as far as this user may see; None where nobody is seen.

    Source: the kernel writes `gpio-line:` and the line's number into the fdinfo of a held line (Linux 5.16 and later).
    A line of that number on another chip of the board is not told apart.
    """
    held = re.compile(rf"^gpio-line:\s*{line}$", re.MULTILINE)
    for process in sorted(proc.glob("[0-9]*")):
        # Processes end while one looks, and those of other users are closed to us.
        with contextlib.suppress(OSError):
            if any(held.search(one.read_text("utf-8", "replace")) for one in (process / "fdinfo").iterdir()):
                return f"{(process / 'comm').read_text('utf-8', 'replace').strip()} (process {process.name})"
    return None
