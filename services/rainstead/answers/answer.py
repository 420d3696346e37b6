"""What every answer begins with: for when it is, for which site, and how old the newest reading behind it is."""

from dataclasses import dataclass
from typing import TypedDict

from rainstead.log import ReadingSource
from rainstead.settings import (
    BinaryRanger,
    EchoRanger,
    FlowPulse,
    OneWireProbe,
    Sensor,
    Settings,
    TextRanger,
)

__all__ = ["Answer", "Head", "head", "old_after_s", "period_s"]

_HELD_BACK_S = 3.0
"""The logger holds its newest readings back for this long, above the time between two commits."""
_PERIODS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The top of every answer. Times are UTC milliseconds; None where the log has no reading yet.

    as_of_because: why that is not what this machine's clock shows, where nobody asked for another time.
    """

    as_of_ms: int
    site: str
    time_zone: str
    last_reading_ms: int | None
    last_reading_age_s: float | None
    last_reading_is_old: bool | None
    as_of_because: str | None = None


class Head(TypedDict):
    """The fields of Answer, to build one from."""

    as_of_ms: int
    site: str
    time_zone: str
    last_reading_ms: int | None
    last_reading_age_s: float | None
    last_reading_is_old: bool | None


def head(settings: Settings, reader: ReadingSource | None, as_of_ms: int) -> Head:
    """The top of an answer, from what had been logged by then. reader: None where the site has no log yet."""
    last_ms = None if reader is None else reader.last_before_ms(as_of_ms)
    age_s = None if last_ms is None else (as_of_ms - last_ms) / 1000
    limits = [limit for limit in (old_after_s(settings, name) for name in settings.sensors) if limit is not None]
    return Head(
        as_of_ms=as_of_ms,
        site=settings.site.name,
        time_zone=settings.site.time_zone,
        last_reading_ms=last_ms,
        last_reading_age_s=age_s,
        last_reading_is_old=None if age_s is None or not limits else age_s > min(limits),
    )


def period_s(sensor: Sensor) -> float | None:
    """Seconds between two readings; None for what speaks only when something happens."""
    match sensor:
        case BinaryRanger() | TextRanger() | EchoRanger() | OneWireProbe():
            return sensor.every_s
        case FlowPulse():
            return None
        case _:
            return None


def old_after_s(settings: Settings, name: str) -> float | None:
    """A value older than this is told as old: three periods, and what the log may lag behind the sensor."""
    sensor = settings.sensors.get(name)
    every_s = None if sensor is None else period_s(sensor)
    return None if every_s is None else _PERIODS * every_s + settings.log.commit_every_s + _HELD_BACK_S
