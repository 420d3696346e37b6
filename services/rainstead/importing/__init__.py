"""Raw readings from a CSV file into the log: all of them or none, and none twice."""

from .intolog import ImportResult, import_readings

__all__ = ["ImportResult", "import_readings"]
