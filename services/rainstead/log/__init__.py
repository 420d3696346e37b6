"""The log of raw readings: one SQLite file, one writer in the whole system, any number of readers."""

from .gaps import Gap
from .lock import WriterLock
from .read import LogReader, SensorRow
from .schema import SCHEMA_VERSION
from .sealed import DamagedHour
from .thinning import Keep, Minutes, Thinned
from .write import Columns, LogWriter, Row

__all__ = [
    "SCHEMA_VERSION",
    "Columns",
    "DamagedHour",
    "Gap",
    "Keep",
    "LogReader",
    "LogWriter",
    "Minutes",
    "Row",
    "SensorRow",
    "Thinned",
    "WriterLock",
]
