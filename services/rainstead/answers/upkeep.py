"""How a backup and a check went: noted for the board when they end, and told to whoever asks later."""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rainstead.errors import HeldByAnother, LogError, LogMissing, RainsteadError
from rainstead.log import LogReader
from rainstead.upkeep import (
    MOST_SPANS,
    BackupAccount,
    CheckAccount,
    DamagedSpan,
    Unreadable,
    Went,
    leave_account,
    read_backup_account,
    read_check_account,
)

from .logfile import BackupAnswer, Progress, VerifyAnswer, backup_site, verify_log

__all__ = [
    "BackupHealth",
    "CheckHealth",
    "LastTime",
    "back_up_and_note",
    "backup_health",
    "check_and_note",
    "check_health",
]

SOON_MS: Final = 60_000
"""A clock that is set by less than this between a backup and a look at it makes no stamp of tomorrow."""
Tell = Callable[[str], object]


@dataclass(frozen=True, slots=True)
class LastTime:
    """When something was, and what is said of it. age_s: None where a clock was not set or does not agree."""

    t_ms: int
    is_dated: bool
    age_s: float | None
    said: str


@dataclass(frozen=True, slots=True)
class BackupHealth:
    """See BackupAccount. unreadable: why the account tells nothing; the rest is then None."""

    unreadable: str | None
    place: str | None
    is_nightly: bool | None
    is_failing: bool | None
    is_on_log_disk: bool | None
    well: LastTime | None
    failed: LastTime | None


@dataclass(frozen=True, slots=True)
class CheckHealth:
    """See CheckAccount. unreadable: why the account tells nothing; the rest is then None, or empty."""

    unreadable: str | None
    is_whole: bool | None
    is_failing: bool | None
    done: LastTime | None
    failed: LastTime | None
    damaged: int | None
    lost_readings: int | None
    spans: tuple[DamagedSpan, ...]
    faults: tuple[str, ...]


def back_up_and_note(
    site: Path,
    target: Path,
    now_ms: int,
    *,
    keep: int | None = None,
    nightly: bool = False,
    progress: Progress | None = None,
    tell: Tell = lambda _: None,
) -> BackupAnswer:
    """As backup_site, and the account of it is left in the site's folder.

    nightly: a timer asks, so that its failures are noted as well. By hand only what goes well is, and only where it
    goes to the folder that the account is of. tell: for an account that cannot be left.
    The copy of a log that is not whole is one that was made; one that is not whole though the log is, is a failure.
    Raises LogError also where the folder, which was on another disk, is now on the log's: its stick is not mounted.
    """
    place = _folder_of(target)
    before = read_backup_account(site)
    same = before if isinstance(before, BackupAccount) and Path(before.place) == place else None
    on_log_disk = _on_one_disk(place, site)

    def note(failed: str | None, well: str | None) -> None:
        if not nightly and (failed or (isinstance(before, BackupAccount) and before.is_nightly and same is None)):
            return
        went = Went(now_ms, _clock_is_set(site), failed or well or "")
        account = BackupAccount(
            str(place),
            nightly or (same is not None and same.is_nightly),
            failed is not None,
            # What a pulled stick leaves is of the log's disk, and must not be learnt.
            on_log_disk if failed is None or same is None else same.is_on_log_disk,
            went if failed is None else None if same is None else same.well,
            went if failed is not None else None if same is None else same.failed,
        )
        _leave(site, account, tell)

    with _noting(lambda why: note(why, None)):
        if nightly and on_log_disk is None:
            raise LogError(f"{target}: there is no such folder; is the stick mounted?")
        if same is not None and same.well is not None and same.is_on_log_disk is False and on_log_disk:
            raise LogError(
                f"{place}: is on the log's own disk, and was on another at the backup before; is the stick mounted? "
                f"If it is meant so, delete {site / 'backup-account.json'} and try again"
            )
        done = backup_site(site, target, now_ms, keep=keep, progress=progress)
    copy = Path(done.check.path)
    if done.check.is_whole:
        note(None, copy.name)
    elif _is_whole(site):
        note(f"{copy}: the copy is not whole, and the log is; the disk that it is on may be failing", None)
    else:
        # All that can be read is in it. The damage may stay for ever, and the check tells of it: were this a failure as
        # well, nobody would be told of a stick that is pulled later.
        note(None, f"{copy.name} (copied as it is: the log is not whole)")
    return done


