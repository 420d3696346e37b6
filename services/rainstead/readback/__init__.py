"""Reading back from a server what was forwarded to it: one site's readings, or how all of its sites stand."""

from .connection import Connection, ServerUnreadable
from .place import connect
from .sites import AlarmSeen, SiteSeen, TankSeen, see_sites
from .source import ServerSource

__all__ = [
    "AlarmSeen",
    "Connection",
    "ServerSource",
    "ServerUnreadable",
    "SiteSeen",
    "TankSeen",
    "connect",
    "see_sites",
]
