"""Whether the log is kept safe: the logger reads now and then what the nightly backup and check left of themselves.

Ages are by the wall clock where it is trusted, now and when the account was left; where not, by how long this process
has seen one and the same account, which no clock can spoil.
"""

import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from rainstead.errors import RainsteadError
from rainstead.log import LogReader
from rainstead.settings import Settings
from rainstead.upkeep import (
    BackupAccount,
    CheckAccount,
    DamagedSpan,
    Unreadable,
    read_backup_account,
    read_check_account,
)

__all__ = ["Judged", "UpkeepWatch", "judge_backup", "judge_check"]

LOOK_EVERY_MS: Final = 60_000
NIGHTLY_AFTER_S: Final = 259_200.0
"""Of a nightly backup two may stay out, for a board that was off, before it is told."""
SOON_MS: Final = 60_000
"""A stamp later than this is of a clock that was wrong."""
_FAR_MS: Final = 253_402_300_799_999
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Judged:
    """is_bad: None where nobody can say, and an alarm that stands goes on standing. reason: in the owner's words.

    value, limit: what was compared, in `unit`; an empty unit where nothing was.
    """

    is_bad: bool | None
    reason: str = ""
    value: float = 0.0
    limit: float = 0.0
    unit: str = ""


def judge_backup(
    account: BackupAccount | Unreadable | None,
    after_s: float | None,
    *,
    now_ms: int,
    clock_is_trusted: bool,
    unchanged_s: float,
    was_seen_to_come: bool,
    log_began_ms: int | None = None,
) -> Judged:
    """Whether a backup that is wanted failed, or stays out.

    after_s: see settings.NoBackup. now_ms: UTC. unchanged_s: for how long the same account has been seen.
    was_seen_to_come: and that since it was left, not only since this process began. log_began_ms: the log's first
    stamp, for a site where no backup was ever made.
    """
    limit_s = after_s
    if limit_s is None:
        if account is None or (isinstance(account, BackupAccount) and not account.is_nightly):
            return Judged(False, "no backup is asked for")
        limit_s = NIGHTLY_AFTER_S
    elif limit_s == 0:
        return Judged(False, "no backup is asked for")
    well = account.well if isinstance(account, BackupAccount) else None
    age_s: float | None = None
    if clock_is_trusted and well is not None and well.is_dated and well.t_ms <= now_ms + SOON_MS:
        age_s = max(0, now_ms - well.t_ms) / 1000
    elif clock_is_trusted and account is None and log_began_ms is not None:
        age_s = max(0, now_ms - log_began_ms) / 1000
    elif isinstance(account, BackupAccount) and well is not None and was_seen_to_come and not account.is_failing:
        age_s = unchanged_s
    least_s = unchanged_s if age_s is None else max(age_s, unchanged_s)
    of_age = (least_s / _DAY_S, limit_s / _DAY_S, "d")
    if isinstance(account, BackupAccount) and account.is_failing and account.failed is not None:
        if well is None:
            last = "none was ever made there"
        else:
            last = f"the last that was made is {well.said}" + ("" if age_s is None else f", {_days(age_s)} old")
        why = account.failed.said
        said = f"the backup{'' if account.place in why else f' to {account.place}'} failed ({why}); {last}"
        return Judged(True, said, *(of_age if age_s is not None else ()))
    if least_s >= limit_s:
        if isinstance(account, Unreadable):
            said = f"how backups go has not been known for {_days(unchanged_s)}: their account cannot be read "
            said += f"({account.why})"
        elif account is None:
            said = f"no backup was made in {_days(least_s)}; `rainstead backup FOLDER` makes one"
        else:
            said = f"no backup has come to {account.place} for {_days(least_s)}, and none was even tried to its end; "
            said += "`systemctl status rainstead-backup` says more"
        return Judged(True, said, *of_age)
    if age_s is None:
        return Judged(None)
    if isinstance(account, BackupAccount):
        return Judged(False, f"a backup was made to {account.place}", *of_age)
    return Judged(False, "none is due yet", *of_age)


def judge_check(account: CheckAccount | Unreadable | None) -> Judged:
    """Whether the last check that came to its end found damage; until one finds none."""
    if not isinstance(account, CheckAccount) or account.done is None:
        return Judged(None)
    if not account.found_damage:
        return Judged(False, "a check found the log whole")
    said = []
    if account.damaged:
        parts = "a part" if account.damaged == 1 else f"{account.damaged} parts"
        lost = (
            f"with {account.lost_readings:,} readings"
            if account.lost_readings
            else "with an unknown number of readings"
        )
        said.append(f"{parts} of the log cannot be read, {lost}: {_spans(account)}")
    if account.faults:
        others = len(account.faults) - 1
        more = f", and {others} more {'fault' if others == 1 else 'faults'}" if others else ""
        said.append(f"the file is not whole ({account.faults[0]}{more})")
    reason = (
        f"the check found damage: {'; '.join(said)}; `rainstead verify` tells it whole, and a backup from before may "
        "have the rest"
    )
    return Judged(True, reason, float(account.damaged + len(account.faults)), 0.0, "places")


class UpkeepWatch:
    """Of one site. Reads two small files a minute; never raises for what stands in them."""

    def __init__(self, settings: Settings, log: Path) -> None:
        self.backup = Judged(None)
        self.check = Judged(None)
        self._after_s, self._log = settings.alarms.no_backup.after_s, log
        self._looked_ms: int | None = None
        self._account: BackupAccount | Unreadable | None = None
        self._same_since_ms = 0
        self._was_seen_to_come = False

    def look_if_due(self, boot_ms: int, wall_ms: int, *, clock_is_trusted: bool) -> None:
        """boot_ms: boot clock. wall_ms: the stamp of this moment."""
        if self._looked_ms is not None and boot_ms - self._looked_ms < LOOK_EVERY_MS:
            return
        account = read_backup_account(self._log.parent)
        if self._looked_ms is None or account != self._account:
            self._was_seen_to_come = self._looked_ms is not None
            self._account, self._same_since_ms = account, boot_ms
        self._looked_ms = boot_ms
        self.backup = judge_backup(
            account,
            self._after_s,
            now_ms=wall_ms,
            clock_is_trusted=clock_is_trusted,
            unchanged_s=(boot_ms - self._same_since_ms) / 1000,
            was_seen_to_come=self._was_seen_to_come,
            log_began_ms=self._log_began_ms() if account is None and self._after_s else None,
        )
        self.check = judge_check(read_check_account(self._log.parent))

    def _log_began_ms(self) -> int | None:
        try:
            with LogReader(self._log) as reader:
                span_ms = reader.span_ms()
        except (RainsteadError, OSError, sqlite3.Error):  # for the commits to tell
            return None
        return None if span_ms is None else span_ms[0]


def _days(seconds: float) -> str:
    return f"{seconds / 3600:.0f} h" if seconds < 2 * _DAY_S else f"{seconds / _DAY_S:.0f} days"


def _spans(account: CheckAccount) -> str:
    told = [_span(one) for one in account.spans[:3]]
    return ", ".join(told) + (f" and {account.damaged - len(told)} more" if account.damaged > len(told) else "")


def _span(span: DamagedSpan) -> str:
    first = "the log's beginning" if span.first_ms <= -_FAR_MS else _utc(span.first_ms)
    last = "the log's end" if span.last_ms >= _FAR_MS else _utc(span.last_ms)
    return f"{first} to {last}"


def _utc(t_ms: int) -> str:
    return f"{_EPOCH + timedelta(milliseconds=max(t_ms, 0)):%Y-%m-%d %H:%M} UTC"
