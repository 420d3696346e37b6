"""What an owner should know of SQLite: a write-ahead log that cannot be folded in, and which versions have a fault."""

import sqlite3
from pathlib import Path
from typing import Final

__all__ = ["LONG_WAL_BYTES", "has_reset_fault", "wal_bytes"]

LONG_WAL_BYTES: Final = 16 << 20
"""Four times what it is cut to: some reader holds on to an old moment of the log, and each commit makes it longer."""
_FIRST_WITH, _FIRST_WITHOUT = (3, 7, 0), (3, 51, 3)
_MENDED: Final = {(3, 44): 6, (3, 50): 7}
"""Releases of older lines to which the mending was carried back, from which patch on."""


def wal_bytes(log_path: Path) -> int:
    """How long the write-ahead log beside a log is; 0 where there is none."""
    try:
        return log_path.with_name(log_path.name + "-wal").stat().st_size
    except OSError:
        return 0


def has_reset_fault(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> bool:
    """Whether two connections that write or fold in one write-ahead log at once may damage it, by SQLite's version.

    Source: SQLite's release notes of 3.51.3, with 3.50.7 and 3.44.6 ("WAL-reset bug"). One writer never meets it, and
    our lock lets one alone.
    """
    line, patch = version[:2], version[2]
    if line in _MENDED and patch >= _MENDED[line[0], line[1]]:
        return False
    return _FIRST_WITH <= version[:3] < _FIRST_WITHOUT
