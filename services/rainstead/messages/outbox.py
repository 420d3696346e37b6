"""What is to be handed over: a delivery for each message and channel, in order, until it is taken or given up.

All of it is in memory, so that a disk that refuses holds nothing up; what changed is put down by whoever keeps it.
Waiting is counted by the boot clock while the messenger runs, never by a clock that somebody may set.
"""

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

__all__ = ["Channel", "ChannelState", "Delivery", "Message", "Outbox", "Parcel", "State", "Wait"]

MOST_GATHERED: Final = 40
"""In one message; a longer one would be split into many where a service takes short texts alone."""

State = Literal["held", "queued", "handed_over", "gathered", "not_needed", "given_up"]
MessageKind = Literal["alarm", "test", "given_up"]

HOUR_MS: Final = 3_600_000
FIRST_WAIT_MS: Final = 30_000
LONGEST_WAIT_MS: Final = 900_000
FRESH_WAIT_MS: Final = 60_000
"""A new message does not wait longer than this for a channel that failed before."""
HELD_KEPT_MS: Final = 10_000
QUEUED_KEPT_MS: Final = 600_000
"""So often it is put down how long something has waited: a restart takes no more than this from it."""


@dataclass(frozen=True, slots=True)
class Channel:
    """What the outbox must know of a channel. after_ms: None for one of the first; else it steps in after so long."""

    name: str
    after_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """Plain text, and for programs what it says of an alarm."""

    number: int
    kind: MessageKind
    at_ms: int
    title: str
    body: str
    alarm: dict[str, Any] | None = None


@dataclass(slots=True)
class Delivery:
    """One message on its way to one channel. waited_ms: so long while a messenger ran."""

    message: Message
    channel: str
    state: State
    waited_ms: int = 0
    tries: int = 0
    settled_ms: int | None = None
    because: str | None = None


@dataclass(slots=True)
class ChannelState:
    """Times of the boot clock, but for last_*_ms, which are UTC. tested_ms: of tests alone, and never put down."""

    handed_ms: list[int] = field(default_factory=list)
    tested_ms: list[int] = field(default_factory=list)
    failures: int = 0
    next_try_ms: int = 0
    last_handed_over_ms: int | None = None
    last_error_ms: int | None = None
    last_error: str | None = None


@dataclass(frozen=True, slots=True)
class Parcel:
    """What goes over in one try: one delivery, or several gathered."""

    channel: str
    deliveries: tuple[Delivery, ...]


@dataclass(frozen=True, slots=True)
class Wait:
    """What is queued for a channel is not tried before a time of the boot clock. because: None for what is new."""

    until_ms: int
    because: str | None


