"""The page's process: `rainstead-page SITE`, until told to stop by a signal."""

import argparse
import logging
import signal
import socket
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from rainstead.clock import Clock, SystemClock
from rainstead.errors import RainsteadError
from rainstead.inforce import settings_in_force
from rainstead.settings import Page

from .site import Site

__all__ = ["NO_PAGE", "main"]

NO_PAGE = 6
"""Exit code where the settings have no page: that of a program that is not configured (LSB, init scripts). The
service's unit takes it for an end without failure, and does not start the program again."""
_RETRY_MS = 5_000
_LONGEST_WAIT_MS = 500
_LIBRARIES = {"flask": "page", "waitress": "page", "jinja2": "page", "werkzeug": "page"}

_journal = logging.getLogger("rainstead.page")


def main(argv: Sequence[str] | None = None) -> None:
    """Run; what a person can mend is one message and exit code 2, or NO_PAGE."""
    parser = argparse.ArgumentParser(prog="rainstead-page", description="Show a site to browsers; change nothing.")
    parser.add_argument("site", type=Path, help="the site's folder, with site.toml and readings.db in it")
    folder: Path = parser.parse_args(argv).site.absolute()
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    stopping: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda signum, _frame: stopping.append(signum))
    try:
        clock = SystemClock()
        found = settings_in_force(folder, clock.wall_ms(), tell=_journal.error, table="page")
        settings = found.settings
        if settings.page is None:
            print(
                f"rainstead-page: {folder / 'site.toml'} has no [page] table, so there is nothing to show and nothing "
                "to do; add one and start this again, if a page is wanted",
                file=sys.stderr,
            )
            raise SystemExit(NO_PAGE)
        site = Site(folder, settings, refused=found.refused is not None)
        _run(site, settings.page, clock, lambda: bool(stopping))
    except RainsteadError as error:
        print(f"rainstead-page: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    except ModuleNotFoundError as error:
        library = (error.name or "").partition(".")[0]
        if library not in _LIBRARIES:
            raise
        print(
            f"rainstead-page: {library} is not installed here; `pip install 'rainstead[page]'` adds it", file=sys.stderr
        )
        raise SystemExit(2) from None
    _journal.info("stopped")


def _run(site: Site, page: Page, clock: Clock, stopped: Callable[[], bool]) -> None:
    # Late: without the libraries for it one is told what to install.
    from .app import make_app
    from .guarding import guarded
    from .hosts import is_allowed
    from .keeping import Kept
    from .listening import serve

    bound = _bound(page, clock, stopped)
    if bound is None:
        return
    kept = Kept(site, clock)
    shown = f"[{page.listen}]" if ":" in page.listen else page.listen
    _journal.info("showing %s at http://%s:%d/", site.standing().settings.site.name, shown, page.port)
    try:
        serve(
            guarded(make_app(kept), lambda header: is_allowed(header, site.page.listen, site.page.names)),
            bound,
            stopped,
        )
    finally:
        kept.close()


def _bound(page: Page, clock: Clock, stopped: Callable[[], bool]) -> socket.socket | None:
    """The socket, waited for as long as it takes: a board's network may come after it. None: told to stop."""
    from .listening import listening_socket

    is_told = False
    while not stopped():
        bound = listening_socket(page.listen, page.port)
        if bound is not None:
            return bound
        if not is_told:
            told = "page.listen = %s: this machine has no such address, or not yet; waiting for it"
            _journal.warning(told, page.listen)
            is_told = True
        due_ms = clock.boot_ms() + _RETRY_MS
        while not stopped() and clock.boot_ms() < due_ms:
            clock.wait_until(min(due_ms, clock.boot_ms() + _LONGEST_WAIT_MS))
    return None
