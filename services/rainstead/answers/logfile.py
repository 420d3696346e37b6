"""The log as a file: a copy, a check, a copy put back; and what they say."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rainstead.errors import LogError
from rainstead.log import DamagedHour, Gap, LogCheck, LogReader, back_up, check_log, copy_database, restore

from .plain import utc_text

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
    """What was copied. removed: older backups that `keep` let go."""

    check: VerifyAnswer
    notebook: Path | None
    removed: tuple[Path, ...]


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

    keep: in a folder, so many of the newest backups stay; the others are removed once this one was found whole.
    Raises LogError where the target is there or is neither a folder nor named .db, or the copy fails.
    """
    folder = target if target.is_dir() else None
    if folder is None and keep is not None:
        raise LogError(f"{target}: --keep {keep} counts backups in a folder; name a folder that is there")
    if folder is None and target.suffix != ".db":
        # A stick that is not mounted would else become a file on the card.
        raise LogError(f"{target}: there is no such folder; is the stick mounted? A file for a backup must end in .db")
    if folder is not None:
        stamp = utc_text(now_ms // 1000 * 1000).replace("-", "").replace(":", "")
        target = folder / f"readings-{stamp}.db"
    check = back_up(site, target, progress)
    notebook = None
    if (site / NOTEBOOK).exists():
        notebook = _notebook_of(target)
        copy_database(site / NOTEBOOK, notebook)
    removed: list[Path] = []
    if folder is not None and keep is not None and check.is_whole:
        ours = sorted(path for path in folder.glob("readings-[0-9]*Z.db") if path != target)
        for old in ours[: max(0, len(ours) + 1 - keep)]:
            for path in (old, _notebook_of(old)):
                path.unlink(missing_ok=True)
            removed.append(old)
    return BackupAnswer(_told(check), notebook, tuple(removed))


def restore_site(
    backup: Path, site: Path, *, even_damaged: bool = False, progress: Progress | None = None
) -> RestoreAnswer:
    """Put a backup into a site's folder: the log, the notebook beside it, and the settings where there are none.

    Raises LogError where anything would be overwritten, LogDamaged where the backup is not whole.
    """
    if not site.is_dir():
        raise LogError(f"{site}: there is no such folder; make it first, and name it with --site")
    kept_notebook = _notebook_of(backup)
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


def _notebook_of(backup: Path) -> Path:
    return backup.with_suffix(".notebook.db")


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
