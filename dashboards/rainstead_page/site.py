"""The site as it is now: settings that may be edited while the page runs."""

import logging
import threading
from dataclasses import dataclass
from pathlib import Path

from rainstead.errors import SettingsError
from rainstead.settings import Page, Settings, load_settings

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
    """A site's folder, and the newest settings in it that were good.

    refused: the file cannot be used, and these settings are the log's copy.
    """

    def __init__(self, folder: Path, settings: Settings, *, refused: bool = False) -> None:
        assert settings.page is not None
        self.folder = folder
        self.page: Page = settings.page
        self._lock = threading.Lock()
        # What is wrong is not shown: a value that stands in the wrong place may be a secret.
        self._standing = Standing(settings, 0, f"site.toml cannot be used, so {_GOOD_ONES}" if refused else None)
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
        try:
            settings = load_settings(self.path)
        except SettingsError as error:
            _journal.warning("the settings before hold, for those in the file cannot be used: %s", error)
            return Standing(
                before.settings, before.edition, f"site.toml was changed and cannot be used, so {_GOOD_ONES}"
            )
        _journal.info("the settings were read anew")
        trouble = None
        if settings.page is None or (settings.page.listen, settings.page.port) != (self.page.listen, self.page.port):
            trouble = "site.toml has another address for this page; it holds once rainstead-page is started again"
        if settings.page is not None:
            self.page = settings.page.model_copy(update={"listen": self.page.listen, "port": self.page.port})
        return Standing(settings, before.edition + 1, trouble)
