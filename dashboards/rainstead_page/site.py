"""The site as it is now: settings that may be edited while the page runs."""

import logging
import threading
from dataclasses import dataclass
from pathlib import Path

from rainstead.clock import Clock
from rainstead.inforce import InForce, settings_in_force
from rainstead.settings import Page, Settings

__all__ = ["Site", "Standing"]

_GOOD_ONES = "the last good settings hold; `rainstead settings check` says what to mend"

_journal = logging.getLogger("rainstead.page")


@dataclass(frozen=True, slots=True)
class Standing:
    """The settings that hold. edition: another number for each that were read. trouble: why newer ones do not hold."""

    settings: Settings
    edition: int
    trouble: str | None


class Site:
    """A site's folder, and the newest settings in it that were good. found: those that the page has started with."""

    def __init__(self, folder: Path, found: InForce, clock: Clock) -> None:
        assert found.settings.page is not None
        self.folder, self._clock = folder, clock
        self.page: Page = found.settings.page
        self._lock = threading.Lock()
        self._found = found
        # What is wrong is not shown: a value that stands in the wrong place may be a secret.
        refused = found.refused is not None
        self._standing = Standing(found.settings, 0, f"site.toml cannot be used, so {_GOOD_ONES}" if refused else None)
        self._seen = self._look()

    @property
    def path(self) -> Path:
        """The settings' file."""
        return self.folder / "site.toml"

    def standing(self) -> Standing:
        """What holds now; the file is read anew when it has changed."""
        with self._lock:
            look = self._look()
            if look != self._seen:
                # Looked at before it was read: an edit in between is seen the next time.
                self._seen = look
                self._standing = self._read()
            return self._standing

    def _look(self) -> tuple[int, int, int] | None:
        try:
            now = self.path.stat()
        except OSError:
            return None
        return now.st_mtime_ns, now.st_size, now.st_ino

    def _read(self) -> Standing:
        before = self._standing
        found = settings_in_force(self.folder, self._clock.wall_ms(), tell=_journal.warning, before=self._found)
        self._found = found
        if found.refused is not None:
            return Standing(
                before.settings, before.edition, f"site.toml was changed and cannot be used, so {_GOOD_ONES}"
            )
        _journal.info("the settings were read anew")
        trouble, page = None, found.settings.page
        if page is None or (page.listen, page.port) != (self.page.listen, self.page.port):
            trouble = "site.toml has another address for this page; it holds once rainstead-page is started again"
        if page is not None:
            self.page = page.model_copy(update={"listen": self.page.listen, "port": self.page.port})
        return Standing(found.settings, before.edition + 1, trouble)
