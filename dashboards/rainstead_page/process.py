"""The page's process: `rainstead-page SITE`, until told to stop by a signal."""

import logging
import socket
from collections.abc import Callable, Sequence

from rainstead.clock import Clock, SystemClock
from rainstead.inforce import settings_in_force
from rainstead.running import NothingToDo, only_one, until_told, wait_until
from rainstead.settings import Page

from .site import Site

__all__ = ["main"]

RUNNING_FILE = "page.lock"
_RETRY_MS = 5_000
_LIBRARIES = {name: (name, "page") for name in ("flask", "waitress", "jinja2", "werkzeug")}

_journal = logging.getLogger("rainstead.page")


def main(argv: Sequence[str] | None = None) -> None:
    """Run; how it begins and ends is `running`'s."""
    with until_told("rainstead-page", "Show a site to browsers; change nothing.", argv, _journal, _LIBRARIES) as (
        folder,
        stopped,
    ):
        clock = SystemClock()
        found = settings_in_force(folder, clock.wall_ms(), tell=_journal.error, table="page")
        if found.settings.page is None:
            raise NothingToDo(
                f"{folder / 'site.toml'} has no [page] table, so there is nothing to show and nothing to do; add one "
                "and start this again, if a page is wanted"
            )
        # The port alone would not tell who has it.
        with only_one(folder / RUNNING_FILE, "showing this site", _journal):
            _run(Site(folder, found, clock), found.settings.page, clock, stopped)


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
        wait_until(clock, clock.boot_ms() + _RETRY_MS, stopped)
    return None
