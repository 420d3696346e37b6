"""The messenger's process: `rainstead-messenger SITE`, until told to stop by a signal."""

import argparse
import json
import logging
import signal
import sqlite3
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from rainstead.clock import Clock, SystemClock
from rainstead.errors import RainsteadError, SettingsError
from rainstead.settings import Messages, Settings, advice, load_settings

from .address import Address, read_address
from .carrier import BrokerCarrier, Carrier, OnceCarrier, check_address
from .lookout import Lookout
from .messenger import Messenger
from .store import MESSAGES_FILE, NotMessages, Store

__all__ = ["NOBODY_TO_TELL", "addresses_of", "carriers_of", "main", "open_store"]

NOBODY_TO_TELL: Final = 6
"""Exit code where the settings have no [messages] table: that of a program that is not configured. The service's unit
takes it for an end without failure, and does not start the program again."""
_LONGEST_WAIT_MS: Final = 1000
_RETRY_MS: Final = 10_000
_MOST_ASIDE: Final = 5

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
    """Run; what a person can mend is one message and exit code 2, or NOBODY_TO_TELL."""
    parser = argparse.ArgumentParser(prog="rainstead-messenger", description="Carry a site's alarms outward.")
    parser.add_argument("site", type=Path, help="the site's folder, with site.toml and readings.db in it")
    folder: Path = parser.parse_args(argv).site.absolute()
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    stopping: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda signum, _frame: stopping.append(signum))
    try:
        settings = load_settings(folder / "site.toml")
        if settings.messages is None:
            print(
                f"rainstead-messenger: {folder / 'site.toml'} has no [messages] table, so there is nobody to tell and "
                "nothing to do; add one and start this again, if alarms are to be sent",
                file=sys.stderr,
            )
            raise SystemExit(NOBODY_TO_TELL)
        addresses = addresses_of(settings.messages, folder)
        _check(settings.messages, folder, addresses)
        for line in advice(settings, folder):
            if line.startswith("messages."):
                _journal.warning("%s", line)
        _journal.info("telling of %s: %s", settings.site.name, ", ".join(addresses))
        _run(settings, settings.messages, folder, addresses, SystemClock(), lambda: bool(stopping))
    except RainsteadError as error:
        print(f"rainstead-messenger: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    _journal.info("stopped")


def _run(
    settings: Settings,
    messages: Messages,
    folder: Path,
    addresses: Mapping[str, Address],
    clock: Clock,
    stopped: Callable[[], bool],
) -> None:
    messenger: Messenger | None = None
    trouble = ""
    try:
        while not stopped():
            now_ms, wall_ms = clock.boot_ms(), clock.wall_ms()
            try:
                if messenger is None:
                    messenger = Messenger(
                        settings,
                        messages,
                        open_store(folder, wall_ms),
                        Lookout(settings, folder, _journal.warning),
                        carriers_of(settings, addresses, wall_ms),
                        folder,
                        now_ms,
                        wall_ms,
                        tell=_journal.warning,
                    )
                due_ms = messenger.step(now_ms, wall_ms)
                trouble = ""
            except (sqlite3.Error, OSError) as error:
                # What was kept cannot be read now, or no process can be started: neither ends this.
                if str(error) != trouble:
                    _journal.warning("cannot go on now, and try again: %s", error)
                trouble, due_ms = str(error), now_ms + _RETRY_MS
            while not stopped() and clock.boot_ms() < due_ms:
                clock.wait_until(min(due_ms, clock.boot_ms() + _LONGEST_WAIT_MS))
    finally:
        if messenger is not None:
            messenger.close()
