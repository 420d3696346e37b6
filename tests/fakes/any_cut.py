"""Cutting a series into batches at random, and telling whether two answers are the same to the last bit."""

import random
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

__all__ = ["pieces", "same_bits"]


def pieces(draw: random.Random, n: int) -> Iterator[slice]:
    """Slices that make up n rows, some of them empty."""
    cuts = sorted(draw.randint(0, n) for _ in range(draw.randint(0, 8)))
    for low, high in zip([0, *cuts], [*cuts, n], strict=True):
        yield slice(low, high)


def same_bits(one: npt.NDArray[np.float64], other: npt.NDArray[np.float64]) -> bool:
    """Equal to the last bit; one NaN is as good as another."""
    nan = np.isnan(one)
    return np.array_equal(nan, np.isnan(other)) and np.array_equal(one[~nan].view(np.int64), other[~nan].view(np.int64))
