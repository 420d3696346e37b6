"""The site's own time; apart, so that a board without the desk's libraries can say it."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

__all__ = ["local"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def local(t_ms: int, zone: str) -> datetime:
    """A time as the site's clocks show it."""
    return (_EPOCH + timedelta(milliseconds=t_ms)).astimezone(ZoneInfo(zone))
