"""Readings from elsewhere into the log, none twice: from a CSV file, or from another log of the same site."""

from .intolog import ImportResult, import_readings
from .salvaging import Salvaged, salvage_log

__all__ = ["ImportResult", "Salvaged", "import_readings", "salvage_log"]
