"""The settings in force: those of the site's file or, when that cannot be used, the last good ones.

Those are what a running process has in force already, and for one that starts what the log has kept.

A slip in a file that somebody changed from afar must end neither the logging nor what tells of it.
"""

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from rainstead.errors import RainsteadError, SettingsError
from rainstead.log import LogReader
from rainstead.settings import Settings, parse_settings, read_settings, sensor_kind

__all__ = ["InForce", "settings_in_force"]


@dataclass(frozen=True, slots=True)
class InForce:
    """text: as the owner wrote them. refused: what is wrong with the site's file, where others stand in for it."""

    settings: Settings
    text: str
    refused: str | None


def settings_in_force(
    site: Path, now_ms: int, *, tell: Callable[[str], None], table: str | None = None, before: InForce | None = None
) -> InForce:
    """For a process that starts or, with what is in force before, for one whose file was changed meanwhile.

    tell: takes a line each about a file that is refused. table: without it a process that starts has nothing to do, so
    a copy in the log that has none does not stand in for the file.
    Raises SettingsError, about the site's file, where there were none before and the log has none that are good either.
    """
    path = site / "site.toml"
    kept, kinds = _kept(site)
    try:
        text = read_settings(path)
        return InForce(_checked(text, str(path), now_ms, kinds), text, None)
    except SettingsError as error:
        if before is not None:
            good, whence = before, "which were in force before; mend the file"
        elif kept is None:
            raise
        else:
            try:
                settings = _checked(kept, f"{path}, as the log has it", now_ms, kinds)
            except SettingsError:
                raise error from None
            if table is not None and getattr(settings, table) is None:
                raise
            good, whence = InForce(settings, kept, None), "which the log has kept; mend the file, then start this again"
        tell(str(error))
        tell(f"going on with the last good settings, {whence}")
        return replace(good, refused=str(error))


def _checked(text: str, source: str, now_ms: int, kinds: dict[str, str]) -> Settings:
    settings = parse_settings(text, source, now_ms=now_ms)
    if not settings.sensors:
        raise SettingsError(f"{source}: sensors = nothing: there is nothing to read; add a [sensors.NAME] table")
    for name, sensor in settings.sensors.items():
        kind = str(sensor_kind(sensor))
        if kinds.get(name, kind) != kind:
            raise SettingsError(
                f"{source}: sensors.{name}.kind = {sensor.kind}: the log has {kinds[name]} under this name, and this "
                f"sensor gives {kind}; give the new sensor a new name"
            )
    return settings


def _kept(site: Path) -> tuple[str | None, dict[str, str]]:
    """The last settings in the log, and what each sensor of it measures."""
    try:
        with LogReader(site) as reader:
            return reader.newest_settings(), {row.name: str(row.kind) for row in reader.sensors()}
    except (RainsteadError, sqlite3.Error, OSError):
        return None, {}  # no log yet, or none that can be read: whoever writes it will tell
