"""The log and what follows from it as CSV and Parquet, in folders that other tools read as they are."""

from .refused import ExportRefused
from .tables import TABLES, Column, Table, Type
from .writing import FORMATS, Exported, Format, export

__all__ = ["FORMATS", "TABLES", "Column", "ExportRefused", "Exported", "Format", "Table", "Type", "export"]
