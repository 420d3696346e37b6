"""Whether the log is kept safe: what its backup and its check leave of themselves, for the logger and for who asks."""

from .account import (
    BACKUP_ACCOUNT,
    CHECK_ACCOUNT,
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
