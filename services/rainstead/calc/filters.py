"""The running median: takes single wild values out, at the cost of half its width in delay."""

from dataclasses import dataclass

import numpy as np

from .arrays import F64

__all__ = ["MEDIAN_START", "MedianState", "running_median"]


@dataclass(frozen=True, slots=True)
class MedianState:
    """The newest values, at most one less than the width, oldest first."""

    values: tuple[float, ...]


MEDIAN_START = MedianState(())


def running_median(state: MedianState, values: F64, width: int) -> tuple[MedianState, F64]:
    """Median of each value and the `width - 1` before it; it needs no future, so that live and replay agree.

    values: no NaN. While fewer have come, the median of what is there; of an even number the lower middle one, so
    that the answer is always a value that was measured. The delay is (width - 1) / 2 readings.
    """
    if not len(values):
        return state, values
    carried = np.array(state.values, dtype=np.float64)
    all_values = np.concatenate([carried, values])
    early = max(0, min(width - 1 - len(carried), len(values)))
    out = np.empty(len(values))
    for k in range(early):
        window = np.sort(all_values[: len(carried) + k + 1])
        out[k] = window[(len(window) - 1) // 2]
    if len(values) > early:
        windows = np.lib.stride_tricks.sliding_window_view(all_values, width)
        out[early:] = np.sort(windows, axis=1)[:, (width - 1) // 2]
    keep = all_values[max(0, len(all_values) - (width - 1)) :] if width > 1 else all_values[:0]
    return MedianState(tuple(keep.tolist())), out
