"""Where a counter's record has a hole: nobody watched it, so that what it counted then is unknown, not nought."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["unwatched"]

_LEAST_MS: Final = 900_000
_FEWEST_NOUGHTS: Final = 3


def unwatched(
    t_ms: npt.NDArray[np.int64],
    is_nought: npt.NDArray[np.bool_],
    upto_ms: int | None = None,
    starts_ms: Sequence[int] = (),
) -> npt.NDArray[np.int64]:
    """Begin and end of each hole, shape (n, 2), milliseconds, in order. Between its stamps nothing was written down.

    t_ms: stamps of a counter's rows, in order. is_nought: those that say "watched, and nothing came". How often such
    rows come tells how long a record may be silent: half as long again, and a quarter of an hour at least. A record
    that hardly has any says nothing of where nobody watched. upto_ms: until when it should go on. starts_ms: when
    somebody began to watch, in order: with one of them in it, a silence of a quarter of an hour is a hole in any
    record.
    """
    if not len(t_ms):
        return np.zeros((0, 2), dtype=np.int64)
    since_ms = np.diff(t_ms)
    to_noughts_ms = since_ms[is_nought[1:]]
    limit_ms = np.inf
    if len(to_noughts_ms) >= _FEWEST_NOUGHTS:
        limit_ms = max(_LEAST_MS, 1.5 * float(np.median(to_noughts_ms)))
    ends_ms = t_ms if upto_ms is None or upto_ms <= t_ms[-1] else np.append(t_ms, upto_ms)
    begun = np.searchsorted(np.asarray(starts_ms, dtype=np.int64), ends_ms, side="right")
    silent_ms = np.diff(ends_ms)
    holes = np.flatnonzero((silent_ms > limit_ms) | ((silent_ms > _LEAST_MS) & (np.diff(begun) > 0)))
    return np.stack([ends_ms[holes], ends_ms[holes + 1]], axis=1)
