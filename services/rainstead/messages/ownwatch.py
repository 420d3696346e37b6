"""What no log can hold: that there is nobody to write one, no way to read it, or no room for it."""

from collections.abc import Mapping
from typing import Any, Final

from rainstead.alarms import ACTIVE, NORMAL, Fault, FaultRule, look
from rainstead.events import AlarmEvent

from .changes import AlarmsTold, Notice
from .lookout import Seen

__all__ = ["OwnWatch"]

DISK_AFTER_MS: Final = 60_000
SIGN_MS: Final = 90_000
"""The logger leaves a sign of life each ten seconds; one that hangs is started again within some seventy."""
STEADY_MS: Final = 120_000
"""Of signs of life, or of a disk without trouble: a logger that dies each minute gives some too."""


class OwnWatch:
    """told: how alarms stand; the messenger's own are put there too. silent_after_s: the owner's patience."""

    def __init__(self, told: AlarmsTold, silent_after_s: float, boot_ms: int) -> None:
        self._told, self._silent_after_ms = told, round(silent_after_s * 1000)
        self._sign_ms = min(SIGN_MS, self._silent_after_ms // 2)
        self._silent = Fault(active=told.is_active(("logger_silent", "site")))
        self._disk_fault = Fault()
        self._alive_ms, self._had_sign = boot_ms, False
        self._sign: tuple[Any, Any] | None = None
        self._blind_ms: int | None = None
        self._is_guess = False

    def quiet_ms(self, boot_ms: int) -> int:
        """For how long the logger has given no sign of life, seen from here."""
        return boot_ms - self._alive_ms

    def look(self, seen: Seen, *, had_log: bool, boot_ms: int, wall_ms: int) -> list[Notice]:
        """What has changed. had_log: a log of this site was seen before."""
        self._is_guess = seen.clock_is_trusted is False
        health = seen.health or {}
        found = self._silence(seen, health, boot_ms, wall_ms)
        found += self._blindness(seen, had_log, boot_ms, wall_ms)
        return found + self._disk(health, boot_ms, wall_ms)

    def _silence(self, seen: Seen, health: Mapping[str, Any], boot_ms: int, wall_ms: int) -> list[Notice]:
        sign = (health.get("written_ms"), seen.newest_ms)
        if sign not in (self._sign, (None, None)):
            # The first look at an old file is no sign of life.
            if self._sign is not None:
                self._alive_ms, self._had_sign = boot_ms, True
            self._sign = sign
        quiet_ms = self.quiet_ms(boot_ms)
        # A restart of the messenger is no sign of life of the logger.
        stood = not self._had_sign and self._silent.active
        rule = FaultRule(self._silent_after_ms - self._sign_ms, STEADY_MS)
        self._silent = look(self._silent, rule, boot_ms, quiet_ms >= self._sign_ms or stood)
        minutes = quiet_ms / 60_000
        reason = (
            "it gives signs of life again"
            if not self._silent.active
            else f"it has given no sign of life for {minutes:.0f} min"
            if self._silent.spells <= 1
            else f"it gives a sign of life only now and then, the last {minutes:.0f} min ago: does it die each time?"
        )
        limit = self._silent_after_ms / 60_000
        return self._tell("logger_silent", self._silent.active, minutes, limit, "min", reason, wall_ms)

    def _blindness(self, seen: Seen, had_log: bool, boot_ms: int, wall_ms: int) -> list[Notice]:
        trouble = seen.trouble
        if seen.is_missing and had_log:
            # Its logger may write on into a file that has no name any more, and call that well.
            trouble = "there is no log any more; put it back, or start the logger again, which begins a new one"
        if trouble is None:
            self._blind_ms = None
        elif self._blind_ms is None:
            self._blind_ms = boot_ms
        blind, minutes = False, 0.0
        if self._blind_ms is not None:
            blind_ms = boot_ms - self._blind_ms
            blind = blind_ms >= self._silent_after_ms or self._told.is_active(("log_unreadable", "site"))
            minutes = blind_ms / 60_000
        reason = f"{trouble}" if blind else "it can be read"
        return self._tell("log_unreadable", blind, minutes, self._silent_after_ms / 60_000, "min", reason, wall_ms)

    def _disk(self, health: Mapping[str, Any], boot_ms: int, wall_ms: int) -> list[Notice]:
        """A full disk cannot take the event that tells of it, so the logger's own word is heeded too."""
        if self.quiet_ms(boot_ms) >= self._silent_after_ms:
            return []
        trouble = health.get("disk_trouble")
        self._disk_fault = look(self._disk_fault, FaultRule(DISK_AFTER_MS, STEADY_MS), boot_ms, bool(trouble))
        if trouble and self._disk_fault.active:
            waiting = float(health.get("waiting") or 0)
            reason = f"the logger says: {trouble}; {waiting:.0f} readings wait in memory"
            return self._tell("disk_fault", True, waiting, 0.0, "readings", reason, wall_ms)
        key = ("disk_fault", "site")
        if not trouble and not self._disk_fault.active and self._told.is_active(key) and self._told[key].log is None:
            return self._tell("disk_fault", False, 0.0, 0.0, "readings", "the disk takes readings again", wall_ms)
        return []

    def _tell(
        self, alarm: str, active: bool, value: float, limit: float, unit: str, reason: str, wall_ms: int
    ) -> list[Notice]:
        event = AlarmEvent(wall_ms, alarm, "site", ACTIVE if active else NORMAL, value, limit, unit, reason)
        return self._told.own(event, is_guess=self._is_guess)
