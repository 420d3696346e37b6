"""What can go wrong, as types. A message names the thing, the value and what would have been right."""


class RainsteadError(Exception):
    """Anything that a person can mend: printed without a traceback, exit code not 0."""


class HeldByAnother(RainsteadError):
    """Another process has what there can be but one of; it may let go of it."""


class OutOfDomain(RainsteadError, ValueError):
    """A number lies outside what a formula or a table is good for."""


class SettingsError(RainsteadError, ValueError):
    """The settings file is missing, broken or contradicts itself. Holds every mistake, not the first."""


class LogError(RainsteadError):
    """The log cannot be used as asked."""


class NotALog(LogError, ValueError):
    """The file is there but is not a rainstead log."""


class LogMalformed(NotALog):
    """SQLite itself says that the file is damaged, or no file of its own; or it holds what no version of ours writes.

    why: in a few words.
    """

    def __init__(self, message: str, why: str) -> None:
        super().__init__(message)
        self.why = why


class LogTooNew(LogError):
    """The log was written by a newer version than this one."""


class LogBusy(LogError, HeldByAnother):
    """Another process is the log's writer."""


class DiskRefuses(LogError):
    """The disk lets no log be opened or begun now, and may do so later."""


class NoRoom(LogError):
    """A disk has no room for a copy. leave_bytes: what has to stay free beside it.

    why: in figures. missing_bytes: how much more would have to be free; 0 where the disk seemed to have the room.
    """

    def __init__(self, folder: object, wanted_bytes: int, free_bytes: int | None, leave_bytes: int = 0) -> None:
        free = "nobody knows how much is free" if free_bytes is None else f"{free_bytes / 1e6:.1f} MB are free"
        stays = f" and {leave_bytes / 1e6:.1f} MB have to stay free" if leave_bytes else ""
        self.why = f"it wants {wanted_bytes / 1e6:.1f} MB{stays}, and {free}"
        super().__init__(f"{folder}: there is no room for a copy: {self.why}; make room, or name another place")
        self.missing_bytes = 0 if free_bytes is None else max(0, wanted_bytes + leave_bytes - free_bytes)


class LogDamaged(LogError):
    """A part of the log is not as it was written."""


class LogMissing(LogError, FileNotFoundError):
    """There is no log at that place."""


class ImportRefused(RainsteadError, ValueError):
    """A file of readings cannot be taken; names the line."""


class DeviceError(RainsteadError, OSError):
    """A sensor's device is absent, busy, forbidden or gone."""
