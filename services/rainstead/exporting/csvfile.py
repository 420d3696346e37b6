"""Chunks of rows as CSV: UTF-8, a header, numbers in as many digits as give them back to the last bit."""

import csv
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from .tables import NO_TIME, Chunk, Table, Type

__all__ = ["CsvPart"]


class CsvPart:
    """One CSV file. What is missing is an empty field."""

    def __init__(self, path: Path, table: Table) -> None:
        self._table = table
        self._file = path.open("x", encoding="utf-8", newline="")
        self._writer = csv.writer(self._file, lineterminator="\n")
        self._writer.writerow([column.name for column in table.columns])

    def add(self, chunk: Chunk) -> None:
        """See PartFile."""
        columns = [_texts(column.type, chunk[column.name]) for column in self._table.columns]
        self._writer.writerows(zip(*columns, strict=True))

    def close(self) -> None:
        """See PartFile."""
        self._file.close()


def _texts(type_: Type, values: npt.NDArray[Any]) -> list[str]:
    match type_:
        case Type.TIME:
            texts = np.datetime_as_string(values.astype("datetime64[ms]"), unit="ms").tolist()
            return ["" if v == NO_TIME else f"{text}Z" for v, text in zip(values.tolist(), texts, strict=True)]
        case Type.DATE:
            return [str(text) for text in np.datetime_as_string(values, unit="D")]
        case Type.TEXT:
            return ["" if v is None else v for v in values.tolist()]
        case Type.NUMBER:
            return ["" if isnan(v) else repr(v) for v in values.tolist()]
        case Type.COUNT:
            return ["" if isnan(v) else str(int(v)) for v in values.tolist()]
        case Type.YES_NO:
            return ["true" if v else "false" for v in values.tolist()]
