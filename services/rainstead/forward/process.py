"""The forwarder's process: `rainstead-forwarder SITE`, until told to stop by a signal."""

import argparse
import contextlib
import logging
import signal
import sqlite3
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from rainstead.clock import Clock, SystemClock
from rainstead.errors import LogError, LogMalformed, LogTooNew, NotALog, RainsteadError, SettingsError
from rainstead.holding import AlreadyHeld, Hold
from rainstead.inforce import settings_in_force
from rainstead.settings import Forward, Settings

from .forwarder import Forwarder
from .server import InfluxServer
from .standing import RUNNING_FILE
from .token import read_token

__all__ = ["NOTHING_TO_SEND_TO", "SENT_BY_ANOTHER", "main", "server_of"]

NOTHING_TO_SEND_TO = 6
"""Exit code where the settings name no server: that of a program that is not configured (LSB, init scripts). The
service's unit takes it for an end without failure, and does not start the program again."""
SENT_BY_ANOTHER = 3
"""Exit code where another forwarder is at work; the service tries again, for that one may end."""
_LONGEST_WAIT_MS = 1000
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
    """Run; what a person can mend is one message and exit code 2, or NOTHING_TO_SEND_TO."""
    parser = argparse.ArgumentParser(prog="rainstead-forwarder", description="Send a site's log to a server.")
    parser.add_argument("site", type=Path, help="the site's folder, with site.toml and readings.db in it")
    folder: Path = parser.parse_args(argv).site.absolute()
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    stopping: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda signum, _frame: stopping.append(signum))
    try:
        clock = SystemClock()
        settings = settings_in_force(folder, clock.wall_ms(), tell=_journal.error, table="forward").settings
        if settings.forward is None:
            print(
                f"rainstead-forwarder: {folder / 'site.toml'} has no [forward] table, so there is no server to send to "
                "and nothing to do; add one and start this again, if the log is to be sent",
                file=sys.stderr,
            )
            raise SystemExit(NOTHING_TO_SEND_TO)
        server = server_of(settings.forward, folder)
        with _only_one(folder):
            _journal.info("sending %s to %s", settings.site.name, server.name)
            _run(settings, folder, server, settings.forward, clock, lambda: bool(stopping))
        server.close()
    except AlreadyHeld as error:
        print(
            f"rainstead-forwarder: {folder}: process {error.holder} is sending this site's log already; stop that one "
            "first",
            file=sys.stderr,
        )
        raise SystemExit(SENT_BY_ANOTHER) from None
    except RainsteadError as error:
        print(f"rainstead-forwarder: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "influxdb_client":
            raise
        print(
            "rainstead-forwarder: influxdb-client is not installed here; `pip install 'rainstead[desk]'` adds it",
            file=sys.stderr,
        )
        raise SystemExit(2) from None
    _journal.info("stopped")


@contextlib.contextmanager
def _only_one(folder: Path) -> Iterator[None]:
    """Two would send all of it twice; and whoever looks sees by it that there is one. Raises AlreadyHeld."""
    try:
        hold = Hold(folder / RUNNING_FILE)
    except OSError as error:  # a disk that is full may have room later
        _journal.warning("%s: cannot be made (%s)", folder / RUNNING_FILE, error.strerror)
        yield
        return
    try:
        yield
    finally:
        hold.release()


def _run(
    settings: Settings,
    folder: Path,
    server: InfluxServer,
    forward: Forward,
    clock: Clock,
    stopped: Callable[[], bool],
) -> None:
    forwarder: Forwarder | None = None
    trouble = ""
    try:
        while not stopped():
            now_ms = clock.boot_ms()
            try:
                if forwarder is None:
                    forwarder = Forwarder(settings, folder, server, order=forward.order, tell=_journal.warning)
                due_ms = forwarder.step(now_ms, clock.wall_ms())
                trouble = ""
            except (LogError, sqlite3.Error) as error:
                if isinstance(error, NotALog | LogTooNew) and not isinstance(error, LogMalformed):
                    raise
                # No log yet, a damaged one that the logger will move aside, one that is held for a moment, or a disk
                # that fails for a while: the logger tells of it, and this waits.
                if str(error) != trouble:
                    _journal.warning("the log cannot be read now: %s", error)
                trouble, due_ms = str(error), now_ms + _RETRY_MS
            while not stopped() and clock.boot_ms() < due_ms:
                clock.wait_until(min(due_ms, clock.boot_ms() + _LONGEST_WAIT_MS))
    finally:
        if forwarder is not None:
            forwarder.close()
