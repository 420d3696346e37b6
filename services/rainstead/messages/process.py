"""The messenger's process: `rainstead-messenger SITE`, until told to stop by a signal."""

import json
import logging
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from rainstead.clock import Clock, SystemClock
from rainstead.errors import SettingsError
from rainstead.inforce import settings_in_force
from rainstead.moment import LogClock
from rainstead.running import NothingToDo, only_one, until_told, wait_until
from rainstead.settings import Messages, Settings, messages_advice

from .address import Address, read_address
from .carrier import BrokerCarrier, Carrier, OnceCarrier, check_address
from .life import Life
from .store import RUNNING_FILE

__all__ = ["addresses_of", "carriers_of", "main"]

_RETRY_MS: Final = 10_000

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


def _run(
    settings: Settings,
    messages: Messages,
    folder: Path,
    addresses: Mapping[str, Address],
    clock: Clock,
    stopped: Callable[[], bool],
) -> None:
    life = Life(settings, messages, folder, lambda wall_ms: carriers_of(settings, addresses, wall_ms))
    log_clock = LogClock(folder, clock)
    trouble = ""
    try:
        while not stopped():
            now_ms, wall_ms = clock.boot_ms(), log_clock.now_ms()
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
        log_clock.close()
        life.close()
