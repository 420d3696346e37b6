"""The messenger's process: `rainstead-messenger SITE`, until told to stop by a signal."""

import contextlib
import json
import logging
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from rainstead.clock import Clock, SystemClock
from rainstead.errors import SettingsError
from rainstead.inforce import settings_in_force
from rainstead.running import NothingToDo, only_one, until_told, wait_until
from rainstead.settings import Messages, Settings, messages_advice

from .address import Address, read_address
from .carrier import BrokerCarrier, Carrier, OnceCarrier, check_address
from .lookout import Lookout
from .messenger import Messenger
from .store import MESSAGES_FILE, RUNNING_FILE, NotMessages, Store

__all__ = ["addresses_of", "carriers_of", "main", "open_store"]

_RETRY_MS: Final = 10_000
_MOST_ASIDE: Final = 5
_UNREAD_MS: Final = 60_000
_AGAIN_MS: Final = 600_000

_journal = logging.getLogger("rainstead.messenger")


def addresses_of(messages: Messages, folder: Path) -> dict[str, Address]:
    """Each channel's address. Raises SettingsError for one that cannot be used; tells nothing of it."""
    return {
        name: read_address(folder / one.address_file, f"messages.channels.{name}.address_file")
        for name, one in messages.channels.items()
    }


def _check(messages: Messages, folder: Path, addresses: Mapping[str, Address]) -> None:
    for name, address in addresses.items():
        told = check_address(address)
        if told is None or told.get("ok"):
            continue
        if missing := told.get("missing"):
            library = "paho-mqtt" if missing == "paho" else "apprise"
            raise SettingsError(f"{library} is not installed here; `pip install 'rainstead[messages]'` adds it")
        path = folder / messages.channels[name].address_file
        raise SettingsError(
            f"messages.channels.{name}.address_file = {path}: what stands in it is no {address.scheme}:// address that "
            "can be used; services/messages.md shows some"
        )


def carriers_of(settings: Settings, addresses: Mapping[str, Address], wall_ms: int) -> dict[str, Carrier]:
    """The ways out. wall_ms: now, for the last will."""
    will = json.dumps({"site": settings.site.name, "state": "gone", "connected_ms": wall_ms})
    return {
        name: BrokerCarrier(address, will) if address.is_broker else OnceCarrier(address)
        for name, address in addresses.items()
    }


def open_store(folder: Path, wall_ms: int) -> Store:
    """What was kept; a file that is damaged is moved aside, for without it alarms go out all the same.

    Raises sqlite3.Error where the file cannot be read now.
    """
    path = folder / MESSAGES_FILE
    try:
        return Store(path)
    except NotMessages as error:
        _journal.warning("%s", error)
        aside = sorted(folder.glob("messages-damaged-*.db"))
        if len(aside) >= _MOST_ASIDE:
            raise
        for part in ("", "-journal"):
            there = path.with_name(path.name + part)
            if there.exists():
                there.rename(path.with_name(f"messages-damaged-{wall_ms}.db{part}"))
        _journal.warning("%s was moved aside; a new one is begun, and only what happens from now on is told", path)
        return Store(path)


def main(argv: Sequence[str] | None = None) -> None:
    """Run; how it begins and ends is `running`'s."""
    with until_told("rainstead-messenger", "Carry a site's alarms outward.", argv, _journal) as (folder, stopped):
        clock = SystemClock()
        settings = settings_in_force(folder, clock.wall_ms(), tell=_journal.error, table="messages").settings
        if settings.messages is None:
            raise NothingToDo(
                f"{folder / 'site.toml'} has no [messages] table, so there is nobody to tell and nothing to do; add "
                "one and start this again, if alarms are to be sent"
            )
        addresses = addresses_of(settings.messages, folder)
        _check(settings.messages, folder, addresses)
        for line in messages_advice(settings.messages, folder):
            _journal.warning("%s", line)
        # Two would tell all of it twice.
        with only_one(folder / RUNNING_FILE, "telling of this site", _journal):
            _journal.info("telling of %s: %s", settings.site.name, ", ".join(addresses))
            _run(settings, settings.messages, folder, addresses, clock, stopped)


class _Life:
    """A messenger, with what was kept where it can be read; where it cannot for a minute, without."""

    def __init__(self, settings: Settings, messages: Messages, folder: Path, addresses: Mapping[str, Address]) -> None:
        self._settings, self._messages, self._folder, self._addresses = settings, messages, folder, addresses
        self._messenger: Messenger | None = None
        self._store: Store | None = None
        self._unread_ms: int | None = None
        self._again_ms = 0

    def step(self, boot_ms: int, wall_ms: int) -> int:
        """A round; when the next is due. Raises sqlite3.Error while what was kept cannot be read."""
        if self._store is not None and self._store.unread is not None and boot_ms >= self._again_ms:
            self._again_ms = boot_ms + _AGAIN_MS
            with contextlib.suppress(sqlite3.Error, OSError):
                store = open_store(self._folder, wall_ms)
                _journal.warning("what was kept can be read again")
                self.close()
                self._begin(store, boot_ms, wall_ms)
        if self._messenger is None:
            self._begin(self._kept(boot_ms, wall_ms), boot_ms, wall_ms)
        assert self._messenger is not None
        return self._messenger.step(boot_ms, wall_ms)

    def _kept(self, boot_ms: int, wall_ms: int) -> Store:
        try:
            return open_store(self._folder, wall_ms)
        except (sqlite3.Error, OSError) as error:
            if self._unread_ms is None:
                self._unread_ms = boot_ms
            if boot_ms - self._unread_ms < _UNREAD_MS:
                raise
            # An alarm about a sick disk must get out though the disk is sick.
            _journal.warning("what was kept cannot be read (%s): going on without it", error)
            self._again_ms = boot_ms + _AGAIN_MS
            return Store(self._folder / MESSAGES_FILE, unread=f"what was kept cannot be read: {error}")

    def _begin(self, store: Store, boot_ms: int, wall_ms: int) -> None:
        self._store = store
        self._messenger = Messenger(
            self._settings,
            self._messages,
            store,
            Lookout(self._settings, self._folder, _journal.warning),
            carriers_of(self._settings, self._addresses, wall_ms),
            self._folder,
            boot_ms,
            wall_ms,
            tell=_journal.warning,
        )

    def close(self) -> None:
        """End it."""
        if self._messenger is not None:
            self._messenger.close()
            self._messenger = None


def _run(
    settings: Settings,
    messages: Messages,
    folder: Path,
    addresses: Mapping[str, Address],
    clock: Clock,
    stopped: Callable[[], bool],
) -> None:
    life = _Life(settings, messages, folder, addresses)
    trouble = ""
    try:
        while not stopped():
            now_ms, wall_ms = clock.boot_ms(), clock.wall_ms()
            try:
                due_ms = life.step(now_ms, wall_ms)
                trouble = ""
            except (sqlite3.Error, OSError) as error:
                # What was kept cannot be read now: that does not end this.
                if str(error) != trouble:
                    _journal.warning("cannot go on now, and try again: %s", error)
                trouble, due_ms = str(error), now_ms + _RETRY_MS
            wait_until(clock, due_ms, stopped)
    finally:
        life.close()
