"""What was written, or renamed in a folder, is on the disk when this returns."""

import os
from pathlib import Path

__all__ = ["sync"]


def sync(path: Path) -> None:
    """A file or a folder. Raises OSError."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
