"""Which file stands at a path: one that is moved or deleted meanwhile is known by it."""

from pathlib import Path

__all__ = ["place_of"]


def place_of(path: Path) -> tuple[int, int] | None:
    """Device and inode; None where there is nothing. Raises OSError."""
    try:
        stat = path.stat()
    except FileNotFoundError:
        return None
    return stat.st_dev, stat.st_ino
