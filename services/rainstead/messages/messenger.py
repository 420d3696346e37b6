"""One round of the messenger: look, note what is to be told, hand over. `step` tells when the next is due."""

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from rainstead.alarms import ACTIVE, NORMAL
from rainstead.clockword import machine_boot_uuid
from rainstead.events import AlarmEvent
from rainstead.log import RaisedEvent
from rainstead.settings import Messages, OneWireProbe, Ranger, Settings

from .carrier import Carrier, Job
from .changes import AlarmsTold, Notice
from .heartbeat import Beat, beat_text, beat_words
from .lookout import Lookout, Seen
from .outbox import Channel, Outbox, Parcel
from .request import take_request
from .store import Store
from .words import Text, gathered_text, given_up_text, notice_text, test_text

__all__ = ["Messenger"]

LOOK_EVERY_MS: Final = 5_000
UNDER_WAY_MS: Final = 100
"""So often a try that goes on is asked for its end."""
OLD_MS: Final = 86_400_000
"""What a log that was not here before has of earlier days was told then, or is told by nobody."""
OTHER_LOG_MS: Final = 3_600_000
"""A log that was begun anew has so long to raise an alarm again that stood in the one before."""
DISK_AFTER_MS: Final = 60_000


class Messenger:
    """carriers: one for each channel. tell: for changes of state, in words without any address."""

    def __init__(
        self,
        settings: Settings,
        messages: Messages,
        store: Store,
        lookout: Lookout,
        carriers: Mapping[str, Carrier],
        folder: Path,
        boot_ms: int,
        wall_ms: int,
        *,
        tell: Callable[[str], object],
        boot_uuid: Callable[[], str | None] = machine_boot_uuid,
        look_every_ms: int = LOOK_EVERY_MS,
    ) -> None:
        self._site, self._zone = settings.site.name, settings.site.time_zone
        self._reading_due_s = _reading_due_s(settings, messages)
        self._messages, self._store, self._lookout = messages, store, lookout
        self._carriers, self._folder, self._tell = carriers, folder, tell
        self._boot_uuid = boot_uuid()
        self._told = AlarmsTold(store.told())
        self._seen_events = store.seen()
        self._box = Outbox(
            [
                Channel(name, None if one.after_s is None else round(one.after_s * 1000))
                for name, one in messages.channels.items()
            ],
            most_an_hour=messages.most_an_hour,
            give_up_after_ms=round(messages.give_up_after_s * 1000),
            kept=store.waiting(),
            last_number=store.last_number(),
        )
        self._box.states |= {
            name: one for name, one in store.channels(boot_ms, self._boot_uuid).items() if name in self._box.states
        }
        self._given_up = int(store.noted("given_up") or 0)
        self._under_way: dict[str, Parcel | None] = {}
        self._next_look_ms, self._look_every_ms = boot_ms, look_every_ms
        self._begun: dict[str, Any] | None = store.noted("begun")
        self._has_begun = bool(self._begun and self._begun.get("done"))
        if self._begun is None:
            self._begun = {
                "boot_uuid": self._boot_uuid,
                "boot_ms": boot_ms,
                "wall_ms": wall_ms,
                "done": False,
            }
            store.note("begun", self._begun)
        self._log: str | None = store.noted("log")
        self._other_log_ms: int | None = boot_ms if self._log is not None else None
        self._seen: Seen | None = None
        self._alive_ms, self._had_sign = boot_ms, False
        self._sign: tuple[Any, Any] | None = None
        self._last_test_ms: int | None = store.noted("test")
        self._blind_ms: int | None = None
        self._disk_ms: int | None = None
        self._beat_ms = {name: self._first_beat_ms(name, boot_ms, wall_ms) for name in messages.channels}
        self._said_trouble: str | None = None
        self._failing: set[str] = set()

    def _first_beat_ms(self, name: str, boot_ms: int, wall_ms: int) -> int:
        """A restart is no reason for another sign of life, unless the clock says that one is due."""
        every_s = self._messages.channels[name].heartbeat_every_s
        last_ms = self._store.noted(f"beat {name}")
        if every_s is None or last_ms is None or not 0 <= wall_ms - last_ms < every_s * 1000:
            return boot_ms
        return boot_ms + round(every_s * 1000) - (wall_ms - int(last_ms))

    # --- the round ----------------------------------------------------------------------------------------------

    def step(self, boot_ms: int, wall_ms: int) -> int:
        """One round; returns the boot-clock time at which the next is due. Raises nothing that a person could mend."""
        if boot_ms >= self._next_look_ms:
            self._next_look_ms = boot_ms + self._look_every_ms
            self._look(boot_ms, wall_ms)
            self._tests(boot_ms, wall_ms)
        self._give_up(boot_ms, wall_ms)
        self._put_down(boot_ms)
        for name in self._carriers:
            self._hand_over(name, boot_ms, wall_ms)
        self._put_down(boot_ms)
        if self._under_way:
            return boot_ms + UNDER_WAY_MS
        tries = [at for at in (self._box.next_try_ms(name, boot_ms) for name in self._carriers) if at is not None]
        beats = [
            max(self._beat_ms[name], self._box.states[name].next_try_ms)
            for name, one in self._messages.channels.items()
            if one.heartbeat_every_s is not None
        ]
        return max(min([self._next_look_ms, *tries, *beats]), boot_ms + UNDER_WAY_MS)

    def close(self) -> None:
        """End what is under way: it is tried again at the next start."""
        for carrier in self._carriers.values():
            carrier.close()
        self._lookout.close()
        self._store.flush()
        self._store.close()

    # --- looking ------------------------------------------------------------------------------------------------

    def _look(self, boot_ms: int, wall_ms: int) -> None:
        seen = self._seen = self._lookout.look()
        notices: list[Notice] = []
        if seen.raised is not None and seen.log is not None:
            notices += self._new_events(seen.raised, seen.log, boot_ms, wall_ms)
        if seen.log is not None and seen.log != "begun":
            if self._log is None or seen.log != self._log:
                self._log, self._other_log_ms = seen.log, boot_ms
                self._store.note("log", seen.log)
            elif self._other_log_ms is not None and boot_ms - self._other_log_ms >= OTHER_LOG_MS:
                self._other_log_ms = None
                notices += self._told.forget_other_logs(seen.log)
        if seen.is_missing and not self._has_begun:
            # There is no past: what a logger raises from now on is new, though it be the log's first.
            self._has_begun = True
            self._store.note("begun", {"done": True})
        notices += self._own(seen, boot_ms, wall_ms)
        notices += self._told.settle(boot_ms)
        for notice in notices:
            self._put(notice, boot_ms, wall_ms)
        for key in self._told.changed:
            self._store.tell(key, self._told[key])
        self._told.changed = set()

    def _new_events(self, raised: Sequence[RaisedEvent], log: str, boot_ms: int, wall_ms: int) -> list[Notice]:
        """What happened before the first start is old, and so is what an import or a copy brought."""
        fresh = [one for one in raised if one.identity not in self._seen_events]
        for one in fresh:
            self._seen_events.add(one.identity)
            self._store.see(one.identity)
        aged = [self._is_old(one, log, wall_ms) for one in fresh]
        old = [one for one, is_old in zip(fresh, aged, strict=True) if is_old]
        self._told.begin(old, log)
        if not self._has_begun:
            self._has_begun = True
            self._store.note("begun", {"done": True})
        new = [one for one, is_old in zip(fresh, aged, strict=True) if not is_old and one.source != "import"]
        return self._told.take(new, boot_ms, wall_ms, log)

    def _is_old(self, one: RaisedEvent, log: str, wall_ms: int) -> bool:
        if self._has_begun:
            return log != self._log and wall_ms - one.event.t_ms > OLD_MS
        begun = self._begun or {}
        if self._boot_uuid is None:
            # A confined service may not see the kernel's name for its boot: then by the wall clock, right or wrong.
            return one.event.t_ms < int(begun.get("wall_ms", 0))
        if one.boot_uuid == begun.get("boot_uuid"):
            return one.boot_ms < int(begun.get("boot_ms", 0))
        # The machine was started again before the first look: what is of this boot is later than the beginning.
        return one.boot_uuid != self._boot_uuid

    def _own(self, seen: Seen, boot_ms: int, wall_ms: int) -> list[Notice]:
        """What no log can hold: that there is nobody to write one, or no way to read it."""
        health = seen.health or {}
        sign = (health.get("written_ms"), seen.newest_ms)
        if sign not in (self._sign, (None, None)):
            # The first look at an old file is no sign of life.
            if self._sign is not None:
                self._alive_ms, self._had_sign = boot_ms, True
            self._sign = sign
        quiet_ms, limit_ms = boot_ms - self._alive_ms, round(self._messages.silent_after_s * 1000)
        # A restart of the messenger is no sign of life of the logger.
        silent = quiet_ms >= limit_ms or (not self._had_sign and self._told.is_active(("logger_silent", "site")))
        minutes, limit_min = quiet_ms / 60_000, limit_ms / 60_000
        reason = f"it has given no sign of life for {minutes:.0f} min" if silent else "it gives signs of life again"
        found = self._tell_own("logger_silent", silent, minutes, limit_min, "min", reason, wall_ms)
        trouble = seen.trouble
        if seen.is_missing and self._log is not None:
            # Its logger may write on into a file that has no name any more, and call that well.
            trouble = "there is no log any more; put it back, or start the logger again, which begins a new one"
        if trouble is None:
            self._blind_ms = None
        elif self._blind_ms is None:
            self._blind_ms = boot_ms
        blind = self._blind_ms is not None and boot_ms - self._blind_ms >= limit_ms
        if self._blind_ms is not None:
            blind = blind or self._told.is_active(("log_unreadable", "site"))
        reason = f"{trouble}" if blind else "it can be read"
        blind_min = (boot_ms - self._blind_ms) / 60_000 if self._blind_ms is not None else 0.0
        found += self._tell_own("log_unreadable", blind, blind_min, limit_min, "min", reason, wall_ms)
        return found + self._disk(health, boot_ms, wall_ms)

    def _disk(self, health: Mapping[str, Any], boot_ms: int, wall_ms: int) -> list[Notice]:
        """A full disk cannot take the event that tells of it, so the logger's own word is heeded too."""
        if boot_ms - self._alive_ms >= self._messages.silent_after_s * 1000:
            return []
        trouble = health.get("disk_trouble")
        self._disk_ms = None if not trouble else boot_ms if self._disk_ms is None else self._disk_ms
        if self._disk_ms is not None and boot_ms - self._disk_ms >= DISK_AFTER_MS:
            waiting = float(health.get("waiting") or 0)
            reason = f"the logger says: {trouble}; {waiting:.0f} readings wait in memory"
            return self._tell_own("disk_fault", True, waiting, 0.0, "readings", reason, wall_ms)
        key = ("disk_fault", "site")
        if not trouble and self._told.is_active(key) and self._told[key].log is None:
            reason = "the disk takes readings again"
            return self._tell_own("disk_fault", False, 0.0, 0.0, "readings", reason, wall_ms)
        return []

    def _tell_own(
        self, alarm: str, active: bool, value: float, limit: float, unit: str, reason: str, wall_ms: int
    ) -> list[Notice]:
        event = AlarmEvent(wall_ms, alarm, "site", ACTIVE if active else NORMAL, value, limit, unit, reason)
        is_guess = self._seen is not None and self._seen.clock_is_trusted is False
        return self._told.own(event, is_guess=is_guess)

    # --- what is to be told -------------------------------------------------------------------------------------

    def _put(self, notice: Notice, boot_ms: int, wall_ms: int) -> None:
        text = notice_text(self._site, self._zone, notice, self._told.standing())
        event = notice.event
        alarm = {
            "alarm": event.alarm,
            "subject": event.subject,
            "state": "active" if notice.is_active else "normal",
            "change": notice.kind,
            "since_ms": event.t_ms,
            "time_is_a_guess": notice.is_guess,
            "value": event.value,
            "limit": event.limit,
            "unit": event.unit,
            "reason": event.reason,
        }
        self._box.put("alarm", text.title, text.body, at_ms=wall_ms, boot_ms=boot_ms, alarm=alarm)

    def _tests(self, boot_ms: int, wall_ms: int) -> None:
        for name in take_request(self._folder):
            if name in self._carriers:
                self._put_test(name, boot_ms, wall_ms, is_asked=True)
        every_ms = self._messages.test_every_s * 1000
        last_ms = self._last_test_ms
        if every_ms and (last_ms is None or not 0 <= wall_ms - last_ms < every_ms):
            self._last_test_ms = wall_ms
            self._store.note("test", wall_ms)
            self._put_test(None, boot_ms, wall_ms, is_asked=False)

    def _put_test(self, channel: str | None, boot_ms: int, wall_ms: int, *, is_asked: bool) -> None:
        text = test_text(self._site, self._zone, wall_ms, channel, is_asked=is_asked)
        self._box.put("test", text.title, text.body, at_ms=wall_ms, boot_ms=boot_ms, only=channel)

    def _give_up(self, boot_ms: int, wall_ms: int) -> None:
        by_channel: dict[str, list[Any]] = {}
        for one in self._box.tick(boot_ms, wall_ms):
            by_channel.setdefault(one.channel, []).append(one)
        for channel, given_up in by_channel.items():
            self._given_up += len(given_up)
            self._store.note("given_up", self._given_up)
            because = given_up[-1].because
            self._tell(f"{channel}: {len(given_up)} messages are given up: {because}")
            # Words about words that were given up are not made again: they would go on for ever.
            messages = [one.message for one in given_up if one.message.kind == "alarm"]
            if messages:
                text = given_up_text(self._site, self._zone, channel, messages, because)
                self._box.put("given_up", text.title, text.body, at_ms=wall_ms, boot_ms=boot_ms)

    # --- handing over -------------------------------------------------------------------------------------------

    def _hand_over(self, name: str, boot_ms: int, wall_ms: int) -> None:
        carrier = self._carriers[name]
        if name in self._under_way:
            outcome = carrier.outcome(boot_ms)
            if outcome is None:
                return
            parcel = self._under_way.pop(name)
            if not outcome.ok:
                self._failed(name, outcome.because or "it has not taken it", boot_ms, wall_ms, parcel)
                return
            if name in self._failing:
                self._failing.discard(name)
                self._tell(f"{name}: handed over again")
            if parcel is None:
                self._box.works(name, wall_ms)
                every_ms = round((self._messages.channels[name].heartbeat_every_s or 0) * 1000)
                next_ms = self._beat_ms[name] + every_ms
                # At the interval, however long a try takes; after an outage from now on.
                self._beat_ms[name] = next_ms if next_ms > boot_ms else boot_ms + every_ms
                self._store.note(f"beat {name}", wall_ms)
            else:
                self._box.handed_over(parcel, boot_ms, wall_ms)
        if carrier.has_dropped:
            self._beat_ms[name] = boot_ms  # the broker has told the last will meanwhile
        parcel = self._box.next_parcel(name, boot_ms)
        if parcel is not None:
            job = self._job(parcel, wall_ms)
        elif self._beat_is_due(name, boot_ms) and self._box.may_beat(name, boot_ms):
            job = self._beat(name, boot_ms, wall_ms)
        else:
            return
        try:
            carrier.begin(job, boot_ms)
        except OSError as error:
            self._failed(name, f"no process can be started for it ({error.strerror})", boot_ms, wall_ms, parcel)
        else:
            self._under_way[name] = parcel

    def _failed(self, name: str, because: str, boot_ms: int, wall_ms: int, parcel: Parcel | None) -> None:
        self._box.failed(name, because, boot_ms, wall_ms, parcel)
        if name not in self._failing:
            self._failing.add(name)
            self._tell(f"{name}: not handed over: {because}; it is tried again")

    def _beat_is_due(self, name: str, boot_ms: int) -> bool:
        return (
            self._messages.channels[name].heartbeat_every_s is not None
            and self._seen is not None
            and boot_ms >= self._beat_ms[name]
        )

    def _job(self, parcel: Parcel, wall_ms: int) -> Job:
        messages = [one.message for one in parcel.deliveries]
        if len(messages) == 1:
            text = Text(messages[0].title, messages[0].body)
        else:
            text = gathered_text(self._site, self._zone, messages)
        last = messages[-1]
        kind = "cleared" if last.alarm is not None and last.alarm["state"] == "normal" else last.kind
        newest = {(one.alarm["alarm"], one.alarm["subject"]): one.alarm for one in messages if one.alarm is not None}
        published = [self._retained(alarm, wall_ms, parcel.channel) for alarm in newest.values()]
        said = {
            "site": self._site,
            "kind": last.kind,
            "numbers": [one.number for one in messages],
            "at_ms": last.at_ms,
            "title": text.title,
            "body": text.body,
        }
        if self._messages.channels[parcel.channel].heartbeat_every_s is None:
            # The last will of the connection before may stand there, and no sign of life would ever take its place.
            published.append(("messenger", json.dumps({"site": self._site, "state": "alive", "at_ms": wall_ms}), True))
        return Job(kind, text.title, text.body, (*published, ("message", json.dumps(said), False)))

    def _retained(self, alarm: Mapping[str, Any], wall_ms: int, channel: str) -> tuple[str, str, bool]:
        """A state that stays at a broker says how long it is to be believed, for nobody takes it away from there."""
        every_s = self._messages.channels[channel].heartbeat_every_s
        lasts_ms = 86_400_000 if every_s is None else round(2000 * every_s)
        said = {"site": self._site, **alarm, "told_ms": wall_ms, "expires_ms": wall_ms + lasts_ms}
        return f"alarm/{alarm['alarm']}/{alarm['subject']}", json.dumps(said), True

    def _beat(self, name: str, boot_ms: int, wall_ms: int) -> Job:
        assert self._seen is not None
        beat = Beat(
            site=self._site,
            zone=self._zone,
            at_ms=wall_ms,
            every_s=self._messages.channels[name].heartbeat_every_s or 0.0,
            seen=self._seen,
            silent_after_s=self._messages.silent_after_s,
            reading_due_s=self._reading_due_s,
            logger_quiet_s=(boot_ms - self._alive_ms) / 1000,
            standing=self._told.standing(),
            waiting=len(self._box.waiting),
            given_up=self._given_up,
            outbox_trouble=self._store.trouble,
        )
        text = beat_text(beat)
        standing = [
            self._retained(
                {
                    "alarm": one.event.alarm,
                    "subject": one.event.subject,
                    "state": "active",
                    "change": "stands",
                    "since_ms": one.event.t_ms,
                    "time_is_a_guess": one.is_guess,
                    "value": one.event.value,
                    "limit": one.event.limit,
                    "unit": one.event.unit,
                    "reason": one.event.reason,
                },
                wall_ms,
                name,
            )
            for one in beat.standing
        ]
        return Job("heartbeat", text.title, text.body, (*standing, ("messenger", json.dumps(beat_words(beat)), True)))

    # --- keeping ------------------------------------------------------------------------------------------------

    def _put_down(self, boot_ms: int) -> None:
        for one in self._box.take_changed():
            self._store.deliver(one)
        for name in self._box.changed_channels:
            self._store.channel(name, self._box.states[name], boot_ms, self._boot_uuid)
        self._box.changed_channels = set()
        self._store.flush()
        if self._store.trouble != self._said_trouble:
            trouble = self._store.trouble
            self._tell(
                f"what is sent cannot be put down now ({trouble}); it is sent all the same"
                if trouble
                else "put down again"
            )
            self._said_trouble = trouble


def _reading_due_s(settings: Settings, messages: Messages) -> float | None:
    """Three periods of the quickest sensor that speaks whatever happens, and what the log may lag behind."""
    periods_s = [one.every_s for one in settings.sensors.values() if isinstance(one, Ranger | OneWireProbe)]
    return max(messages.silent_after_s, 3 * min(periods_s) + settings.log.commit_every_s) if periods_s else None