def check_and_note(site: Path, now_ms: int, *, tell: Tell = lambda _: None) -> VerifyAnswer:
    """As verify_log of the site's log, and the account of it is left in the site's folder."""
    before = read_check_account(site)
    kept = before if isinstance(before, CheckAccount) else CheckAccount(False)

    def note_failed(why: str) -> None:
        failed = Went(now_ms, _clock_is_set(site), why)
        told = (kept.done, failed, kept.damaged, kept.lost_readings, kept.spans, kept.faults)
        _leave(site, CheckAccount(True, *told), tell)

    with _noting(note_failed):
        check = verify_log(site)
    account = CheckAccount(
        False,
        Went(now_ms, _clock_is_set(site), "whole" if check.is_whole else "not whole"),
        kept.failed,
        len(check.damaged),
        # A damaged index may give a count that there is not, and one such number would make the account unreadable.
        sum(max(0, hour.readings) for hour in check.damaged),
        tuple(DamagedSpan(hour.first_ms, hour.last_ms, max(0, hour.readings)) for hour in check.damaged[:MOST_SPANS]),
        check.faults[:MOST_SPANS],
    )
    _leave(site, account, tell)
    return check


def backup_health(site: Path, as_of_ms: int, *, clock_is_trusted: bool) -> BackupHealth | None:
    """What the account of the backups says; None where none was left. clock_is_trusted: of now."""
    told = read_backup_account(site)
    if told is None:
        return None
    if isinstance(told, Unreadable):
        return BackupHealth(told.why, None, None, None, None, None, None)
    return BackupHealth(
        None,
        told.place,
        told.is_nightly,
        told.is_failing,
        told.is_on_log_disk,
        _last(told.well, as_of_ms, clock_is_trusted),
        _last(told.failed, as_of_ms, clock_is_trusted),
    )


def check_health(site: Path, as_of_ms: int, *, clock_is_trusted: bool) -> CheckHealth | None:
    """As backup_health, of the check. is_whole: None where none came to its end."""
    told = read_check_account(site)
    if told is None:
        return None
    if isinstance(told, Unreadable):
        return CheckHealth(told.why, None, None, None, None, None, None, (), ())
    return CheckHealth(
        None,
        None if told.done is None else not told.found_damage,
        told.is_failing,
        _last(told.done, as_of_ms, clock_is_trusted),
        _last(told.failed, as_of_ms, clock_is_trusted),
        told.damaged,
        told.lost_readings,
        told.spans,
        told.faults,
    )


def _last(went: Went | None, as_of_ms: int, clock_is_trusted: bool) -> LastTime | None:
    if went is None:
        return None
    is_known = went.is_dated and clock_is_trusted and went.t_ms <= as_of_ms + SOON_MS
    return LastTime(went.t_ms, went.is_dated, max(0, as_of_ms - went.t_ms) / 1000 if is_known else None, went.said)


@contextmanager
def _noting(note: Callable[[str], None]) -> Iterator[None]:
    try:
        yield
    except (LogMissing, HeldByAnother):
        # Of a folder that is no site's nothing is known, and another one's backup has no end yet.
        raise
    except RainsteadError as error:
        note(str(error))
        raise
    except (OSError, sqlite3.Error) as error:
        note(str(error))
        raise LogError(f"it broke off ({error}); see that the disk is there, can be written and has room") from None


def _leave(site: Path, account: BackupAccount | CheckAccount, tell: Tell) -> None:
    try:
        leave_account(site, account)
    except OSError as error:
        tell(f"{site}: no account of this can be left there ({error.strerror or error}), so the board will not know")


def _is_whole(site: Path) -> bool:
    try:
        return verify_log(site).is_whole
    except (RainsteadError, OSError, sqlite3.Error):
        return False


def _clock_is_set(site: Path) -> bool:
    """By the log's word, for a confined work may not ask the kernel."""
    try:
        with LogReader(site) as reader:
            return reader.clock_is_trusted()
    except (RainsteadError, OSError, sqlite3.Error):
        return False


def _folder_of(target: Path) -> Path:
    """The folder that a backup goes to, by whatever links; what is neither a folder nor there stands for itself."""
    try:
        is_file = target.suffix == ".db" and not target.is_dir()
    except OSError:
        is_file = False
    return Path(os.path.realpath(target.parent if is_file else target))


def _on_one_disk(place: Path, site: Path) -> bool | None:
    try:
        return place.stat().st_dev == site.stat().st_dev
    except OSError:
        return None
