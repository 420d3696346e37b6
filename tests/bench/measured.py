"""What the bench scripts share: the machine's name and this process's own figures."""

import os
import platform
import resource
import sqlite3
from pathlib import Path

__all__ = ["cpu_s", "machine", "resident_mib"]


def machine() -> str:
    """One line that says where figures come from."""
    return (
        f"{platform.machine()}, {os.cpu_count()} cores, Linux {platform.release().split('-')[0]}, "
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}"
    )


def resident_mib() -> float:
    """Resident memory of this process now."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def cpu_s() -> float:
    """Processor seconds of this process so far."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime
