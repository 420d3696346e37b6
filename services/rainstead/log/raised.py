"""Alarm events with where they come from, for whoever must know one again whatever its stamp becomes."""

import hashlib
import sqlite3
from dataclasses import dataclass

from rainstead.events import AlarmEvent

__all__ = ["RaisedEvent", "count_raised", "find_raised"]


@dataclass(frozen=True, slots=True)
class RaisedEvent:
    """An event, who wrote it, in which boot of the machine, and at which boot-clock time of it."""

    event: AlarmEvent
    source: str
    boot_uuid: str
    boot_ms: int
    is_trusted: bool
    """Whether its stamp is by a clock that was known to be right."""
    is_brought_in: bool = False
    """Whether it came from another log."""

    @property
    def is_from_elsewhere(self) -> bool:
        """Whether it was no logger that has just seen it: an import, or what another log held, tells nothing new."""
        return self.is_brought_in or self.source == "import"

    @property
    def identity(self) -> int:
        """Names it for ever, in 63 bits: a clock that is set, a copy, a log begun anew change nothing of it."""
        event = self.event
        text = "\x1f".join((self.boot_uuid, str(self.boot_ms), event.alarm, event.subject, event.state))
        return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest()) >> 1


def count_raised(db: sqlite3.Connection) -> int:
    """How many events there are; none is ever taken out alone, so that a new one changes the number."""
    return int(db.execute("SELECT count(*) FROM event").fetchone()[0])


def find_raised(db: sqlite3.Connection) -> list[RaisedEvent]:
    """All of them, oldest first. Raises sqlite3.Error."""
    rows = db.execute(
        "SELECT t_ms, alarm, subject, state, value, limit_value, unit, reason, source, boot_uuid, t_ms - offset_ms,"
        " trusted, segment.id < 0 FROM event JOIN segment ON segment.id = event.segment"
        " JOIN boot ON boot.id = segment.boot"
        " ORDER BY t_ms, alarm, subject, state"
    )
    return [RaisedEvent(AlarmEvent(*row[:8]), row[8], row[9], row[10], bool(row[11]), bool(row[12])) for row in rows]
