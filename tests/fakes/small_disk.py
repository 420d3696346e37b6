"""Real file systems of a few megabytes, for whoever may mount them."""

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

__all__ = ["fill", "loop_disk", "small_disk"]


@contextlib.contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A file system in memory; skips the test where this user may not mount."""
    folder.mkdir()
    _mount("-t", "tmpfs", "-o", f"size={megabytes}m", "none", str(folder))
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=False)


@contextlib.contextmanager
def loop_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A file system on a loop device, which can be made to fail as a whole."""
    folder.mkdir()
    image = folder.with_suffix(".img")
    with image.open("wb") as file:
        file.truncate(megabytes * 1_000_000)
    made = subprocess.run(["mkfs.ext4", "-q", "-F", image], check=False, capture_output=True)
    if made.returncode:
        pytest.skip("no file system can be made here")
    _mount("-o", "loop", str(image), str(folder))
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=False)


def fill(folder: Path, leave_bytes: int, name: str = "something else") -> Path:
    """A new file that leaves only so much room."""
    path = folder / name
    stat = os.statvfs(folder)
    with path.open("wb") as file, contextlib.suppress(OSError):
        for _ in range(max(0, (stat.f_bavail * stat.f_frsize - leave_bytes) // 4096)):
            file.write(bytes(4096))
    return path


def _mount(*arguments: str) -> None:
    done = subprocess.run(["mount", *arguments], check=False, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"this user may not mount ({done.stderr.strip()})")
