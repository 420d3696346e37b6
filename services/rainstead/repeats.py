"""What is said again and again: a few times as it comes, then now and then how often, and the last of it.

A sensor with a loose plug changes its state thousands of times a day. A journal is kept on the card, and is read by
somebody who looks for what else has happened.
"""

import logging
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

__all__ = ["Repeats"]

AT_ONCE: Final = 4
"""Lines of one matter that are said as they come: it went and came back, twice."""
FIRST_WAIT_MS: Final = 3_600_000
LONGEST_WAIT_MS: Final = 4 * FIRST_WAIT_MS
"""From the first line to the number of those that were not said, an hour; to each further number twice as long."""
MOST_MATTERS: Final = 200
"""More at one time are taken for one: garbled words differ each time."""
_OTHERS: Final = "others"
_DIGITS: Final = re.compile(r"\d+")


@dataclass(slots=True)
class _Matter:
    """since_ms: since when lines are counted. level, last: the worst and the last of those that were held."""

    since_ms: int
    wait_ms: int = FIRST_WAIT_MS
    said: int = 0
    held: int = 0
    level: int = logging.NOTSET
    last: logging.LogRecord | None = None


class Repeats(logging.Handler):
    """Stands before the handler that says it. now_ms: the boot clock.

    Lines with the same fields (see `journal.about`) are one matter; of those without any, lines that differ in nothing
    but numbers. `tick` is to be called every second or so, for a number may be due while nobody says anything.
    """

    def __init__(self, says: logging.Handler, now_ms: Callable[[], int]) -> None:
        super().__init__()
        self._says, self._now_ms = says, now_ms
        self._matters: dict[str, _Matter] = {}
        self._due_ms: int | None = None
        """When the next number is due at the earliest."""

    def emit(self, record: logging.LogRecord) -> None:
        """Say it now, or count it."""
        now_ms = self._now_ms()
        self._say_what_is_due(now_ms)
        matter = self._matter_of(record, now_ms)
        if matter.said < AT_ONCE:
            matter.said += 1
            self._says.handle(record)
            return
        record.exc_info = None  # it is not said, and would keep alive all that its frames hold
        matter.held += 1
        matter.level, matter.last = max(matter.level, record.levelno), record

    def tick(self) -> None:
        """Say the numbers that are due."""
        self.acquire()
        try:
            self._say_what_is_due(self._now_ms())
        finally:
            self.release()

    def close(self) -> None:
        """Nothing that was counted goes unsaid."""
        self.acquire()
        try:
            for matter in self._matters.values():
                self._say_number(matter, self._now_ms())
            self._matters = {}
        finally:
            self.release()
        self._says.close()
        super().close()

    def _matter_of(self, record: logging.LogRecord, now_ms: int) -> _Matter:
        fields: dict[str, str] = getattr(record, "fields", {})
        key = repr(sorted(fields.items())) if fields else _DIGITS.sub("#", _words(record))
        if key not in self._matters and len(self._matters) >= MOST_MATTERS:
            key = _OTHERS
        matter = self._matters.setdefault(key, _Matter(now_ms))
        due_ms = matter.since_ms + matter.wait_ms
        self._due_ms = due_ms if self._due_ms is None else min(self._due_ms, due_ms)
        return matter

    def _say_what_is_due(self, now_ms: int) -> None:
        if self._due_ms is None or now_ms < self._due_ms:
            return
        for key, matter in list(self._matters.items()):
            if now_ms - matter.since_ms < matter.wait_ms:
                continue
            if not matter.held:
                del self._matters[key]
                continue
            self._say_number(matter, now_ms)
            matter.since_ms, matter.held, matter.level, matter.last = now_ms, 0, logging.NOTSET, None
            matter.wait_ms = min(2 * matter.wait_ms, LONGEST_WAIT_MS)
        self._due_ms = min((one.since_ms + one.wait_ms for one in self._matters.values()), default=None)

    def _say_number(self, matter: _Matter, now_ms: int) -> None:
        if matter.last is None:
            return
        for_ms = now_ms - matter.since_ms
        told = f"{for_ms / 3.6e6:.0f} h" if for_ms >= FIRST_WAIT_MS else f"{for_ms / 60_000:.0f} min"
        words = {
            "msg": f"{matter.held} times in the last {told}, the last: {_words(matter.last)}",
            "args": (),
            "levelno": matter.level,
            "levelname": logging.getLevelName(matter.level),
            "exc_info": None,
            "exc_text": None,
        }
        self._says.handle(logging.makeLogRecord({**matter.last.__dict__, **words}))


def _words(record: logging.LogRecord) -> str:
    """A mistake in them is for who says them to tell."""
    try:
        return record.getMessage()
    except (TypeError, ValueError):
        return str(record.msg)
