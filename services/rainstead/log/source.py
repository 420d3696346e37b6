"""Where the desk's readings come from: the log on this machine, or a copy of it on a server."""

from collections.abc import Iterator, Sequence
from typing import Protocol

from rainstead.events import AlarmEvent
from rainstead.readings import Batch

from .sealed import DamagedHour

__all__ = ["ReadingSource"]


class ReadingSource(Protocol):
    """What desk and replay ask of it; LogReader has the contracts."""

    @property
    def damaged(self) -> tuple[DamagedHour, ...]:
        """What could not be read so far."""

    def span_ms(self) -> tuple[int, int] | None:
        """First and last stamp; None where there are no readings."""

    def last_before_ms(self, upto_ms: int) -> int | None:
        """Stamp of the newest reading at or before a time."""

    def batches(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Batch]:
        """Readings with after_ms < t_ms <= upto_ms in the log's order."""

    def count(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> int:
        """How many readings there are."""

    def events(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> list[AlarmEvent]:
        """Alarm events with after_ms < t_ms <= upto_ms, oldest first."""

    def checkpoint(self, digest: str, *, upto_ms: int | None = None) -> tuple[int, str] | None:
        """The newest kept state of this digest; None where none is kept."""

    def clock_is_trusted(self) -> bool:
        """Whether the newest stamps are by a clock that was known to be right."""

    def run_starts_ms(self) -> list[int]:
        """About when each run of a logger began, in order; none where nobody knows."""

    def settings_have_changed(self, digest: str) -> bool:
        """Whether any part may have been written under settings of another digest."""
