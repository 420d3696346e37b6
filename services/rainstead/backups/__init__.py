"""Backups in a folder: made, named, counted, and let go when there are too many or no room for a new one."""

from .copies import notebook_of
from .making import MadeBackup, make_backup

__all__ = ["MadeBackup", "make_backup", "notebook_of"]
