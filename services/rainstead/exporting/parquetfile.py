"""Chunks of rows as Parquet, with units and calibrations in each file's own metadata."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from .partitions import Open
from .refused import ExportRefused
from .tables import NO_TIME, Chunk, Table, Type

__all__ = ["parquet_parts"]


def parquet_parts(about: Mapping[str, str]) -> Open:
    """What opens Parquet files; `about` goes into each. Raises ExportRefused where the library is missing."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise ExportRefused(
            "Parquet needs the package pyarrow, which is not installed; `pip install 'rainstead[desk]'`, "
            "or use --format csv"
        ) from None
    return lambda path, table: _ParquetPart(pa, pq, path, table, about)


class _ParquetPart:
    """One Parquet file. What is missing is null, never NaN."""

    def __init__(self, pa: Any, pq: Any, path: Path, table: Table, about: Mapping[str, str]) -> None:
        self._pa, self._table = pa, table
        types = {
            Type.TIME: pa.timestamp("ms", tz="UTC"),
            Type.DATE: pa.date32(),
            Type.TEXT: pa.string(),
            Type.NUMBER: pa.float64(),
            Type.COUNT: pa.int64(),
            Type.YES_NO: pa.bool_(),
        }
        self._schema = pa.schema(
            [
                pa.field(
                    column.name, types[column.type], metadata={b"unit": column.unit, b"description": column.meaning}
                )
                for column in table.columns
            ],
            metadata={
                **about,
                "rainstead.table": table.name,
                "rainstead.meaning": table.meaning,
                "rainstead.columns": json.dumps(
                    {column.name: {"unit": column.unit, "description": column.meaning} for column in table.columns},
                    ensure_ascii=False,
                ),
            },
        )
        self._writer = pq.ParquetWriter(
            path,
            self._schema,
            compression="zstd",
            # Stamps ascend: their differences are small, and a dictionary of them would be as large as they are.
            use_dictionary=[column.name for column in table.columns if column.type is not Type.TIME],
            column_encoding={
                column.name: "DELTA_BINARY_PACKED" for column in table.columns if column.type is Type.TIME
            },
        )

    def add(self, chunk: Chunk) -> None:
        """See PartFile."""
        arrays = [
            self._array(column.type, chunk[column.name], self._schema.field(column.name).type)
            for column in self._table.columns
        ]
        self._writer.write_table(self._pa.Table.from_arrays(arrays, schema=self._schema))

    def close(self) -> None:
        """See PartFile."""
        self._writer.close()

    def _array(self, type_: Type, values: npt.NDArray[Any], wanted: Any) -> Any:
        match type_:
            case Type.TIME:
                return self._pa.array(values.astype("datetime64[ms]"), wanted, mask=values == NO_TIME)
            case Type.NUMBER:
                return self._pa.array(values, wanted, mask=np.isnan(values))
            case Type.COUNT:
                missing = np.isnan(values)
                return self._pa.array(np.where(missing, 0, values).astype(np.int64), wanted, mask=missing)
            case _:
                return self._pa.array(values, wanted)
