"""Which of the log's alarm events are news: none from before the first start, and none that an import brought."""

from collections.abc import Sequence
from typing import Any, Final

from rainstead.log import RaisedEvent

from .changes import AlarmsTold, Notice
from .lookout import Seen
from .store import Store

__all__ = ["NewEvents"]

OLD_MS: Final = 86_400_000
"""What a log that was not here before has of earlier days was told then, or is told by nobody."""
OTHER_LOG_MS: Final = 3_600_000
"""A log that was begun anew has so long to raise an alarm again that stood in the one before."""


class NewEvents:
    """What was seen is noted in the store. boot_uuid: of this boot of the machine; None where it cannot be known."""

    def __init__(self, told: AlarmsTold, store: Store, boot_ms: int, wall_ms: int, boot_uuid: str | None) -> None:
        self._told, self._store, self._boot_uuid = told, store, boot_uuid
        self._seen = store.seen()
        self._begun: dict[str, Any] | None = store.noted("begun")
        self._has_begun = bool(self._begun and self._begun.get("done"))
        if self._begun is None:
            self._begun = {"boot_uuid": boot_uuid, "boot_ms": boot_ms, "wall_ms": wall_ms, "done": False}
            store.note("begun", self._begun)
        self._log: str | None = store.noted("log")
        self._other_log_ms: int | None = boot_ms if self._log is not None else None

    @property
    def had_log(self) -> bool:
        """Whether a log of this site was seen, in this life or one before."""
        return self._log is not None

    def look(self, seen: Seen, boot_ms: int, wall_ms: int) -> list[Notice]:
        """What is to be told of what the log has now."""
        notices: list[Notice] = []
        if seen.raised is not None and seen.log is not None:
            notices += self._of(seen.raised, seen.log, boot_ms, wall_ms)
        if seen.log is not None and seen.log != "begun":
            if self._log is None or seen.log != self._log:
                self._log, self._other_log_ms = seen.log, boot_ms
                self._store.note("log", seen.log)
            elif self._other_log_ms is not None and boot_ms - self._other_log_ms >= OTHER_LOG_MS:
                self._other_log_ms = None
                notices += self._told.forget_other_logs(seen.log)
        if seen.is_missing:
            # There is no past: what a logger raises from now on is new, though it be the log's first.
            self._begin()
        return notices

    def _begin(self) -> None:
        if not self._has_begun:
            self._has_begun = True
            self._store.note("begun", {"done": True})

    def _of(self, raised: Sequence[RaisedEvent], log: str, boot_ms: int, wall_ms: int) -> list[Notice]:
        """What happened before the first start is old, and so is what an import or a copy brought."""
        fresh = [one for one in raised if one.identity not in self._seen]
        for one in fresh:
            self._seen.add(one.identity)
            self._store.see(one.identity)
        aged = [self._is_old(one, log, wall_ms) for one in fresh]
        self._told.begin([one for one, is_old in zip(fresh, aged, strict=True) if is_old], log)
        self._begin()
        new = [one for one, is_old in zip(fresh, aged, strict=True) if not is_old and not one.is_from_elsewhere]
        return self._told.take(new, boot_ms, wall_ms, log)

    def _is_old(self, one: RaisedEvent, log: str, wall_ms: int) -> bool:
        if self._has_begun:
            return log != self._log and wall_ms - one.event.t_ms > OLD_MS
        begun = self._begun or {}
        if self._boot_uuid is None:
            # A confined service may not see the kernel's name for its boot: then by the wall clock, right or wrong.
            return one.event.t_ms < int(begun.get("wall_ms", 0))
        if one.boot_uuid == begun.get("boot_uuid"):
            return one.boot_ms < int(begun.get("boot_ms", 0))
        # The machine was started again before the first look: what is of this boot is later than the beginning.
        return one.boot_uuid != self._boot_uuid
