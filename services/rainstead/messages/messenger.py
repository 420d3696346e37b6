"""One round of the messenger: look, note what is to be told, hand over. `step` tells when the next is due."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from rainstead.clockword import machine_boot_uuid
from rainstead.settings import Messages, OneWireProbe, Ranger, Settings

from .carrier import Carrier, Job
from .changes import AlarmsTold, Notice
from .heartbeat import Beat
from .jobs import Jobs, alarm_words
from .lookout import Lookout, Seen
from .newevents import NewEvents
from .outbox import Channel, Outbox, Parcel, Wait
from .ownwatch import OwnWatch
from .request import take_request
from .store import Store
from .words import given_up_text, notice_text, test_text

__all__ = ["Messenger"]

LOOK_EVERY_MS: Final = 5_000
UNDER_WAY_MS: Final = 100
"""So often a try that goes on is asked for its end."""


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
        self._new_events = NewEvents(self._told, store, boot_ms, wall_ms, self._boot_uuid)
        self._own = OwnWatch(self._told, messages.silent_after_s, boot_ms)
        self._jobs = Jobs(self._site, self._zone, messages)
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
        self._seen: Seen | None = None
        self._last_test_ms: int | None = store.noted("test")
        self._beat_ms = {name: self._first_beat_ms(name, boot_ms, wall_ms) for name in messages.channels}
        self._waits: dict[str, Wait | None] = {}
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
        self._put_down(boot_ms, wall_ms)
        for name in self._carriers:
            self._hand_over(name, boot_ms, wall_ms)
        self._put_down(boot_ms, wall_ms)
        if self._under_way:
            return boot_ms + UNDER_WAY_MS
        waits = [self._box.wait(name, boot_ms) for name in self._carriers]
        tries = [one.until_ms for one in waits if one is not None]
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
        notices = self._new_events.look(seen, boot_ms, wall_ms)
        notices += self._own.look(seen, had_log=self._new_events.had_log, boot_ms=boot_ms, wall_ms=wall_ms)
        notices += self._told.settle(boot_ms)
        for notice in notices:
            self._put(notice, boot_ms, wall_ms)
        for key in self._told.changed:
            self._store.tell(key, self._told[key])
        self._told.changed = set()

    # --- what is to be told -------------------------------------------------------------------------------------

    def _put(self, notice: Notice, boot_ms: int, wall_ms: int) -> None:
        text = notice_text(self._site, self._zone, notice, self._told.standing())
        self._box.put("alarm", text.title, text.body, at_ms=wall_ms, boot_ms=boot_ms, alarm=alarm_words(notice))

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
            job = self._jobs.of_parcel(parcel, wall_ms)
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
            logger_quiet_s=self._own.quiet_ms(boot_ms) / 1000,
            standing=self._told.standing(),
            waiting=len(self._box.waiting),
            given_up=self._given_up,
            outbox_trouble=self._store.trouble,
        )
        return self._jobs.of_beat(name, beat)

    # --- keeping ------------------------------------------------------------------------------------------------

    def _put_down(self, boot_ms: int, wall_ms: int) -> None:
        for one in self._box.take_changed():
            self._store.deliver(one)
        for name in self._box.changed_channels:
            self._store.channel(name, self._box.states[name], boot_ms, self._boot_uuid)
        self._box.changed_channels = set()
        for name in self._carriers:
            wait = self._box.wait(name, boot_ms)
            if wait != self._waits.get(name):
                self._waits[name] = wait
                self._store.wait(name, wait, boot_ms, wall_ms)
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
