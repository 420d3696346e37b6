"""A small file each for backup and check, in the site's folder: how it last went. Read without trust, replaced whole.

The works may write in the folder and not to the log, so they can raise no alarm; the logger can, of what they left.
"""

import contextlib
import json
import os
import stat
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

__all__ = [
    "BACKUP_ACCOUNT",
    "CHECK_ACCOUNT",
    "MOST_SPANS",
    "BackupAccount",
    "CheckAccount",
    "DamagedSpan",
    "Unreadable",
    "Went",
    "leave_account",
    "read_backup_account",
    "read_check_account",
]

BACKUP_ACCOUNT: Final = "backup-account.json"
CHECK_ACCOUNT: Final = "check-account.json"

MOST_SPANS: Final = 20
"""So many damaged parts are named; all are counted."""
_MOST_BYTES: Final = 65_536
_MOST_LETTERS: Final = 400
_FAR_MS: Final = 253_402_300_799_999
"""The year 9999: damage without known bounds lies between this and as much before 1970."""

_NO_CLOCK_MS: Final = 7_258_118_400_000
"""The year 2200."""


@dataclass(frozen=True, slots=True)
class Went:
    """When something went well or wrong, and what is to be said of it: a file's name, or the reason.

    t_ms: UTC. is_dated: the board's clock was known to be right then; else the stamp is a guess.
    """

    t_ms: int
    is_dated: bool
    said: str


@dataclass(frozen=True, slots=True)
class BackupAccount:
    """How backups to one folder went. is_nightly: a timer makes them, so that one is missed when it stays out.

    is_failing: the last try failed. is_on_log_disk: the folder is on the log's own disk; None where nobody could see.
    """

    place: str
    is_nightly: bool
    is_failing: bool
    is_on_log_disk: bool | None = None
    well: Went | None = None
    failed: Went | None = None


@dataclass(frozen=True, slots=True)
class DamagedSpan:
    """First and last stamp of a part that cannot be read, and how many readings it had; 0: nobody knows."""

    first_ms: int
    last_ms: int
    readings: int


@dataclass(frozen=True, slots=True)
class CheckAccount:
    """What the last check of the site's log found. done: when one last came to its end; None: none did.

    is_failing: the last one came to no end, as `failed` says. damaged: how many parts of the log cannot be read, of
    which `spans` are the first; faults: of the file as a whole, in words.
    """

    is_failing: bool
    done: Went | None = None
    failed: Went | None = None
    damaged: int = 0
    lost_readings: int = 0
    spans: tuple[DamagedSpan, ...] = ()
    faults: tuple[str, ...] = ()

    @property
    def found_damage(self) -> bool:
        """Whether the last check that came to its end found the log not whole."""
        return bool(self.damaged or self.faults)


@dataclass(frozen=True, slots=True)
class Unreadable:
    """An account that is there and tells nothing; why: in a few words."""

    why: str


def leave_account(folder: Path, account: BackupAccount | CheckAccount) -> None:
    """Replace the account as a whole, readable for the folder's group. Raises OSError."""
    path = folder / (BACKUP_ACCOUNT if isinstance(account, BackupAccount) else CHECK_ACCOUNT)
    # A name of this process's own, and no link is followed: others may write in this folder as well.
    fresh = folder / f"{path.name}.{os.getpid()}.new"
    with contextlib.suppress(FileNotFoundError):
        fresh.unlink()
    fd = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
    try:
        try:
            os.fchmod(fd, 0o640)
            _write(fd, json.dumps(asdict(account), indent=1).encode() + b"\n")
            # A rename that is on the disk before its file is an empty account.
            os.fsync(fd)
        finally:
            os.close(fd)
        fresh.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            fresh.unlink()
        raise


def read_backup_account(folder: Path) -> BackupAccount | Unreadable | None:
    """None where none was left. Waits for nothing, and never raises."""
    told = _read(folder / BACKUP_ACCOUNT)
    if told is None or isinstance(told, Unreadable):
        return told
    try:
        return BackupAccount(
            _text(told["place"]),
            _bool(told["is_nightly"]),
            _bool(told["is_failing"]),
            None if told["is_on_log_disk"] is None else _bool(told["is_on_log_disk"]),
            _went(told["well"]),
            _went(told["failed"]),
        )
    except (KeyError, TypeError, ValueError):
        return Unreadable("it is none of ours")


def read_check_account(folder: Path) -> CheckAccount | Unreadable | None:
    """As read_backup_account."""
    told = _read(folder / CHECK_ACCOUNT)
    if told is None or isinstance(told, Unreadable):
        return told
    try:
        return CheckAccount(
            _bool(told["is_failing"]),
            _went(told["done"]),
            _went(told["failed"]),
            _count(told["damaged"]),
            _count(told["lost_readings"]),
            tuple(
                DamagedSpan(_stamp(one["first_ms"]), _stamp(one["last_ms"]), _count(one["readings"]))
                for one in _list(told["spans"])[:MOST_SPANS]
            ),
            tuple(_text(one) for one in _list(told["faults"])[:MOST_SPANS]),
        )
    except (KeyError, TypeError, ValueError):
        return Unreadable("it is none of ours")


def _write(fd: int, content: bytes) -> None:
    while content:
        content = content[os.write(fd, content) :]


def _read(path: Path) -> Mapping[str, Any] | Unreadable | None:
    try:
        # A pipe that somebody laid there would be waited for.
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    except OSError as error:
        return Unreadable(error.strerror or str(error))
    try:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode):
            return Unreadable("it is no file")
        if found.st_size > _MOST_BYTES:
            return Unreadable("it is far too long")
        told = json.loads(os.read(fd, _MOST_BYTES))
    except OSError as error:
        return Unreadable(error.strerror or str(error))
    except (ValueError, RecursionError):
        return Unreadable("it is no JSON")
    finally:
        os.close(fd)
    return told if isinstance(told, dict) else Unreadable("it is none of ours")


def _went(told: Any) -> Went | None:
    return None if told is None else Went(_when(told["t_ms"]), _bool(told["is_dated"]), _text(told["said"]))


def _bool(told: Any) -> bool:
    if not isinstance(told, bool):
        raise TypeError
    return told


def _list(told: Any) -> list[Any]:
    if not isinstance(told, list):
        raise TypeError
    return told


def _stamp(told: Any) -> int:
    if not isinstance(told, int) or isinstance(told, bool):
        raise TypeError
    return min(max(told, -_FAR_MS), _FAR_MS)


def _when(told: Any) -> int:
    """A stamp that some clock may have shown."""
    if not 0 <= (t_ms := _stamp(told)) < _NO_CLOCK_MS:
        raise ValueError
    return t_ms


def _count(told: Any) -> int:
    if (number := _stamp(told)) < 0:
        raise ValueError
    return number


def _text(told: Any) -> str:
    """One line of letters, for journals and messages."""
    if not isinstance(told, str):
        raise TypeError
    return "".join(letter if letter.isprintable() else " " for letter in told)[:_MOST_LETTERS]
