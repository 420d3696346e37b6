"""What is done for a board in need: room for a full disk, a reboot for one that is stuck, heed to a low supply."""

import logging
import sqlite3
from collections.abc import Collection
from pathlib import Path
from typing import Self, TypedDict

from rainstead.clock import Clock
from rainstead.settings import Settings

from .keeper import Keeper
from .logcare import LogCare
from .rebootwish import RebootWish
from .spareroom import SpareRoom
from .supply import Remarks, Supply

__all__ = ["BoardCare", "BoardFacts"]

_journal = logging.getLogger("rainstead.logger")


class BoardFacts(TypedDict):
    """Its part of the facts that the board is watched by; see Facts."""

    spare_room: str | None
    spare_mb: float
    supply_is_low: bool | None
    supply_low_age_s: float | None
    began: str | None


class BoardCare:
    """Of one site's logger. What is left out is not done, and not known.

    spare: what is kept for a full disk. supply: what the kernel says of the voltage. wish: who may ask for a reboot.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        spare: SpareRoom | None = None,
        supply: Supply | None = None,
        wish: RebootWish | None = None,
    ) -> None:
        self._clock, self._spare, self._supply, self._wish = clock, spare, supply or Supply(None), wish
        self._remarks = Remarks(self._supply)
        self._began: str | None = None
        self._is_begun = False

    @classmethod
    def of(cls, settings: Settings, clock: Clock, site: Path, run_folder: Path | None) -> Self:
        """As the settings want it. run_folder: the service's runtime folder, which a boot empties, if it has one."""
        log, space = settings.log, settings.alarms.low_space
        leave_bytes = round((space.free_mb + space.deadband_mb) * 1e6)
        return cls(
            clock,
            spare=SpareRoom(site, log.spare_mb * 1_000_000, leave_bytes),
            supply=Supply(),
            wish=RebootWish(run_folder, site, round(log.reboot_after_s * 1000), log.most_waiting),
        )

    def make_room(self, error: Exception) -> bool:
        """Where the disk refused something for want of room: whether there is more now than before."""
        return self._spare is not None and self._spare.give_up(error, self._clock.boot_ms())

    def supply_drops(self) -> bool:
        """To be asked each second or two; whether the supply is low, and was not in the minutes before."""
        return self._supply.look(self._clock.boot_ms())

    def remark(self) -> str:
        """What to add to a trouble that begins now; empty where there is nothing to add. From any thread."""
        return self._supply.remark(self._clock.boot_ms())

    def look(self, care: LogCare, waiting: int, active: Collection[tuple[str, str]]) -> None:
        """Do what is due for the disk. waiting: readings in memory. active: the board's alarms that stand."""
        self._look_back(care, active)
        now_ms, keeper = self._clock.boot_ms(), care.keeper
        if isinstance(keeper, Keeper) and keeper.disk_trouble is None:
            if self._spare is not None:
                self._spare.tend(now_ms)
            if self._wish is not None and keeper.last_commit_ms is not None:
                self._wish.stored(keeper.last_commit_ms, now_ms)
        elif self._wish is not None and self._wish.would_help(waiting, now_ms):
            care.try_once_more()
            if care.keeper.disk_trouble is not None:
                self._wish.ask(waiting, care.keeper.disk_trouble, now_ms)

    def beside(self, sensor: str, why: str | None) -> str | None:
        """What is wrong with a sensor, with what is to be said of the supply when it began."""
        return self._remarks.beside(sensor, why, self._clock.boot_ms())

    def trouble_of_disk(self, why: str | None) -> str | None:
        """The same of the disk, and whether a reboot is asked for."""
        now_ms = self._clock.boot_ms()
        said = self._remarks.beside("", why, now_ms)
        wish = None if self._wish is None else self._wish.words(now_ms)
        return said if said is None or wish is None else f"{said}; {wish}"

    def facts(self) -> BoardFacts:
        """As they are now."""
        now_ms = self._clock.boot_ms()
        return BoardFacts(
            spare_room=None if self._spare is None else self._spare.word,
            spare_mb=0.0 if self._spare is None else self._spare.size_bytes / 1e6,
            supply_is_low=self._supply.is_or_was_low(now_ms),
            supply_low_age_s=self._supply.low_age_s(now_ms),
            began=self._began,
        )

    def _look_back(self, care: LogCare, active: Collection[tuple[str, str]]) -> None:
        """Once, as soon as there is a log: whether the run before was cut off while the supply was low."""
        if self._is_begun or not isinstance(care.keeper, Keeper):
            return
        self._is_begun = True
        try:
            if not care.keeper.run_before_was_cut():
                return
        except sqlite3.Error:  # a disk that does not answer is told of elsewhere
            return
        if ("supply_low", "site") in active:
            self._began = (
                "the logger's run before was cut off when the board's supply was low, or had been minutes before"
            )
        elif self._supply.says.was_low:
            self._began = "the logger's run before was cut off, and the board's supply has been low since it booted"
        if self._began is not None:
            _journal.warning("%s", self._began)
