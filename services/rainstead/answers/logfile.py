"""The log as a file: a copy, a check, a copy put back; and what they say."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rainstead.backups import make_backup, notebook_of
from rainstead.errors import LogError, NoRoom, RainsteadError
from rainstead.inforce import settings_in_force
from rainstead.log import DamagedHour, Gap, LogCheck, LogReader, back_up, check_log, copy_database, restore
from rainstead.settings import LowSpace

__all__ = ["BackupAnswer", "RestoreAnswer", "VerifyAnswer", "backup_site", "restore_site", "verify_log"]

LOG: Final = "readings.db"
NOTEBOOK: Final = "notebook.db"
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class VerifyAnswer:
    """What a check of a log found; see LogCheck. is_whole: nothing is wrong."""

    path: str
    is_whole: bool
    schema: int
    size_bytes: int
    readings: int
    fresh: int
    sealed: int
    thinned: int
    first_ms: int | None
    last_ms: int | None
    faults: tuple[str, ...]
    damaged: tuple[DamagedHour, ...]
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True)
class BackupAnswer:
    """What was copied. removed: older backups that `keep` let go; for_room: those that went so that this one fits.

    no_room: what it wanted and what was free before, in words; None where none had to go for room.
    found_damaged: older backups that were whole once and are not any more, or cannot be read. newest_whole: the newest
    backup in the folder that is whole, this one or an older one; None where there is none. ahead: older backups that
    are named for a time more than a day to come, and so count as older than all others; those that went are among them.
    """

    check: VerifyAnswer
    notebook: Path | None
    removed: tuple[Path, ...]
    for_room: tuple[Path, ...] = ()
    no_room: str | None = None
    found_damaged: tuple[Path, ...] = ()
    newest_whole: Path | None = None
    ahead: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class RestoreAnswer:
    """What was put back; settings and notebook: where they were written, None where that was not to be done."""

    check: VerifyAnswer
    log: Path
    notebook: Path | None
    settings: Path | None


def verify_log(path: Path) -> VerifyAnswer:
    """Read all of a log, or of a site's log, and say whether it is whole."""
    return _told(check_log(path))


def backup_site(
    site: Path, target: Path, now_ms: int, *, keep: int | None = None, progress: Progress | None = None
) -> BackupAnswer:
    """Copy a site's log, and its notebook beside it, to a new file, or into a folder under a name that has the time.

    keep: in a folder, so many backups stay, damaged ones counted. The newest of all stays, and the newest that is
    whole; of the others damaged ones go first, then the oldest. Where there is no room for a new one, older ones go for
    it in the same order. On the log's own disk as much stays free as ends the alarm `low_space`, or nothing is copied.
    Raises LogError where the target is there or is neither a folder nor named .db, or the copy fails or has no room;
    HeldByAnother where another backup into the folder goes on.
    """
    folder = target if target.is_dir() else None
    if folder is None and keep is not None:
        raise LogError(f"{target}: --keep {keep} counts backups in a folder; name a folder that is there")
    if folder is None and target.suffix != ".db":
        # A stick that is not mounted would else become a file on the card.
        raise LogError(f"{target}: there is no such folder; is the stick mounted? A file for a backup must end in .db")
    leave_bytes = _leave_bytes(site, folder or target.parent, now_ms)
    try:
        if folder is not None:
            made = make_backup(
                site, site / NOTEBOOK, folder, now_ms, keep=keep, leave_bytes=leave_bytes, progress=progress
            )
            return BackupAnswer(
                _told(made.check),
                made.notebook,
                made.removed,
                made.for_room,
                made.no_room,
                made.found_damaged,
                made.newest_whole,
                made.ahead,
            )
        check = back_up(site, target, progress, leave_bytes=leave_bytes)
        notebook = None
        if (site / NOTEBOOK).exists():
            notebook = notebook_of(target)
            copy_database(site / NOTEBOOK, notebook, leave_bytes=leave_bytes)
    except NoRoom as error:
        why = [str(error)]
        if leave_bytes:
            why.append(
                "the log is on the same disk: alarms.low_space of site.toml, free_mb and deadband_mb, is left to it"
            )
        if folder is not None:
            why.append(
                "--keep lets older backups go for a new one"
                if keep is None
                else "older backups that may go for it are too small, or none may: the newest whole one stays"
            )
        raise LogError("; ".join(why)) from None
    return BackupAnswer(_told(check), notebook, (), newest_whole=target if check.is_whole else None)


def restore_site(
    backup: Path, site: Path, *, even_damaged: bool = False, progress: Progress | None = None
) -> RestoreAnswer:
    """Put a backup into a site's folder: the log, the notebook beside it, and the settings where there are none.

    Raises LogError where anything would be overwritten, LogDamaged where the backup is not whole.
    """
    if not site.is_dir():
        raise LogError(f"{site}: there is no such folder; make it first, and name it with --site")
    kept_notebook = notebook_of(backup)
    if kept_notebook.exists() and (site / NOTEBOOK).exists():
        raise LogError(f"{site / NOTEBOOK}: is there already, and nothing is overwritten; move it away")
    check = restore(backup, site / LOG, even_damaged=even_damaged, progress=progress)
    notebook = settings = None
    if kept_notebook.exists():
        notebook = site / NOTEBOOK
        copy_database(kept_notebook, notebook)
    with LogReader(site / LOG) as reader:
        text = reader.newest_settings()
    if text is not None and not (site / "site.toml").exists():
        settings = site / "site.toml"
        settings.write_text(text, encoding="utf-8")
    return RestoreAnswer(_told(check), site / LOG, notebook, settings)


def _leave_bytes(site: Path, folder: Path, now_ms: int) -> int:
    """What a backup has to leave of the log's own disk; 0 elsewhere.

    Less would raise the alarm for little space, or keep it from its end: with the dead band, as the spare room does.
    """
    log = site / LOG if site.is_dir() else site
    try:
        if log.stat().st_dev != folder.stat().st_dev:
            return 0
    except OSError:
        return 0
    try:
        space = settings_in_force(site, now_ms, tell=lambda _: None).settings.alarms.low_space
    except RainsteadError:
        space = LowSpace()
    return round((space.free_mb + space.deadband_mb) * 1_000_000)


def _told(check: LogCheck) -> VerifyAnswer:
    return VerifyAnswer(
        check.path,
        check.is_whole,
        check.schema,
        check.size_bytes,
        check.readings,
        check.fresh,
        check.sealed,
        check.thinned,
        check.first_ms,
        check.last_ms,
        check.faults,
        check.damaged,
        check.gaps,
    )
