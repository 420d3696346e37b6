"""The alarms: how each that is watched stands, and what was raised and cleared."""

from collections.abc import Sequence
from dataclasses import dataclass

from rainstead.alarms import BOARD_ALARMS
from rainstead.events import AlarmEvent
from rainstead.log import ReadingSource
from rainstead.settings import Settings

from .answer import Answer, head

__all__ = ["AlarmStanding", "AlarmsAnswer", "alarms", "standing", "watched"]


@dataclass(frozen=True, slots=True)
class AlarmStanding:
    """One watched alarm. state: normal or active_unacknowledged. since_ms is None where it never changed."""

    alarm: str
    subject: str
    state: str
    since_ms: int | None
    value: float | None
    limit: float | None
    unit: str
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmsAnswer(Answer):
    """How they stand, and the events, newest first."""

    standing: tuple[AlarmStanding, ...]
    events: tuple[AlarmEvent, ...]


def watched(settings: Settings) -> list[tuple[str, str]]:
    """Alarm and subject of all that the settings watch."""
    found = []
    if settings.alarms.overflow_risk is not None:
        found += [("overflow_risk", name) for name, tank in sorted(settings.tanks.items()) if tank.sensor is not None]
    if settings.alarms.low_reserve is not None:
        found.append(("low_reserve", "site"))
    return found


def standing(settings: Settings, events: Sequence[AlarmEvent]) -> tuple[AlarmStanding, ...]:
    """How each watched alarm stands after these events, which are in order of time.

    Those of the board are in it once they have been raised.
    """
    last = {(event.alarm, event.subject): event for event in events}
    found = []
    of_board = sorted(key for key in last if key[0] in BOARD_ALARMS)
    for alarm, subject in [*watched(settings), *of_board]:
        event = last.get((alarm, subject))
        if event is None:
            found.append(AlarmStanding(alarm, subject, "normal", None, None, None, "L", None))
        else:
            found.append(
                AlarmStanding(
                    alarm, subject, event.state, event.t_ms, event.value, event.limit, event.unit, event.reason
                )
            )
    return tuple(found)


def alarms(settings: Settings, reader: ReadingSource, as_of_ms: int, *, most: int = 50) -> AlarmsAnswer:
    """The alarms at a time, with at most so many events."""
    events = reader.events(upto_ms=as_of_ms)
    return AlarmsAnswer(
        **head(settings, reader, as_of_ms),
        standing=standing(settings, events),
        events=tuple(reversed(events[-most:])) if most else (),
    )
