"""Local time of the site: reading a time as typed, and cutting days."""

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from rainstead.errors import RainsteadError
from rainstead.localtime import local
from rainstead.settings import Settings

__all__ = ["TimeUnreadable", "day_start_ms", "local", "local_date", "rain_day_of", "rain_day_start_ms", "read_time_ms"]

_DATE = re.compile(r"\d{4}-\d\d-\d\d")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class TimeUnreadable(RainsteadError, ValueError):
    """A time was typed that cannot be read."""


def local_date(t_ms: int, zone: str) -> date:
    """The date on the site's calendar."""
    return local(t_ms, zone).date()


def day_start_ms(day: date, zone: str) -> int:
    """Local midnight at which a calendar day begins."""
    return _to_ms(datetime.combine(day, time(), ZoneInfo(zone)))


def read_time_ms(text: str, zone: str, option: str, *, date_is_end: bool = True) -> int:
    """ISO-8601, with a zone or in the site's local time, as UTC milliseconds.

    A date alone is the end of that local day, or its beginning with date_is_end=False. Of a local time that
    comes twice when clocks go back, the first is meant.
    Raises TimeUnreadable, naming the option.
    """
    try:
        if _DATE.fullmatch(text):
            day = date.fromisoformat(text)
            _check_reach(day, text, option)
            return day_start_ms(day + timedelta(days=1), zone) - 1 if date_is_end else day_start_ms(day, zone)
        when = datetime.fromisoformat(text)
    except TimeUnreadable:
        raise
    except ValueError:
        raise TimeUnreadable(
            f"{option} {text!r}: this is not a time; write 2026-03-29, 2026-03-29T14:30 (time of {zone}) "
            "or 2026-03-29T13:30Z"
        ) from None
    _check_reach(when, text, option)
    return _to_ms(when if when.tzinfo is not None else when.replace(tzinfo=ZoneInfo(zone)))


def rain_day_start_ms(day: date, settings: Settings) -> int:
    """When the rain day that ENDS on `day` begins: the day before, at the site's rain-day hour.

    By the clock on the wall, rain days have 23 or 25 hours when clocks change; by standard time, always 24.
    """
    site = settings.site
    zone = ZoneInfo(site.time_zone)
    begins = datetime.combine(day - timedelta(days=1), time(site.rain_day_hour))
    if site.rain_day_clock == "local":
        return _to_ms(begins.replace(tzinfo=zone))
    return _to_ms(begins.replace(tzinfo=UTC)) - _standard_offset_ms(begins, zone)


def rain_day_of(t_ms: int, settings: Settings) -> date:
    """The date on which the rain day ends that holds a moment; one on the boundary belongs to the day it ends."""
    day = local_date(t_ms, settings.site.time_zone) - timedelta(days=1)
    while rain_day_start_ms(day + timedelta(days=1), settings) < t_ms:
        day += timedelta(days=1)
    return day


def _check_reach(when: date, text: str, option: str) -> None:
    # Days are counted back from it, by ten years at most, and no calendar of ours begins before the year 1.
    if not 1900 <= when.year < 2200:
        raise TimeUnreadable(f"{option} {text!r}: the year must lie between 1900 and 2199")


def _standard_offset_ms(when: datetime, zone: ZoneInfo) -> int:
    # The smaller offset of midsummer and midwinter: zone tables do not agree on which of the two is called summer time.
    ends = (datetime(when.year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7))
    return min(round(offset.total_seconds() * 1000) for offset in ends if offset is not None)


def _to_ms(when: datetime) -> int:
    return (when.astimezone(UTC) - _EPOCH) // timedelta(milliseconds=1)
