"""The board's supply voltage, as the kernel tells it, and what is said of it beside faults that it may have caused."""

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = ["Remarks", "Supply", "SupplySays", "read_supply"]

RECENT_MS: Final = 300_000
"""A card or an adapter may be lost of a dip and be missed minutes later."""
AFTER_MS: Final = 30_000
"""The kernel tells of a dip within two seconds; a port may be gone before."""
_SEEK_EVERY_MS: Final = 60_000
"""A driver may be loaded late."""
_LOW_NOW, _LOW_BEFORE = 1 << 0, 1 << 16
"""Bits of the firmware's word: too low at this moment, and at any since the board began or somebody wiped them."""

LOW_AT_THE_TIME: Final = "the board's supply was low at the time"


@dataclass(frozen=True, slots=True)
class SupplySays:
    """None where the kernel does not tell: that is not known, and not well."""

    is_low: bool | None
    was_low: bool | None


def _alarm_files(sys_folder: Path) -> list[Path]:
    return sorted(sys_folder.glob("class/hwmon/hwmon*/in*_lcrit_alarm"))


def _firmware_files(sys_folder: Path) -> list[Path]:
    return sorted(sys_folder.glob("devices/platform/soc/*firmware/get_throttled"))


def _read(alarms: list[Path], words: list[Path]) -> SupplySays:
    now: list[bool] = []
    before: list[bool] = []
    for path in alarms:
        with contextlib.suppress(OSError, ValueError):
            now.append(int(path.read_text(encoding="ascii")) != 0)
    for path in words:
        with contextlib.suppress(OSError, ValueError):
            word = int(path.read_text(encoding="ascii"), 16)
            now.append(bool(word & _LOW_NOW))
            before.append(bool(word & _LOW_BEFORE))
    return SupplySays(any(now) if now else None, any(before) if before else None)


def read_supply(sys_folder: Path = Path("/sys")) -> SupplySays:
    """As it is at this moment, by the alarms of the kernel's voltage monitors and the firmware's word."""
    return _read(_alarm_files(sys_folder), _firmware_files(sys_folder))


class Supply:
    """Remembers when the supply was last seen to be low. Times are boot-clock milliseconds.

    sys_folder: None to look nowhere; all of it is then not known.
    """

    def __init__(self, sys_folder: Path | None = Path("/sys")) -> None:
        self.says = SupplySays(None, None)
        self.low_ms: int | None = None
        """When it was last low, as far as this process has seen."""
        self._sys_folder = sys_folder
        self._alarms: list[Path] = []
        self._words: list[Path] = []
        self._seek_at_ms = 0

    def look(self, now_ms: int) -> bool:
        """To be called each second or two, for the kernel's alarm lasts no longer.

        Returns whether it drops: it is low now, and was not in the minutes before. What the firmware remembers from
        before this process is no news of this moment.
        """
        if self._sys_folder is None:
            return False
        if now_ms >= self._seek_at_ms:
            self._seek_at_ms = now_ms + _SEEK_EVERY_MS
            self._alarms, self._words = _alarm_files(self._sys_folder), _firmware_files(self._sys_folder)
        before, self.says = self.says, _read(self._alarms, self._words)
        if self.says.is_low or (self.says.was_low and before.was_low is False):
            drops = self.low_ms is None or now_ms - self.low_ms > RECENT_MS
            self.low_ms = now_ms
            return drops
        return False

    def is_or_was_low(self, now_ms: int) -> bool | None:
        """Low now or in the last minutes; None where nobody knows."""
        if self.low_ms is not None and now_ms - self.low_ms <= RECENT_MS:
            return True
        return None if self.says.is_low is None else False

    def low_age_s(self, now_ms: int) -> float | None:
        """How long ago this process last saw it low; None where it never did."""
        return None if self.low_ms is None else (now_ms - self.low_ms) / 1000

    def remark(self, now_ms: int) -> str:
        """To be added to what goes wrong at this moment; empty where it was not low, or nobody knows."""
        return f"; {LOW_AT_THE_TIME}" if self.was_low_about(now_ms) else ""

    def was_low_about(self, since_ms: int) -> bool:
        """Whether it was low in the minutes before a moment, or just after it."""
        return self.low_ms is not None and since_ms - RECENT_MS <= self.low_ms <= since_ms + AFTER_MS


class Remarks:
    """Adds to what is wrong that the supply was low when it began, for as long as it goes on."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply
        self._since_ms: dict[str, int] = {}
        self._said: set[str] = set()

    def beside(self, subject: str, why: str | None, now_ms: int) -> str | None:
        """why: what is wrong with it now, or None; the same with the remark, where there is one to make."""
        if why is None:
            self._since_ms.pop(subject, None)
            self._said.discard(subject)
            return None
        since_ms = self._since_ms.setdefault(subject, now_ms)
        if subject not in self._said and self._supply.was_low_about(since_ms):
            self._said.add(subject)
        return f"{why}; {LOW_AT_THE_TIME}" if subject in self._said else why
