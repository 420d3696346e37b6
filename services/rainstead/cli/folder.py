"""A site's folder for commands that need no log: the notebook, and fits from what is typed."""

import contextlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rainstead.clock import SystemClock
from rainstead.errors import RainsteadError, SettingsError

from .site import time_for

if TYPE_CHECKING:
    from rainstead.log import LogReader
    from rainstead.settings import Settings

__all__ = ["Folder", "open_folder"]


@dataclass(frozen=True, slots=True)
class Folder:
    """A site that may have no log yet. as_of_ms: the time to answer for; now, where none was typed."""

    path: Path
    settings: "Settings"
    now_ms: int
    as_of_ms: int

    @contextmanager
    def reader(self) -> Iterator["LogReader | None"]:
        """The log, if there is one."""
        from rainstead.log import LogReader

        if not (self.path / "readings.db").exists():
            yield None
            return
        with LogReader(self.path) as reader:
            yield reader


def open_folder(path: Path, as_of: str | None = None) -> Folder:
    """Raises SettingsError, TimeUnreadable."""
    from rainstead.answers import read_time_ms
    from rainstead.log import LogReader
    from rainstead.settings import load_settings

    if not path.is_dir():
        raise SettingsError(f"{path}: there is no such folder; name the site's folder with --site or RAINSTEAD_SITE")
    now_ms = SystemClock().wall_ms()
    settings = load_settings(path / "site.toml", now_ms=now_ms)
    typed_ms = None if as_of is None else read_time_ms(as_of, settings.site.time_zone, "--as-of")
    # What is noted beside a log takes its place among its readings; a log that cannot be read is told where it is read.
    with contextlib.suppress(RainsteadError), LogReader(path) as reader:
        now_ms = time_for(None, reader)
        return Folder(path, settings, now_ms, time_for(typed_ms, reader))
    return Folder(path, settings, now_ms, now_ms if typed_ms is None else typed_ms)
