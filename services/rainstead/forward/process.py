"""The forwarder's process: `rainstead-forwarder SITE`, until told to stop by a signal."""

import logging
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

from rainstead.clock import Clock, SystemClock
from rainstead.errors import LogError, LogMalformed, LogTooNew, NotALog, SettingsError
from rainstead.inforce import settings_in_force
from rainstead.moment import LogClock
from rainstead.running import NothingToDo, only_one, until_told, wait_until
from rainstead.settings import Forward, Settings

from .forwarder import Forwarder
from .server import InfluxServer
from .standing import RUNNING_FILE
from .token import read_token

__all__ = ["main", "server_of"]

_RETRY_MS = 10_000

_journal = logging.getLogger("rainstead.forwarder")


def server_of(forward: Forward, folder: Path) -> InfluxServer:
    """The server that the settings name; its token from a file beside them. Raises SettingsError."""
    path = folder / forward.token_file
    token = read_token(path, "forward.token_file")
    if path.stat().st_mode & 0o077:
        raise SettingsError(f"forward.token_file = {path}: can be read by others than its owner; `chmod 600` it")
    return InfluxServer(
        url=forward.url,
        org=forward.org,
        bucket=forward.bucket,
        token=token,
        ca_file=None if forward.ca_file is None else str(folder / forward.ca_file),
        proxy=forward.proxy,
    )


def main(argv: Sequence[str] | None = None) -> None:
    """Run; how it begins and ends is `running`'s."""
    with until_told(
        "rainstead-forwarder",
        "Send a site's log to a server.",
        argv,
        _journal,
        {"influxdb_client": ("influxdb-client", "desk")},
    ) as (folder, stopped):
        clock = SystemClock()
        settings = settings_in_force(folder, clock.wall_ms(), tell=_journal.error, table="forward").settings
        if settings.forward is None:
            raise NothingToDo(
                f"{folder / 'site.toml'} has no [forward] table, so there is no server to send to and nothing to do; "
                "add one and start this again, if the log is to be sent"
            )
        server = server_of(settings.forward, folder)
        # Two would send all of it twice.
        with only_one(folder / RUNNING_FILE, "sending this site's log", _journal):
            _journal.info("sending %s to %s", settings.site.name, server.name)
            _run(settings, folder, server, settings.forward, clock, stopped)
        server.close()


def _run(
    settings: Settings,
    folder: Path,
    server: InfluxServer,
    forward: Forward,
    clock: Clock,
    stopped: Callable[[], bool],
) -> None:
    forwarder: Forwarder | None = None
    log_clock = LogClock(folder, clock)
    trouble = ""
    try:
        while not stopped():
            now_ms = clock.boot_ms()
            try:
                if forwarder is None:
                    forwarder = Forwarder(settings, folder, server, order=forward.order, tell=_journal.warning)
                due_ms = forwarder.step(now_ms, log_clock.now_ms())
                trouble = ""
            except (LogError, sqlite3.Error) as error:
                if isinstance(error, NotALog | LogTooNew) and not isinstance(error, LogMalformed):
                    raise
                # No log yet, a damaged one that the logger will move aside, one that is held for a moment, or a disk
                # that fails for a while: the logger tells of it, and this waits.
                if str(error) != trouble:
                    _journal.warning("the log cannot be read now: %s", error)
                trouble, due_ms = str(error), now_ms + _RETRY_MS
            wait_until(clock, due_ms, stopped)
    finally:
        log_clock.close()
        if forwarder is not None:
            forwarder.close()
