"""When a gauge was not heard: it said that it could not count, or nothing of it was logged."""

import numpy as np

from rainstead import calc
from rainstead.log import ReadingSource
from rainstead.readings import I64, Batch, Quality

__all__ = ["Unheard"]


class Unheard:
    """Gathers a gauge's rows, batch by batch in the log's order."""

    def __init__(self, gauge: str, reader: ReadingSource) -> None:
        self._gauge, self._starts_ms = gauge, reader.run_starts_ms()
        self._parts: list[Batch] = []

    def take(self, batch: Batch) -> None:
        """Of all sensors or some."""
        self._parts.append(batch.of(self._gauge))

    def stamps_ms(self, upto_ms: int | None = None) -> I64:
        """Stamps at which it was not heard, in order: of each row that says so, and of both ends of each hole.

        upto_ms: until when there should be rows.
        """
        t_ms = np.concatenate([rows.t_ms for rows in self._parts] or [np.zeros(0, dtype=np.int64)])
        if not len(t_ms):
            return t_ms
        is_good = np.concatenate([rows.quality for rows in self._parts]) == Quality.OK
        is_nought = is_good & (np.concatenate([rows.value for rows in self._parts]) == 0)
        holes = calc.unwatched(t_ms, is_nought, upto_ms, self._starts_ms)
        return np.unique(np.concatenate([t_ms[~is_good], holes.ravel()]))
