"""The sign of life that goes out: that the messenger lives, and whether what it speaks for does."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rainstead.localtime import local

from .changes import AlarmTold
from .lookout import Seen
from .words import Text, alarm_name, told_at

__all__ = ["Beat", "beat_text", "beat_words"]


@dataclass(frozen=True, slots=True)
class Beat:
    """logger_quiet_s: since when, seen from here, the logger has given no sign. waiting: messages that wait.

    reading_due_s: a newest reading that is older than this is a fault; None where sensors speak only when it rains.
    """

    site: str
    zone: str
    at_ms: int
    every_s: float
    seen: Seen
    silent_after_s: float
    reading_due_s: float | None
    logger_quiet_s: float
    standing: Sequence[AlarmTold]
    waiting: int
    given_up: int
    outbox_trouble: str | None

    @property
    def newest_age_s(self) -> float | None:
        """Age of the newest reading; None where there is none."""
        return None if self.seen.newest_ms is None else (self.at_ms - self.seen.newest_ms) / 1000

    @property
    def faults(self) -> list[str]:
        """What is wrong with the site's own parts, the worst first. An alarm of a tank is none."""
        seen, health = self.seen, self.seen.health or {}
        found = []
        if self.logger_quiet_s >= self.silent_after_s:
            found.append(f"the logger is silent, for {_span(self.logger_quiet_s)} or more")
        if seen.trouble is not None:
            found.append("the log cannot be read")
        if seen.is_missing:
            found.append("there is no log")
        age_s = self.newest_age_s
        if age_s is not None and self.reading_due_s is not None and age_s > self.reading_due_s:
            found.append(f"no reading is newer than {_span(age_s)}")
        if health.get("disk_trouble"):
            found.append("readings cannot be stored")
        if health.get("calculation_failed"):
            found.append("the calculation fails")
        if health.get("dropped"):
            found.append(f"{health['dropped']} readings were lost")
        if seen.clock_is_trusted is False:
            found.append("the clock is not set")
        if seen.lag_s is not None and seen.lag_s >= self.silent_after_s:
            found.append(f"forwarding is behind by {_span(seen.lag_s)}")
        if self.outbox_trouble is not None:
            found.append("what was sent cannot be put down on the disk")
        return found


def beat_text(beat: Beat) -> Text:
    """For people."""
    words = beat_words(beat)
    age_s, faults = words["newest_reading_age_s"], beat.faults
    title = f"{beat.site}: " + (f"see to it: {faults[0]}" if faults else "alive, nothing to do for the board")
    lines = [f"Sign of life of {told_at(beat.at_ms, beat.zone, is_guess=beat.seen.clock_is_trusted is False)}"]
    lines += [f"Wrong: {one}" for one in faults]
    lines.append("Newest reading: " + ("none" if age_s is None else f"{_span(age_s)} old"))
    for key, said in (("waiting_readings", "Readings that wait in memory"), ("dropped_readings", "Readings lost")):
        if words[key] is not None:
            lines.append(f"{said}: {words[key]}")
    if words["forwarder_lag_s"] is not None:
        lines.append(f"Forwarding is behind by: {_span(words['forwarder_lag_s'])}")
    if words["free_mb"] is not None:
        lines.append(f"Free on the disk: {words['free_mb']:.0f} MB")
    lines.append("Alarms that stand: " + ("; ".join(alarm_name(one.event) for one in beat.standing) or "none"))
    lines.append(f"Messages that wait: {beat.waiting}; given up since the beginning: {beat.given_up}")
    lines.append(f"The next sign of life is due in {_span(beat.every_s)}; if two stay out, go and look.")
    return Text(title, "\n".join(lines) + "\n")


def beat_words(beat: Beat) -> dict[str, Any]:
    """For programs: keys carry units."""
    seen, health = beat.seen, beat.seen.health or {}
    return {
        "site": beat.site,
        "state": "alive",
        "at_ms": beat.at_ms,
        "at": local(beat.at_ms, "UTC").strftime("%Y-%m-%dT%H:%M:%SZ"),
        "expires_ms": beat.at_ms + round(2000 * beat.every_s),
        "faults": beat.faults,
        "newest_reading_age_s": beat.newest_age_s,
        "logger_quiet_s": round(beat.logger_quiet_s),
        "waiting_readings": health.get("waiting"),
        "dropped_readings": health.get("dropped"),
        "forwarder_lag_s": seen.lag_s,
        "clock_is_trusted": seen.clock_is_trusted,
        "free_mb": None if seen.free_mb is None else round(seen.free_mb),
        "alarms": [
            {"alarm": one.event.alarm, "subject": one.event.subject, "since_ms": one.event.t_ms}
            for one in beat.standing
        ],
        "messages_waiting": beat.waiting,
        "messages_given_up": beat.given_up,
    }


def _span(seconds: float) -> str:
    if seconds < 0:
        return "less than nothing (the clock was set)"
    if seconds < 100:
        return f"{seconds:.0f} s"
    if seconds < 6000:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86_400:.1f} d"
