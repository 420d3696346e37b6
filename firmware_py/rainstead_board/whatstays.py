"""What the owner lets go of the log, and how far the forwarder has come, where there is to be one."""

from dataclasses import replace
from pathlib import Path
from typing import Final

from rainstead.clock import Clock
from rainstead.forward import read_standing, server_name
from rainstead.log import Keep, LogReader
from rainstead.settings import Settings

__all__ = ["WhatStays"]

NOTHING_FORWARDED_MS: Final = -(2**62)
LASTS_MS: Final = 60_000
"""Looking how far the forwarder has come opens two files; it only ever comes further."""


class WhatStays:
    """Of one log."""

    def __init__(self, settings: Settings, log_path: Path, clock: Clock) -> None:
        self._keep = Keep(settings.log.keep_days, settings.log.keep_mb)
        self._forward, self._path, self._clock = settings.forward, log_path, clock
        self._until_ms: int | None = None
        self._known = self._keep

    def now(self) -> Keep:
        """As it was at most a minute ago. Raises sqlite3.Error, LogError."""
        if self._forward is None or self._keep == Keep():
            return self._keep
        now_ms = self._clock.boot_ms()
        if self._until_ms is not None and now_ms < self._until_ms:
            return self._known
        standing = read_standing(self._path.parent, server_name(self._forward))
        upto_ms = None if standing is None else standing.cursor.forwarded_upto_ms()
        with LogReader(self._path) as reader:
            if standing is not None and standing.told.get("log", reader.identity()) != reader.identity():
                upto_ms = None  # of the log that stood here before
        self._until_ms = now_ms + LASTS_MS
        self._known = replace(self._keep, forwarded_upto_ms=NOTHING_FORWARDED_MS if upto_ms is None else upto_ms)
        return self._known
