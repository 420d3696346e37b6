"""Sensors that speak and are sick all the same: the logger looks for them now and then, at no reading's cost."""

import logging
import sqlite3
from pathlib import Path
from typing import Final

from rainstead.errors import RainsteadError
from rainstead.log import LogReader
from rainstead.settings import Settings
from rainstead.sickness import find_sickness

__all__ = ["SickSensors"]

SICKNESS_EVERY_MS: Final = 600_000

_journal = logging.getLogger("rainstead.logger")


class SickSensors:
    """Those of one site's log; they show in the log alone."""

    def __init__(self, settings: Settings, log: Path) -> None:
        self.because: dict[str, str] = {}
        """Why a sensor that speaks is not to be believed, by its name."""
        self._settings, self._log = settings, log
        self._sought_ms: int | None = None
        self._failed: str | None = None

    def seek_if_due(self, boot_ms: int, wall_ms: int) -> None:
        """Look again if the last look is old. wall_ms: the stamp of this moment."""
        if self._sought_ms is not None and boot_ms - self._sought_ms < SICKNESS_EVERY_MS:
            return
        self._sought_ms = boot_ms
        failed = None
        try:
            with LogReader(self._log) as reader:
                found = find_sickness(self._settings, reader, wall_ms)
            self.because = {name: sick.because for name, sick in found.items()}
        except (RainsteadError, sqlite3.Error):  # for the commits to tell
            return
        except Exception as error:  # as with the calculation: a fault of it must cost no reading
            failed = repr(error)
            if failed != self._failed:
                _journal.error("whether sensors are sick cannot be worked out; readings are stored", exc_info=error)
        self._failed = failed
