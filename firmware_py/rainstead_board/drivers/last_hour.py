"""How much a total has grown within the last hour."""

from collections import deque
from typing import Final

__all__ = ["LastHour"]

_HOUR_MS: Final = 3_600_000
_STEP_MS: Final = 300_000


class LastHour:
    """Keeps a mark each five minutes: what it tells is of the last 60 to 65 minutes, or since the start."""

    def __init__(self) -> None:
        self._marks: deque[tuple[int, int]] = deque()

    def note(self, boot_ms: int, total: int) -> None:
        """How large the total is now."""
        if not self._marks or boot_ms - self._marks[-1][0] >= _STEP_MS:
            self._marks.append((boot_ms, total))
        while len(self._marks) > 1 and self._marks[1][0] <= boot_ms - _HOUR_MS:
            self._marks.popleft()

    def grown(self, total: int) -> int:
        """By how much the total has grown in that time."""
        return total - self._marks[0][1] if self._marks else total
