"""The date from which a calibration holds, as a stamp."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

__all__ = ["ALWAYS_MS", "since_ms"]

ALWAYS_MS = -(2**53)
"""Before any reading: what a calibration without a date holds from."""


def since_ms(when: date | datetime | None, time_zone: str) -> int:
    """UTC milliseconds. A date is its midnight at the site, a time without a zone is the site's."""
    if when is None:
        return ALWAYS_MS
    moment = when if isinstance(when, datetime) else datetime.combine(when, time())
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(time_zone))
    return round(moment.timestamp() * 1000)
