"""What people add: dips, deliveries, fuel, nozzle settings, forecasts."""

from .entries import Delivery, Dip, Entry, Forecast, FuelFill, KnownVolume, Notes, RunNote
from .layout import NotANotebook, NotebookError, NotebookTooNew
from .store import EntryUnknown, Kept, Notebook, read_entries, read_notes

__all__ = [
    "Delivery",
    "Dip",
    "Entry",
    "EntryUnknown",
    "Forecast",
    "FuelFill",
    "Kept",
    "KnownVolume",
    "NotANotebook",
    "Notebook",
    "NotebookError",
    "NotebookTooNew",
    "Notes",
    "RunNote",
    "read_entries",
    "read_notes",
]
