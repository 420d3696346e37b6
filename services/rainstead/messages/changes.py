"""Which changes of alarms are told: each change once, a chattering alarm as such, none again after a restart."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from rainstead.alarms import NORMAL
from rainstead.events import AlarmEvent
from rainstead.log import RaisedEvent

__all__ = ["CHATTER_MS", "QUIET_MS", "AlarmTold", "AlarmsTold", "Notice", "NoticeKind"]

CHATTER_MS: Final = 60_000
"""Three changes of one alarm in this time are chatter. Common practice in alarm management."""
QUIET_MS: Final = 600_000
"""A chattering alarm has settled when it has not changed for so long."""
OLD_MS: Final = 86_400_000
"""Of changes that are older when they are first seen, only the last of each alarm is told."""
_CHANGES: Final = 3

NoticeKind = Literal["raised", "cleared", "chatters", "settled", "not_raised_again"]
Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Notice:
    """A change to tell. is_guess: its stamp is by a clock that nobody set. untold: changes before it that were not."""

    kind: NoticeKind
    is_active: bool
    event: AlarmEvent
    is_guess: bool
    untold: int = 0


@dataclass(frozen=True, slots=True)
class AlarmTold:
    """One alarm, as it was told last. recent: boot and boot-clock time of its last changes.

    log: identity of the log in which it was raised; None where it is the messenger's own.
    """

    event: AlarmEvent
    is_active: bool
    is_guess: bool
    recent: tuple[tuple[str, int], ...] = ()
    chatters: bool = False
    log: str | None = None


class AlarmsTold:
    """All alarms as they were told. `changed` are keys that differ from what was kept."""

    def __init__(self, kept: Iterable[tuple[Key, AlarmTold]] = ()) -> None:
        self._told: dict[Key, AlarmTold] = dict(kept)
        self._quiet_from_ms: dict[Key, int | None] = {key: None for key, one in self._told.items() if one.chatters}
        self.changed: set[Key] = set()

    def __getitem__(self, key: Key) -> AlarmTold:
        return self._told[key]

    def standing(self) -> list[AlarmTold]:
        """What is active, by name."""
        return [one for _, one in sorted(self._told.items()) if one.is_active]

    def is_active(self, key: Key) -> bool:
        """Whether it was told as active."""
        return key in self._told and self._told[key].is_active

    def begin(self, raised: Iterable[RaisedEvent], log: str | None) -> None:
        """Take what happened before the first start as it is, and tell nothing of it."""
        for one in raised:
            key = (one.event.alarm, one.event.subject)
            self._put(key, AlarmTold(one.event, one.event.state != NORMAL, not one.is_trusted, log=log))

    def take(self, raised: Iterable[RaisedEvent], boot_ms: int, wall_ms: int, log: str | None) -> list[Notice]:
        """The notices that new events bring, in their order. Boot clock and wall clock of now."""
        events = list(raised)
        last = {(one.event.alarm, one.event.subject): one for one in events}
        untold: dict[Key, int] = {}
        found: list[Notice] = []
        for one in events:
            key = (one.event.alarm, one.event.subject)
            if one is not last[key] and wall_ms - one.event.t_ms > OLD_MS:
                untold[key] = untold.get(key, 0) + 1
                continue
            found += self._advance(key, one, boot_ms, log, untold.pop(key, 0))
        return found

    def _advance(self, key: Key, one: RaisedEvent, boot_ms: int, log: str | None, untold: int) -> list[Notice]:
        before = self._told.get(key)
        is_active = one.event.state != NORMAL
        if is_active == (before is not None and before.is_active):
            # The same again: a log that was begun anew, or a settled doubt. An acknowledgement is no change either.
            if before is not None and before.log != log:
                self._put(key, AlarmTold(before.event, is_active, before.is_guess, before.recent, before.chatters, log))
            return []
        recent = (*(() if before is None else before.recent), (one.boot_uuid, one.boot_ms))[-_CHANGES:]
        is_chatter = (
            len(recent) == _CHANGES
            and len({uuid for uuid, _ in recent}) == 1
            and recent[-1][1] - recent[0][1] <= CHATTER_MS
        )
        did_chatter = before is not None and before.chatters
        self._put(key, AlarmTold(one.event, is_active, not one.is_trusted, recent, is_chatter or did_chatter, log))
        if did_chatter:
            self._quiet_from_ms[key] = boot_ms
            return []
        if is_chatter:
            self._quiet_from_ms[key] = boot_ms
            return [Notice("chatters", is_active, one.event, not one.is_trusted, untold)]
        return [Notice("raised" if is_active else "cleared", is_active, one.event, not one.is_trusted, untold)]

    def settle(self, boot_ms: int) -> list[Notice]:
        """Alarms that chattered and have been quiet since; after a restart the time begins anew."""
        found = []
        for key, since_ms in sorted(self._quiet_from_ms.items()):
            if since_ms is None:
                self._quiet_from_ms[key] = boot_ms
            elif boot_ms - since_ms >= QUIET_MS:
                del self._quiet_from_ms[key]
                told = self._told[key]
                self._put(key, AlarmTold(told.event, told.is_active, told.is_guess, (), False, told.log))
                found.append(Notice("settled", told.is_active, told.event, told.is_guess))
        return found

    def forget_other_logs(self, log: str) -> list[Notice]:
        """Alarms that stood in a log that is gone, and that the log which was begun anew has not raised."""
        found = []
        for key, told in sorted(self._told.items()):
            if told.is_active and told.log is not None and told.log != log:
                self._put(key, AlarmTold(told.event, False, told.is_guess, (), False, log))
                found.append(Notice("not_raised_again", False, told.event, told.is_guess))
        return found

    def own(self, event: AlarmEvent, *, is_guess: bool) -> list[Notice]:
        """A change that the messenger saw itself."""
        key = (event.alarm, event.subject)
        is_active = event.state != NORMAL
        if is_active == self.is_active(key):
            return []
        self._put(key, AlarmTold(event, is_active, is_guess))
        return [Notice("raised" if is_active else "cleared", is_active, event, is_guess)]

    def _put(self, key: Key, told: AlarmTold) -> None:
        self._told[key] = told
        self.changed.add(key)
