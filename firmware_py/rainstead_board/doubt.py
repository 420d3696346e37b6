"""Whether to believe that the log is damaged: a card may misread once, and not all damage is called so."""

from collections.abc import Callable
from typing import Final

from rainstead.clock import Clock
from rainstead.errors import LogMalformed
from rainstead.log import LogWriter, damage_in_words, may_be_damage

__all__ = ["LONG_WORK_MS", "Doubt"]

LONG_WORK_MS: Final = 900_000
"""Reading all of a large log, or correcting the stamps of a year's boot, may take this long."""
DOUBT_LASTS_MS: Final = 86_400_000
"""Damage is met again well within a day; a second misreading of a sound log, after months, is again the first."""
CHECK_AGAIN_MS: Final = 600_000
LONGEST_CHECK_WAIT_MS: Final = 7_200_000
"""SQLite's check reads all of the file: while an error stays and the file is found sound, ever more seldom."""


class Doubt:
    """One log's. busy: called before long work with the milliseconds that it may take, and with 0 after it."""

    def __init__(self, writer: LogWriter, clock: Clock, busy: Callable[[int], None]) -> None:
        self.since_ms: int | None = None
        """Boot clock when SQLite called the log damaged for once."""
        self._writer, self._clock, self._busy = writer, clock, busy
        self._check_at_ms = -DOUBT_LASTS_MS
        self._check_wait_ms = CHECK_AGAIN_MS

    def is_first(self, error: Exception) -> bool:
        """Whether SQLite calls the log damaged for the first time in a day.

        Raises LogMalformed the second time, and where something else failed and SQLite's own check names damage.
        """
        why = self._damage_behind(error)
        if why is None:
            return False
        now_ms = self._clock.boot_ms()
        is_doubted = self.since_ms is not None and now_ms - self.since_ms < DOUBT_LASTS_MS
        if is_doubted or damage_in_words(error) is None:
            raise LogMalformed(f"{self._writer.path}: this log is damaged ({why})", why) from error
        self.since_ms = now_ms
        return True

    def _damage_behind(self, error: Exception) -> str | None:
        if not may_be_damage(error):
            return damage_in_words(error)
        now_ms = self._clock.boot_ms()
        if now_ms < self._check_at_ms:
            return None
        self._busy(LONG_WORK_MS)
        why = self._writer.damage_behind(error)
        self._busy(0)
        if why is None:
            is_lasting = now_ms - self._check_at_ms < DOUBT_LASTS_MS
            self._check_wait_ms = min(2 * self._check_wait_ms, LONGEST_CHECK_WAIT_MS) if is_lasting else CHECK_AGAIN_MS
            self._check_at_ms = now_ms + self._check_wait_ms
        return why
