"""What a person types beside a command: a quantity with its unit, a moment, a tank. A refusal says the remedy."""

import difflib
import re
from datetime import date, datetime, time

from rainstead.errors import RainsteadError
from rainstead.settings import Settings
from rainstead.units import UnitTable, parse_quantity

from .days import TimeUnreadable, local, read_time_ms
from .tanks import TankUnknown

__all__ = ["Refused", "read_day", "read_moment_ms", "read_quantity", "read_tank"]

_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_SLACK_MS = 60_000
"""Two clocks may differ by as much."""


class Refused(RainsteadError, ValueError):
    """What was typed cannot be taken; the message names it and what would have been right."""


def read_quantity(text: str, table: UnitTable, what: str) -> float:
    """In the table's base unit. A number alone is refused: a litre taken for a kilolitre is a wrong book."""
    if re.fullmatch(r"\s*[+-]?[0-9.]+\s*", text):
        raise Refused(f"{what} {text!r}: has no unit; add one of: {', '.join(table)}")
    try:
        return parse_quantity(text, table)
    except ValueError as error:
        raise Refused(f"{what} {text!r}: {error}") from None


def read_tank(name: str, settings: Settings) -> str:
    """The tank's name, whatever its capitals. Raises TankUnknown with the nearest that there is."""
    small = name.strip().lower()
    if small in settings.tanks:
        return small
    names = sorted(settings.tanks)
    close = difflib.get_close_matches(small, names, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]}? " if close else ""
    raise TankUnknown(f"there is no tank {name!r}; {hint}The tanks are: {', '.join(names)}")


def read_moment_ms(text: str | None, settings: Settings, now_ms: int, option: str) -> int:
    """A moment that is past: `now` where nothing is typed, 14:30 for today, or a date with a time.

    A date alone is refused, because a level changes within the day.
    """
    zone = settings.site.time_zone
    if text is None:
        return now_ms
    if match := _CLOCK.fullmatch(text.strip()):
        here = local(now_ms, zone)
        at = datetime.combine(here.date(), time(int(match[1]), int(match[2])))
        t_ms = read_time_ms(at.isoformat(), zone, option)
    elif re.fullmatch(r"\d{4}-\d\d-\d\d", text.strip()):
        raise TimeUnreadable(f"{option} {text!r}: say the hour too, as in {text.strip()}T14:30")
    else:
        t_ms = read_time_ms(text.strip(), zone, option)
    if t_ms > now_ms + _SLACK_MS:
        raise TimeUnreadable(f"{option} {text!r}: lies in the future; it is {local(now_ms, zone):%Y-%m-%d %H:%M} now")
    return t_ms


def read_day(text: str, option: str) -> date:
    """A date of the site's calendar."""
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise Refused(f"{option} {text!r}: is not a date; write it as 2026-03-29") from None
    if not 1900 <= day.year < 2200:
        raise Refused(f"{option} {text!r}: the year must lie between 1900 and 2199")
    return day
