"""A messenger's life: with what was kept, where that can be read; where it cannot for a minute, without."""

import contextlib
import logging
import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from rainstead.settings import Messages, Settings

from .carrier import Carrier
from .lookout import Lookout
from .messenger import Messenger
from .store import MESSAGES_FILE, NotMessages, Store

__all__ = ["Life", "open_store"]

_MOST_ASIDE: Final = 5
_UNREAD_MS: Final = 60_000
_AGAIN_MS: Final = 600_000

_journal = logging.getLogger("rainstead.messenger")


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


class Life:
    """Messengers, one after another. carriers_at: the ways out of one that begins at a time of the wall clock."""

    def __init__(
        self,
        settings: Settings,
        messages: Messages,
        folder: Path,
        carriers_at: Callable[[int], Mapping[str, Carrier]],
    ) -> None:
        self._settings, self._messages, self._folder, self._carriers_at = settings, messages, folder, carriers_at
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
            self._carriers_at(wall_ms),
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
