"""The log of raw readings: one SQLite file, one writer in the whole system, any number of readers."""

from .aside import damaged_logs
from .books import Behind, SensorRow
from .broughtin import AsideLook, brought_in_again, note_brought_in
from .checking import LogCheck, check_log
from .copying import PART, back_up, clear_part, copy_checked, copy_database, copy_to_part, restore, settle
from .damage import damage_in_words, may_be_damage
from .gaps import Gap
from .growth import LONG_WAL_BYTES, has_reset_fault, wal_bytes
from .lock import WriterLock, has_writer
from .newestrun import NewestRun
from .raised import RaisedEvent
from .read import LogReader
from .room import copy_sizes, require_room
from .schema import SCHEMA_VERSION
from .sealed import DamagedHour
from .source import ReadingSource
from .thinning import Keep, Minutes, Thinned
from .undated import UndatedRun
from .write import Columns, LogWriter, Row

__all__ = [
    "LONG_WAL_BYTES",
    "PART",
    "SCHEMA_VERSION",
    "AsideLook",
    "Behind",
    "Columns",
    "DamagedHour",
    "Gap",
    "Keep",
    "LogCheck",
    "LogReader",
    "LogWriter",
    "Minutes",
    "NewestRun",
    "RaisedEvent",
    "ReadingSource",
    "Row",
    "SensorRow",
    "Thinned",
    "UndatedRun",
    "WriterLock",
    "back_up",
    "brought_in_again",
    "check_log",
    "clear_part",
    "copy_checked",
    "copy_database",
    "copy_sizes",
    "copy_to_part",
    "damage_in_words",
    "damaged_logs",
    "has_reset_fault",
    "has_writer",
    "may_be_damage",
    "note_brought_in",
    "require_room",
    "restore",
    "settle",
    "wal_bytes",
]
