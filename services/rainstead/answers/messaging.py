"""How alarms go out: the channels, what waits, what was handed over last, and what was given up."""

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from rainstead.errors import LogError, SettingsError
from rainstead.log import ReadingSource
from rainstead.messages import ChannelStanding, messenger_runs, read_messages
from rainstead.settings import Settings

from .answer import Answer, head

__all__ = ["GivenUpMessage", "MessageChannelLine", "MessagesAnswer", "messages", "messages_channels"]


@dataclass(frozen=True, slots=True)
class MessageChannelLine:
    """One channel. after_s: None for one of the first. waiting: to be handed over. held: until another takes it.

    tries: of the message that waits. given_up: of those that are kept. heartbeat_every_s: None: never.
    waits_because: why what waits was not taken yet; None where nothing waits, and for what is new. next_try_ms: when it
    is tried next, about; None where nothing waits, and where no messenger runs.
    """

    name: str
    after_s: float | None
    heartbeat_every_s: float | None
    waiting: int
    held: int
    tries: int
    given_up: int
    last_handed_over_ms: int | None
    last_error_ms: int | None
    last_error: str | None
    last_heartbeat_ms: int | None
    waits_because: str | None
    next_try_ms: int | None


@dataclass(frozen=True, slots=True)
class GivenUpMessage:
    """A message that a channel has not taken, and why."""

    at_ms: int
    channel: str
    title: str
    because: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MessagesAnswer(Answer):
    """has_run: whether a messenger has ever run here. last_test_ms: the last test of the week.

    is_running: whether one runs on this machine now; None where that cannot be seen.
    """

    has_run: bool
    is_running: bool | None
    last_test_ms: int | None
    channels: tuple[MessageChannelLine, ...]
    given_up: tuple[GivenUpMessage, ...]


def messages_channels(settings: Settings, folder: Path) -> tuple[str, ...]:
    """Names of the channels. Raises SettingsError where the settings tell nobody."""
    if settings.messages is None:
        raise SettingsError(
            f"{folder / 'site.toml'}: messages = nothing: this site tells nobody of its alarms; add a [messages] table"
        )
    return tuple(settings.messages.channels)


def messages(settings: Settings, reader: ReadingSource | None, folder: Path, as_of_ms: int) -> MessagesAnswer:
    """As it is now. reader: None where the site has no log yet. Raises SettingsError, LogError."""
    messages_channels(settings, folder)
    assert settings.messages is not None
    try:
        standing = read_messages(folder)
    except sqlite3.Error as error:
        raise LogError(f"{folder / 'messages.db'}: cannot be read now ({error}); try again in a moment") from None
    known = {} if standing is None else {one.name: one for one in standing.channels}
    nothing = ChannelStanding("", 0, 0, 0, 0, None, None, None, None)
    is_running = messenger_runs(folder)
    lines = []
    for name, channel in settings.messages.channels.items():
        one = known.get(name, nothing)
        lines.append(
            MessageChannelLine(
                name=name,
                after_s=channel.after_s,
                heartbeat_every_s=channel.heartbeat_every_s,
                waiting=one.waiting,
                held=one.held,
                tries=one.tries,
                given_up=one.given_up,
                last_handed_over_ms=one.last_handed_over_ms,
                last_error_ms=one.last_error_ms,
                last_error=one.last_error,
                last_heartbeat_ms=one.last_heartbeat_ms,
                waits_because=one.waits_because if one.waiting else None,
                next_try_ms=one.next_try_ms if one.waiting and is_running is not False else None,
            )
        )
    return MessagesAnswer(
        **head(settings, reader, as_of_ms),
        has_run=standing is not None,
        is_running=is_running,
        last_test_ms=None if standing is None else standing.last_test_ms,
        channels=tuple(lines),
        given_up=()
        if standing is None
        else tuple(GivenUpMessage(one.at_ms, one.channel, one.title, one.because) for one in standing.given_up),
    )