class Outbox:
    """changed and changed_channels: what differs from what was kept. draw: a number from 0 to 1, for the jitter."""

    def __init__(
        self,
        channels: Sequence[Channel],
        *,
        most_an_hour: int,
        give_up_after_ms: int,
        kept: Iterable[Delivery] = (),
        last_number: int = 0,
        draw: Callable[[], float] = random.random,
    ) -> None:
        self._channels = {one.name: one for one in channels}
        self.states = {one.name: ChannelState() for one in channels}
        self._most, self._give_up_after_ms, self._draw = most_an_hour, give_up_after_ms, draw
        self._open: list[Delivery] = sorted(kept, key=lambda one: one.message.number)
        self._last_number = last_number
        self._ticked_ms: int | None = None
        self.changed: list[Delivery] = []
        self.changed_channels: set[str] = set()
        # A channel that the settings have no more can take nothing.
        for one in list(self._open):
            if one.channel not in self._channels:
                self._settle(one, "given_up", None, "the settings have this channel no more")

    @property
    def waiting(self) -> tuple[Delivery, ...]:
        """What is held or queued, in order."""
        return tuple(self._open)

    def put(
        self,
        kind: MessageKind,
        title: str,
        body: str,
        *,
        at_ms: int,
        boot_ms: int,
        alarm: dict[str, Any] | None = None,
        only: str | None = None,
    ) -> Message:
        """A message for every channel, or for one. Those that step in later hold it; a test goes to all at once."""
        self._last_number += 1
        message = Message(self._last_number, kind, at_ms, title, body, alarm)
        for channel in self._channels.values():
            if only is None or channel.name == only:
                is_later = channel.after_ms is not None and kind != "test"
                delivery = Delivery(message, channel.name, "held" if is_later else "queued")
                self._open.append(delivery)
                self.changed.append(delivery)
                state = self.states[channel.name]
                state.next_try_ms = min(state.next_try_ms, boot_ms + FRESH_WAIT_MS)
        return message

    def tick(self, boot_ms: int, wall_ms: int) -> list[Delivery]:
        """Let time pass; returns what was given up."""
        passed_ms = 0 if self._ticked_ms is None else max(boot_ms - self._ticked_ms, 0)
        self._ticked_ms = boot_ms
        given_up = []
        for one in list(self._open):
            before_ms = one.waited_ms
            one.waited_ms += passed_ms
            every_ms = HELD_KEPT_MS if one.state == "held" else QUEUED_KEPT_MS
            if before_ms // every_ms != one.waited_ms // every_ms:
                self.changed.append(one)
            if one.state == "held":
                self._release(one)
            elif one.tries and one.waited_ms >= self._give_up_after_ms:
                self._settle(one, "given_up", wall_ms, one.because)
                given_up.append(one)
        return given_up

    def _release(self, held: Delivery) -> None:
        """One of the first that has taken it settles it; here they have not in time, or have given it up."""
        after_ms, number = self._channels[held.channel].after_ms, held.message.number
        firsts = any(one.message.number == number and self._is_first(one.channel) for one in self._open)
        if after_ms is None or held.waited_ms >= after_ms or not firsts:
            held.state = "queued"
            self.changed.append(held)

    def _is_first(self, name: str) -> bool:
        return self._channels[name].after_ms is None

    def next_parcel(self, channel: str, boot_ms: int) -> Parcel | None:
        """What this channel should try now; None where there is nothing, or not yet."""
        queued = [one for one in self._open if one.channel == channel and one.state == "queued"]
        state = self.states[channel]
        if not queued or boot_ms < state.next_try_ms or boot_ms < self._allowed_ms(state, queued, boot_ms):
            return None
        if len(queued) > 1 and self._is_crowded(state, len(queued)):
            return Parcel(channel, tuple(queued[:MOST_GATHERED]))
        return Parcel(channel, (queued[0],))

    def wait(self, channel: str, boot_ms: int) -> Wait | None:
        """Until when `next_parcel` has nothing, and why; None while nothing is queued."""
        queued = [one for one in self._open if one.channel == channel and one.state == "queued"]
        if not queued:
            return None
        state = self.states[channel]
        allowed_ms = self._allowed_ms(state, queued, boot_ms)
        if allowed_ms > state.next_try_ms:
            return Wait(allowed_ms, f"no more than {self._most} messages an hour go this way")
        return Wait(state.next_try_ms, state.last_error if state.failures else None)

    def _allowed_ms(self, state: ChannelState, queued: Sequence[Delivery], boot_ms: int) -> int:
        """Half of an hour's messages go at once; the rest are spread over the hour, each with all that waits.

        Tests have a count of their own: whoever tries a new channel six times has an alarm at once all the same.
        """
        state.handed_ms = [at for at in state.handed_ms if boot_ms - at < HOUR_MS]
        state.tested_ms = [at for at in state.tested_ms if boot_ms - at < HOUR_MS]
        handed = state.tested_ms if _are_tests(queued) else state.handed_ms
        if len(handed) >= self._most:
            return handed[-self._most] + HOUR_MS
        half = self._most // 2
        return handed[-1] + HOUR_MS // half if len(handed) >= half else 0

    def _is_crowded(self, state: ChannelState, queued: int) -> bool:
        return len(state.handed_ms) + queued > self._most // 2

    def may_beat(self, channel: str, boot_ms: int) -> bool:
        """Whether a heartbeat may go now: after all that waits for a try, and not before a failed channel's time."""
        return boot_ms >= self.states[channel].next_try_ms and self.next_parcel(channel, boot_ms) is None

    def handed_over(self, parcel: Parcel, boot_ms: int, wall_ms: int) -> None:
        """The channel has taken it."""
        self.works(parcel.channel, wall_ms)
        state = self.states[parcel.channel]
        (state.tested_ms if _are_tests(parcel.deliveries) else state.handed_ms).append(boot_ms)
        numbers = {one.message.number for one in parcel.deliveries}
        for one in parcel.deliveries:
            one.tries += 1
            self._settle(one, "handed_over" if len(parcel.deliveries) == 1 else "gathered", wall_ms, None)
        if self._is_first(parcel.channel):
            for one in list(self._open):
                if one.state == "held" and one.message.number in numbers:
                    self._settle(one, "not_needed", wall_ms, f"{parcel.channel} has taken it")

    def works(self, channel: str, wall_ms: int) -> None:
        """The channel took something."""
        state = self.states[channel]
        state.failures, state.next_try_ms, state.last_handed_over_ms = 0, 0, wall_ms
        self.changed_channels.add(channel)

    def failed(self, channel: str, because: str, boot_ms: int, wall_ms: int, parcel: Parcel | None = None) -> None:
        """The channel has not taken it: later again, each time with a longer wait."""
        for one in () if parcel is None else parcel.deliveries:
            one.tries += 1
            one.because = because
            self.changed.append(one)
        state = self.states[channel]
        state.failures += 1
        wait_ms = min(LONGEST_WAIT_MS, FIRST_WAIT_MS * 2 ** min(state.failures - 1, 10))
        state.next_try_ms = boot_ms + round(wait_ms * (0.8 + 0.4 * self._draw()))
        state.last_error_ms, state.last_error = wall_ms, because
        self.changed_channels.add(channel)

    def _settle(self, one: Delivery, state: State, wall_ms: int | None, because: str | None) -> None:
        one.state, one.settled_ms, one.because = state, wall_ms, because
        self._open.remove(one)
        self.changed.append(one)

    def take_changed(self) -> list[Delivery]:
        """What differs from what was kept, as it is now; it counts as kept from then on."""
        found = {(one.message.number, one.channel): replace(one) for one in self.changed}
        self.changed = []
        return list(found.values())


def _are_tests(deliveries: Iterable[Delivery]) -> bool:
    return all(one.message.kind == "test" for one in deliveries)
