"""A log held in memory: the same readings in the same order as a file would give, without the time to write it."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from rainstead.events import AlarmEvent
from rainstead.log import Columns, LogReader
from rainstead.readings import Batch

__all__ = ["HeldLog"]


class HeldLog(LogReader):
    """What the desk asks of a log; `tests/services/test_study_small.py` holds it to a real one."""

    def __init__(self, blocks: Sequence[Columns]) -> None:
        self.path = Path("held in memory")
        self._names = tuple(sorted(block.sensor for block in blocks))
        ordered = sorted(blocks, key=lambda block: block.sensor)
        t_ms = np.concatenate([block.t_ms for block in ordered])
        sensor = np.repeat(np.arange(len(ordered), dtype=np.int16), [len(block.t_ms) for block in ordered])
        order = np.lexsort((sensor, t_ms))
        self._all = Batch(
            self._names,
            t_ms[order],
            sensor[order],
            np.concatenate([block.value for block in ordered])[order],
            np.concatenate([block.quality for block in ordered])[order],
            np.concatenate([block.spread for block in ordered])[order],
        )

    def close(self) -> None:
        """There is nothing to close."""

    def batches(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Batch]:
        """See LogReader: all at once."""
        del size
        low = 0 if after_ms is None else int(np.searchsorted(self._all.t_ms, after_ms, side="right"))
        high = len(self._all) if upto_ms is None else int(np.searchsorted(self._all.t_ms, upto_ms, side="right"))
        some = self._all.take(slice(low, high))
        if sensors is not None:
            some = some.take(np.isin(some.sensor, [self._names.index(name) for name in sensors if name in self._names]))
        if len(some):
            yield some

    def last_before_ms(self, upto_ms: int) -> int | None:
        """See LogReader."""
        k = int(np.searchsorted(self._all.t_ms, upto_ms, side="right"))
        return int(self._all.t_ms[k - 1]) if k else None

    def span_ms(self) -> tuple[int, int] | None:
        """See LogReader."""
        return (int(self._all.t_ms[0]), int(self._all.t_ms[-1])) if len(self._all) else None

    def checkpoint(self, digest: str, *, upto_ms: int | None = None) -> tuple[int, str] | None:
        """None is kept."""
        del digest, upto_ms
        return None

    def events(
        self, *, after_ms: int | None = None, upto_ms: int | None = None, only_trusted: bool = False
    ) -> list[AlarmEvent]:
        """None were raised: no logger watched."""
        del after_ms, upto_ms, only_trusted
        return []

    def run_starts_ms(self) -> list[int]:
        return []

    def clock_is_trusted(self) -> bool:
        """It is."""
        return True
