"""What another log of this site still holds, into the site's log: a damaged one that was moved aside, an old backup."""

import sqlite3
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rainstead.errors import LogError, RainsteadError
from rainstead.log import LogReader, LogWriter, damage_in_words, damaged_logs, note_brought_in
from rainstead.log.salvage import OldLog, TakenIn
from rainstead.readings import Kind
from rainstead.settings import Settings, sensor_kind

from .workout import work_out

__all__ = ["Salvaged", "salvage_log"]

Progress = Callable[[int, int], None]
"""Called with how many pieces are through, and about how many there are."""


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What a salvage did. path: of the log that it was taken from, which stays as it was. is_aside: it is one that a
    logger moved aside in this site's folder, and is now noted as brought in."""

    path: Path
    taken: TakenIn
    is_aside: bool


def salvage_log(
    site_dir: Path,
    old_path: Path,
    settings: Settings,
    progress: Progress | None = None,
    *,
    same_site: bool = False,
    aside_at_ms: int | None = None,
) -> Salvaged:
    """Bring in all that can be read of another log and is not in the site's, which is made if it is not there.

    All of it comes in or nothing; done again, nothing is added. same_site: the owner's word that the other log is of
    this site, whatever it says of itself. aside_at_ms: the wall clock now, UTC: the other log is the site's own, and is
    damaged; it is moved aside and a new one is begun, as a logger does, and what can be read is brought into that.
    Raises LogError where it is the site's own log, or another site's; LogBusy where a logger runs; what OldLog raises;
    LogError where the disk does not take it.
    """
    log_path = site_dir / "readings.db"
    if aside_at_ms is not None:
        stood = damaged_logs(site_dir)
        try:
            moved = _move_own_aside(log_path, old_path, aside_at_ms)
            return salvage_log(site_dir, moved, settings, progress, same_site=True)
        except RainsteadError as error:
            new = [path.name for path in damaged_logs(site_dir) if path not in stood]
            if not new:
                raise
            raise LogError(
                f"{error}; the damaged log was moved aside to {new[0]} before, whole: salvage it by that name"
            ) from None
    _refuse_own(log_path, old_path)
    with OldLog(old_path) as old:
        kept = [_site_and_sensors(text) for _, _, text in old.settings()]
        kinds = _kinds(old, kept, log_path, settings, same_site=same_site)
        with LogWriter(log_path) as writer:
            taken = _take_in(writer, old, kinds, progress)
            try:
                work_out(writer, settings, changed=taken.is_anything)
            except sqlite3.Error as error:
                raise LogError(
                    f"{log_path}: all of {old.path.name} is in the log, and what follows from it could not be kept "
                    f"({error}); the logger works it out at its start, or salvage again"
                ) from None
        with LogReader(log_path) as reader:
            identity = reader.identity()
        is_here = taken.is_done and old.path.parent.resolve() == site_dir.resolve()
        is_aside = is_here and note_brought_in(old.path, identity)
        return Salvaged(old.path, taken, is_aside)


def _take_in(writer: LogWriter, old: OldLog, kinds: Mapping[str, Kind], progress: Progress | None) -> TakenIn:
    through, total = 0, old.count()

    def step(pieces: int) -> None:
        nonlocal through
        through += pieces
        if progress is not None:
            progress(through, max(total, through))

    try:
        return writer.take_in(old, kinds, step)
    except sqlite3.Error as error:
        if damage_in_words(error) is not None:
            raise LogError(
                f"{writer.path}: the site's own log is damaged ({error}), and nothing was brought in; bring what can "
                f"be read of it into a new log (`rainstead salvage {writer.path} --site {writer.path.parent} "
                f"--log-aside`), then salvage {old.path.name} again"
            ) from None
        raise LogError(
            f"{writer.path}: the log could not be written ({error}), and nothing was brought in; the disk needs room "
            f"for about twice the size of {old.path.name}"
        ) from None


