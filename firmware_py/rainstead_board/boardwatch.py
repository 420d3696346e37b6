"""Alarms of the board itself: a disk that fills or fails, a sensor that stays in trouble, a clock nobody sets, a supply
that is low, a log that nobody keeps safe."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from rainstead.alarms import ACTIVE, NORMAL, FaultRule
from rainstead.events import AlarmEvent
from rainstead.settings import Settings

from .turns import Turns
from .upkeepwatch import Judged

__all__ = ["BoardWatch", "Facts"]

DISK_WELL_MS: Final = 300_000
"""A disk that refuses now and then is in trouble all the while."""
LEAST_WELL_MS: Final = 60_000
CLOCK_AFTER_MS: Final = 3_600_000
"""A board that gets its time from the network has it long before this."""


_UNKNOWN: Final = Judged(None)


@dataclass(frozen=True, slots=True)
class Facts:
    """How the board is at one moment. Times in boot-clock milliseconds.

    troubles: what is wrong with each sensor. free_mb: None where the disk does not say. damaged_logs: names of those
    that were moved aside and are still there; brought_in: of these, what is in the log again. settings_refused: what is
    wrong with the site's file, where older settings stand in for it. spare_room: `laid`, `used`, `missing`, or None
    where none is wanted; spare_mb: its size. supply_is_low: now or in the last minutes; None where nobody knows.
    began: what is to be said of how the run before this one ended. backup, check: whether the log is kept safe.
    """

    boot_ms: int
    t_ms: int
    troubles: Mapping[str, str | None]
    free_mb: float | None
    disk_trouble: str | None
    waiting: int
    dropped: int
    clock_is_trusted: bool
    calculation_failed: str | None
    damaged_logs: tuple[str, ...] = ()
    brought_in: tuple[str, ...] = ()
    settings_refused: str | None = None
    spare_room: str | None = None
    spare_mb: float = 0.0
    supply_is_low: bool | None = None
    supply_low_age_s: float | None = None
    began: str | None = None
    backup: Judged = _UNKNOWN
    check: Judged = _UNKNOWN


class BoardWatch:
    """Looks at facts and says what changed. `events` tell which alarms stood when the process before this ended.

    before: what watched until now, over a log that has been left. pending: see Turns.
    """

    def __init__(
        self,
        settings: Settings,
        events: Iterable[AlarmEvent],
        *,
        before: "BoardWatch | None" = None,
        pending: object = None,
    ) -> None:
        self._space, sensor_after_ms = settings.alarms.low_space, round(settings.alarms.sensor_fault.after_s * 1000)
        self._sensor_after_ms = sensor_after_ms
        rules = {
            "clock_unset": FaultRule(CLOCK_AFTER_MS, 0),
            "disk_fault": FaultRule(0, DISK_WELL_MS),
            "sensor_fault": FaultRule(sensor_after_ms, max(sensor_after_ms // 3, LEAST_WELL_MS)),
        }
        self.turns: Turns = Turns(rules, events, before=before.turns if before else None, pending=pending)
        self._lost: int = before._lost if before else 0
        """Readings that the disk's trouble has cost, as long as it counts as trouble."""
        # A sensor that the settings know no more can give no news of itself.
        self._gone = [name for alarm, name in sorted(self.active) if alarm == "sensor_fault"]

    @property
    def active(self) -> frozenset[tuple[str, str]]:
        """Alarm and subject of all that is active."""
        return self.turns.active

    def look(self, facts: Facts) -> list[AlarmEvent]:
        """The alarms that these facts raise and clear."""
        found: list[AlarmEvent] = []
        found += self._space_left(facts)
        found += self._disk(facts)
        found += self._supply(facts)
        unset = not facts.clock_is_trusted
        reason = (
            "nobody has set the clock since the board started, so its stamps are a guess; let it reach the network, or "
            "set it and say `rainstead clock confirm`"
            if unset
            else "the clock is set"
        )
        found += self._tell(facts, "clock_unset", "site", unset, None, CLOCK_AFTER_MS / 3.6e6, "h", reason)
        failed = facts.calculation_failed
        reason = f"the calculation fails ({failed}): other alarms are not watched" if failed else "it works again"
        found += self._tell(
            facts, "calculation_fault", "site", failed is not None, float(bool(failed)), 0.0, "", reason
        )
        aside = tuple(name for name in facts.damaged_logs if name not in facts.brought_in)
        reason = (
            f"SQLite called the log damaged, and a new one was begun; the old one is {', '.join(aside)}: `rainstead "
            "salvage` with its name brings what can be read of it into the log, while the logger is stopped; look "
            "after the card, and take the file away"
            if aside
            else f"what can be read of {', '.join(facts.brought_in)} is in the log again; the file may be taken away"
            if facts.brought_in
            else "no damaged log is there any more"
        )
        found += self._tell(facts, "log_damaged", "site", bool(aside), float(len(aside)), 0.0, "logs", reason)
        refused = facts.settings_refused
        reason = (
            f"{refused}; the logger goes on with the last good settings: mend the file, then start the logger again"
            if refused
            else "the site's file is in force"
        )
        found += self._tell(
            facts, "settings_refused", "site", refused is not None, float(bool(refused)), 0.0, "", reason
        )
        for alarm, judged in (("no_backup", facts.backup), ("damage_found", facts.check)):
            if judged.is_bad is not None:
                of_what = (judged.value, judged.limit, judged.unit, judged.reason)
                found += self._tell(facts, alarm, "site", judged.is_bad, *of_what)
        for name, why in facts.troubles.items():
            found += self._sensor(facts, name, why)
        for name in self._gone:
            if name not in facts.troubles:
                found += self._end(facts, "sensor_fault", name, "min", "the settings have it no more")
        self._gone = []
        return found

    def _space_left(self, facts: Facts) -> list[AlarmEvent]:
        """Little room, then none but what was kept for it. That is no room to be had: it is owed to the next time."""
        space, used_key = self._space, ("spare_room_used", "site")
        # After a restart nobody knows why there is none; where the alarm stands it was used.
        used = facts.spare_room == "used" or (facts.spare_room == "missing" and used_key in self.active)
        found = []
        if facts.free_mb is not None:
            room_mb = max(0.0, facts.free_mb - facts.spare_mb) if used else facts.free_mb
            limit_mb = space.free_mb + (space.deadband_mb if ("low_space", "site") in self.active else 0.0)
            low = room_mb <= limit_mb
            besides = f", {facts.spare_mb:.0f} of them kept for a full disk" if used else ""
            reason = f"{facts.free_mb:.0f} MB are free on the log's disk{besides}" + (
                "; make room, or readings will wait in memory and be lost in the end" if low else ""
            )
            found += self._tell(facts, "low_space", "site", low, room_mb, space.free_mb, "MB", reason)
        left_mb = facts.free_mb or 0.0
        reason = (
            f"the disk was full, and the {facts.spare_mb:.0f} MB that were kept for this are used; {left_mb:.0f} MB "
            "are free: make room now"
            if used
            else f"{facts.spare_mb:.0f} MB are kept for a full disk again"
            if facts.spare_room == "laid"
            else "the settings keep no room for a full disk any more"
        )
        return found + self._tell(facts, *used_key, used, left_mb, facts.spare_mb, "MB", reason)

    def _supply(self, facts: Facts) -> list[AlarmEvent]:
        low = facts.supply_is_low is True
        reason = (
            "the supply voltage of the board is too low: cards, USB adapters and sensors fail of it first"
            if low
            else "the supply has not been low for some minutes"
            if facts.supply_is_low is False
            else "how the supply is now is not known"
        )
        besides = f"; {facts.began}" if facts.began and not low else ""
        return self._tell(facts, "supply_low", "site", low, float(low), 0.0, "", f"{reason}{besides}")

    def _disk(self, facts: Facts) -> list[AlarmEvent]:
        why, count = facts.disk_trouble, self._lost + facts.dropped
        lost = f"{count} readings were lost, the oldest first" if count else "none was lost"
        if why is not None:
            reason = f"readings cannot be stored ({why}): {facts.waiting} wait in memory; {lost}"
        elif facts.dropped:
            # A disk that was only slow, but for so long that there was no more room.
            reason = f"the disk was too slow; {lost}"
        else:
            reason = f"the disk takes readings again; {lost}"
        bad = why is not None or facts.dropped > 0
        found = self._tell(facts, "disk_fault", "site", bad, float(facts.waiting), 0.0, "readings", reason)
        # While it refuses, all that were dropped are counted by the queue; then each once.
        if why is None:
            self._lost = count if ("disk_fault", "site") in self.active else 0
        return found

    def _sensor(self, facts: Facts, name: str, why: str | None) -> list[AlarmEvent]:
        return self._tell(
            facts,
            "sensor_fault",
            name,
            why is not None,
            None,
            self._sensor_after_ms / 60_000,
            "min",
            why or "it is back",
        )

    def _tell(
        self,
        facts: Facts,
        alarm: str,
        subject: str,
        bad: bool,
        value: float | None,
        limit: float,
        unit: str,
        reason: str,
    ) -> list[AlarmEvent]:
        """The event, where this turns the alarm. value: None for how long the trouble has lasted, in `unit`."""
        turn = self.turns.look((alarm, subject), bad, facts.boot_ms, facts.t_ms)
        if turn is None:
            return []
        state, told = ACTIVE if turn.active else NORMAL, f"{reason}{turn.besides}"
        if value is None:
            value = turn.trouble_ms / (3.6e6 if unit == "h" else 60_000)
        return [AlarmEvent(facts.t_ms, alarm, subject, state, value, limit, unit, told)]

    def _end(self, facts: Facts, alarm: str, subject: str, unit: str, reason: str) -> list[AlarmEvent]:
        """There is nothing left to look at."""
        if not self.turns.forget((alarm, subject)):
            return []
        return [AlarmEvent(facts.t_ms, alarm, subject, NORMAL, 0.0, 0.0, unit, reason)]
