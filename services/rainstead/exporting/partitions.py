"""A table on disk: a folder a month, a file in each, written as rows come; in memory is never more than a chunk."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from .tables import Chunk, Table

__all__ = ["Open", "PartFile", "Partitions"]


class PartFile(Protocol):
    """A file that takes chunks."""

    def add(self, chunk: Chunk) -> None:
        """Write these rows; at least one."""

    def close(self) -> None:
        """No more rows."""


Open = Callable[[Path, Table], PartFile]


class Partitions:
    """`TABLE/month=2026-03/part-0.EXT`, the layout that is read as a partitioned data set. Months come in order."""

    def __init__(self, root: Path, table: Table, ending: str, open_file: Open) -> None:
        self._root, self._table, self._ending, self._open_file = root, table, ending, open_file
        self._month: np.datetime64 | None = None
        self._file: PartFile | None = None
        self.paths: list[Path] = []
        self.rows = 0

    def add(self, chunk: Chunk, month: npt.NDArray[Any]) -> None:
        """Rows with the month of each, ascending."""
        starts = np.flatnonzero(np.diff(month.astype(np.int64), prepend=-(2**40)))
        for start, end in zip(starts, [*starts[1:], len(month)], strict=True):
            part = {name: values[start:end] for name, values in chunk.items()}
            self._of(month[start]).add(part)
            self.rows += int(end - start)

    def close(self) -> None:
        """No more rows."""
        if self._file is not None:
            self._file.close()
        self._file = None

    def _of(self, month: np.datetime64) -> PartFile:
        if self._file is None or month != self._month:
            self.close()
            path = self._root / self._table.name / f"month={month}" / f"part-0.{self._ending}"
            path.parent.mkdir(parents=True)  # a month that comes again would overwrite itself
            self._file, self._month = self._open_file(path, self._table), month
            self.paths.append(path)
        return self._file
