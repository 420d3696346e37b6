"""What the messenger sees: the log, in short snapshots, and the logger's account of itself. It writes nothing."""

import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rainstead.boardhealth import RUN_FOLDER, read_board_health
from rainstead.errors import LogError, LogMalformed, LogMissing
from rainstead.forward import read_standing, server_name
from rainstead.log import LogReader, RaisedEvent, damage_in_words
from rainstead.settings import Settings

__all__ = ["Lookout", "Seen"]


@dataclass(frozen=True, slots=True)
class Seen:
    """At one look. log: its identity; None where there is none, or none that can be read, with `trouble`.

    raised: all events of the log; None where they are those of the look before. newest_ms: stamp of the newest reading.
    health: the logger's account of itself. lag_s: how far forwarding is behind; None where nothing is forwarded.
    """

    log: str | None
    is_missing: bool
    trouble: str | None
    raised: list[RaisedEvent] | None
    newest_ms: int | None
    clock_is_trusted: bool | None
    health: dict[str, Any] | None
    lag_s: float | None
    free_mb: float | None


class Lookout:
    """Keeps a reader open between looks, without a snapshot. tell: for changes of state."""

    def __init__(
        self,
        settings: Settings,
        folder: Path,
        tell: Callable[[str], object],
        *,
        run_folder: Path = RUN_FOLDER,
    ) -> None:
        self._settings, self._folder, self._tell, self._run_folder = settings, folder, tell, run_folder
        self._reader: LogReader | None = None
        self._known: tuple[str, int] | None = None
        self._last: tuple[str | None, int | None, bool | None] = (None, None, None)
        self._said: str | None = None

    def look(self) -> Seen:
        """Never raises for a log that is absent, damaged, held or being replaced."""
        raised: list[RaisedEvent] | None = None
        log, trouble, is_missing = None, None, False
        newest_ms, trusted = self._last[1:]
        try:
            reader = self._open()
            # Before the first run has begun there is nothing to tell this log by; the file is then looked at again.
            log = reader.identity() or "begun"
            count = reader.raised_count()
            if self._known != (log, count):
                raised = reader.raised_events()
                self._known = (log, len(raised))
            newest_ms, trusted = reader.last_before_ms(2**62), reader.clock_is_trusted()
            self._last = (log, newest_ms, trusted)
        except LogMissing:
            self.close()
            is_missing, newest_ms, trusted = True, None, None
        except (LogError, sqlite3.Error, OSError) as error:
            self.close()
            trouble = damage_in_words(error) or (str(error) if not isinstance(error, LogMalformed) else error.why)
        if trouble != self._said:
            self._tell(f"the log cannot be read now: {trouble}" if trouble else "the log can be read again")
            self._said = trouble
        return Seen(
            log=log,
            is_missing=is_missing,
            trouble=trouble,
            raised=raised,
            newest_ms=newest_ms,
            clock_is_trusted=trusted,
            health=read_board_health(self._folder, self._settings.site.name, self._run_folder),
            lag_s=self._lag_s(newest_ms),
            free_mb=_free_mb(self._folder),
        )

    def _open(self) -> LogReader:
        if self._reader is not None and self._reader.is_replaced():
            self.close()
        if self._reader is None:
            self._reader = LogReader(self._folder)
        return self._reader

    def _lag_s(self, newest_ms: int | None) -> float | None:
        if self._settings.forward is None or newest_ms is None:
            return None
        try:
            standing = read_standing(self._folder, server_name(self._settings.forward))
        except (sqlite3.Error, OSError):
            return None
        if standing is None or standing.cursor.live_ms is None:
            return None
        return max(newest_ms - standing.cursor.live_ms, 0) / 1000

    def forget(self) -> None:
        """Have the next look give all events again."""
        self._known = None

    def close(self) -> None:
        """Let go of the log."""
        self._known = None
        if self._reader is not None:
            self._reader.close()
            self._reader = None


def _free_mb(folder: Path) -> float | None:
    try:
        stat = os.statvfs(folder)
    except OSError:
        return None
    return stat.f_bavail * stat.f_frsize / 1e6
