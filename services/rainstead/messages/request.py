"""A test that somebody at the desk asks for: a small file in the site's folder, which the messenger takes away.

It names channels and nothing else, so who may write in the folder can cause a test, and never a message of their own.
"""

import json
import os
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from rainstead.errors import SettingsError

__all__ = ["REQUEST_FILE", "ask_for_test", "take_request"]

REQUEST_FILE: Final = "messages-test.json"
_LONGEST: Final = 4096


def ask_for_test(folder: Path, channels: Sequence[str]) -> Path:
    """Leave the wish; one that is there already is replaced. Raises SettingsError where the folder does not let us."""
    path = folder / REQUEST_FILE
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        fresh.write_text(json.dumps({"channels": list(channels)}) + "\n", encoding="utf-8")
        fresh.chmod(0o640)  # the messenger is another user, of the folder's group
        fresh.replace(path)
    except OSError as error:
        fresh.unlink(missing_ok=True)
        raise SettingsError(
            f"{path}: cannot be written ({error.strerror}); ask as a user of the folder's group, or of the service"
        ) from None
    return path


def take_request(folder: Path) -> tuple[str, ...]:
    """Names of channels; empty where nobody asked. What is no such file is taken away all the same."""
    path = folder / REQUEST_FILE
    try:
        file = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        return ()
    except OSError:
        _take_away(path)
        return ()
    try:
        text = os.read(file, _LONGEST) if stat.S_ISREG(os.fstat(file).st_mode) else b""
    finally:
        os.close(file)
    if not _take_away(path):
        return ()  # asked again at each look, it would be answered again at each look
    try:
        told = json.loads(text)
        return tuple(str(one) for one in told["channels"])[:50]
    except (ValueError, TypeError, KeyError):
        return ()


def _take_away(path: Path) -> bool:
    try:
        path.unlink()
    except OSError:
        return False
    return True
