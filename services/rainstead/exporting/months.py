"""UTC months: how tables are cut into files."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead.readings import I64

__all__ = ["Month", "months", "months_of"]


@dataclass(frozen=True, slots=True)
class Month:
    """A month, or what was asked for of it: from_ms <= stamp < upto_ms."""

    from_ms: int
    upto_ms: int


def months(from_ms: int, upto_ms: int) -> Iterator[Month]:
    """The months of from_ms <= stamp < upto_ms, the first and the last cut short."""
    while from_ms < upto_ms:
        next_ms = int((months_of(np.array([from_ms]))[0] + 1).astype("datetime64[ms]").astype(np.int64))
        yield Month(from_ms, min(next_ms, upto_ms))
        from_ms = next_ms


def months_of(t_ms: I64) -> npt.NDArray[np.datetime64]:
    """The month of each stamp."""
    return t_ms.astype("datetime64[ms]").astype("datetime64[M]")