def _refuse_own(log_path: Path, old_path: Path) -> None:
    if not log_path.parent.is_dir():
        raise LogError(f"{log_path.parent}: there is no such folder; name the site's folder with --site")
    if _is_own(log_path, old_path):
        raise LogError(
            f"{old_path}: this is the site's own log; name the log that was moved aside (readings-damaged-….db), or a "
            "backup; if it is damaged itself, --log-aside moves it aside first"
        )


def _is_own(log_path: Path, old_path: Path) -> bool:
    inside = old_path / "readings.db" if old_path.is_dir() else old_path
    return inside.exists() and log_path.exists() and inside.samefile(log_path)


def _move_own_aside(log_path: Path, old_path: Path, now_ms: int) -> Path:
    """Where the site's damaged log stands now. One that is sound stays, and is refused."""
    if not _is_own(log_path, old_path):
        raise LogError(f"{old_path}: --log-aside is for the site's own log alone, which is {log_path}; leave it out")
    with LogWriter(log_path, create=False, aside_at_ms=now_ms) as writer:
        if writer.moved_aside is None:
            why = writer.damage()
            if why is None:
                raise LogError(
                    f"{log_path}: SQLite finds no damage in this log, so it stays; damaged hours, if `rainstead "
                    "verify` names any, are put right by salvaging a backup that has them"
                )
            writer.begin_anew(now_ms, why)
        assert writer.moved_aside is not None
        return writer.moved_aside[0]


def _site_and_sensors(text: str) -> tuple[str | None, frozenset[str]]:
    """The site's name and its sensors' as kept settings have them; an older rainstead may have written them."""
    try:
        tables: dict[str, Any] = tomllib.loads(text)
        return str(tables["site"]["name"]), frozenset(tables["sensors"])
    except (tomllib.TOMLDecodeError, KeyError, TypeError):
        return None, frozenset()


def _kinds(
    old: OldLog,
    kept: list[tuple[str | None, frozenset[str]]],
    log_path: Path,
    settings: Settings,
    *,
    same_site: bool,
) -> dict[str, Kind]:
    """What each sensor of the other log measures. Refuses another site's log; drops names that a turned bit made."""
    ours = {name: sensor_kind(sensor) for name, sensor in settings.sensors.items()}
    names = {settings.site.name}
    try:
        with LogReader(log_path) as reader:
            ours = {row.name: row.kind for row in reader.sensors()} | ours
            names |= {_site_and_sensors(reader.newest_settings() or "")[0] or settings.site.name}
    except (RainsteadError, sqlite3.Error):
        pass  # there is none yet; or whoever opens it to write will tell
    theirs = {name for name, _ in kept if name is not None}
    remedy = "name its own site with --site; if it is this site's all the same, say --same-site"
    if theirs and not theirs & names and not same_site:
        raise LogError(
            f"{old.path}: this log is of the site {', '.join(map(repr, sorted(theirs)))}, and {log_path.parent} is "
            f"{settings.site.name!r}: {remedy}"
        )
    told = {name for name, _ in old.sensors.values()}
    if told and ours and not told & ours.keys() and not same_site:
        raise LogError(
            f"{old.path}: this log has the sensors {', '.join(sorted(told))}, and none of them is in "
            f"{log_path.parent}: {remedy}"
        )
    known = ours.keys() | frozenset[str]().union(*(sensors for _, sensors in kept))
    kinds: dict[str, Kind] = {}
    for number, (name, kind) in list(old.sensors.items()):
        if kind is not None and kind in set(Kind) and kind != ours.get(name, kind):
            raise LogError(
                f"{old.path}: its sensor {name} is {kind}, and here {name} is {ours[name]}: one of them is another "
                "sensor; give the one of site.toml a new name, if it is the newer one"
            )
        if (kind not in set(Kind) and name not in ours) or (any(s for _, s in kept) and name not in known):
            del old.sensors[number]
        else:
            kinds[name] = ours[name] if name in ours else Kind(str(kind))
    return kinds
