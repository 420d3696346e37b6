"""The log from some time on and in small pieces: a question over weeks does not read years, or hold much at once."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from rainstead.log import LogReader

__all__ = ["LateLog"]


_MOST_ROWS = 20_000


class LateLog(LogReader):
    """A LogReader that gives no reading at or before `from_ms`; None gives them all. Raises what LogReader raises."""

    def __init__(self, path: Path, from_ms: int | None) -> None:
        super().__init__(path)
        self._from_ms = from_ms

    def rows(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Any]:
        """See LogReader."""
        if self._from_ms is not None:
            after_ms = self._from_ms if after_ms is None else max(after_ms, self._from_ms)
        return super().rows(after_ms=after_ms, upto_ms=upto_ms, sensors=sensors, size=min(size, _MOST_ROWS))
