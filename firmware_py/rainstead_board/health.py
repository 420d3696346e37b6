"""What only the process knows of itself, as a small file: sensors, clock, disk, queue and board, for who asks."""

import contextlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from .supply import read_supply

__all__ = ["Counting", "board_facts", "free_mb", "open_files", "resident_bytes", "write_health", "written_bytes"]

_PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


@runtime_checkable
class Counting(Protocol):
    """A channel that counts what it refuses."""

    def counts(self) -> Mapping[str, int]:
        """Totals since the process began, by what they are of."""


def write_health(path: Path, facts: Mapping[str, Any]) -> None:
    """Replace the file as a whole. A disk that refuses it is told of elsewhere."""
    with contextlib.suppress(OSError):
        fresh = path.with_name(path.name + ".new")
        fresh.write_text(json.dumps(facts, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        fresh.replace(path)


def free_mb(folder: Path) -> float | None:
    """Megabytes that this user may still write there; None where the file system does not say."""
    try:
        stat = os.statvfs(folder)
    except OSError:
        return None
    return stat.f_bavail * stat.f_frsize / 1e6


def resident_bytes() -> int | None:
    """Memory that this process holds."""
    try:
        return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * _PAGE_BYTES
    except (OSError, ValueError, IndexError):
        return None


def written_bytes() -> int | None:
    """What this process has given to the disks since it began, as the kernel counts it."""
    try:
        lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes:"))
    except (OSError, ValueError, IndexError, StopIteration):
        return None


def open_files() -> int | None:
    """How many files, lines and sockets this process has open."""
    try:
        return sum(1 for _ in Path("/proc/self/fd").iterdir())
    except OSError:
        return None


def board_facts(sys_folder: Path = Path("/sys")) -> dict[str, float | bool | None]:
    """The board's own temperature and whether its supply is too low, where the kernel says; None is not known."""
    temperatures: list[float] = []
    for path in sys_folder.glob("class/thermal/thermal_zone*/temp"):
        with contextlib.suppress(OSError, ValueError):
            temperatures.append(int(path.read_text(encoding="ascii")) / 1000)
    return {
        "board_temperature_c": max(temperatures, default=None),
        "supply_is_low": read_supply(sys_folder).is_low,
    }
