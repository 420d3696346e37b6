"""When a gauge was not heard: it said that it could not count, or nothing of it was logged."""

import numpy as np

from rainstead import calc
from rainstead.log import ReadingSource
from rainstead.readings import I64, Batch, Quality

__all__ = ["Unheard"]


class Unheard:
    """Gathers a gauge's rows, batch by batch in the log's order.

    from_ms: what is gathered begins there, and there should be rows from there on; None: with the log.
    """

    def __init__(self, gauge: str, reader: ReadingSource, from_ms: int | None = None) -> None:
        self._gauge, self._starts_ms = gauge, reader.run_starts_ms()
        began = from_ms is not None and reader.last_before_ms(from_ms) is not None
        self._from_ms = np.array([from_ms] if began else [], dtype=np.int64)
        self._parts: list[Batch] = []

    def take(self, batch: Batch) -> None:
        """Of all sensors or some."""
        self._parts.append(batch.of(self._gauge))

    def stamps_ms(self, upto_ms: int | None = None) -> I64:
        """Stamps at which it was not heard, in order: of each row that says so, and of both ends of each hole.

        upto_ms: until when there should be rows.
        """
        t_ms = np.concatenate([self._from_ms, *(rows.t_ms for rows in self._parts)])
        if not len(t_ms):
            return t_ms
        begins = np.ones(len(self._from_ms), dtype=bool)
        is_good = np.concatenate([begins, *(rows.quality == Quality.OK for rows in self._parts)])
        is_nought = is_good & np.concatenate([~begins, *(rows.value == 0 for rows in self._parts)])
        holes = calc.unwatched(t_ms, is_nought, upto_ms, self._starts_ms)
        return np.unique(np.concatenate([t_ms[~is_good], holes.ravel()]))
