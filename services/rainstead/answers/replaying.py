"""The whole log worked out again: the same alarms? And with other settings, what would have differed?"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from rainstead.alarms import BOARD_ALARMS
from rainstead.derive import Deriver, State
from rainstead.events import AlarmEvent
from rainstead.log import ReadingSource
from rainstead.readings import Batch
from rainstead.settings import Settings

from .answer import Answer, head

__all__ = ["Difference", "EventDifference", "ReplayAnswer", "TankDifference", "replay_log"]

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class TankDifference:
    """Litres by the site's settings and by the others: the newest, and where they lie farthest apart."""

    tank: str
    last_l: float | None
    other_last_l: float | None
    largest_difference_l: float | None
    largest_difference_ms: int | None


@dataclass(frozen=True, slots=True)
class Difference:
    """One total by the site's settings and by the others."""

    what: str
    unit: str
    value: float
    other: float


@dataclass(frozen=True, slots=True)
class EventDifference:
    """An alarm event that only one side has. side: logged, replayed (same settings); here, other."""

    side: str
    event: AlarmEvent


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayAnswer(Answer):
    """readings: how many. is_identical: the alarms agree; with other settings, litres and totals too."""

    other_settings: str | None
    readings: int
    events_logged: int
    events_replayed: int
    is_identical: bool
    settings_changed: bool
    events: tuple[EventDifference, ...]
    tanks: tuple[TankDifference, ...]
    totals: tuple[Difference, ...]


@dataclass(slots=True)
class _Side:
    """One run of the calculation, summed up."""

    deriver: Deriver
    state: State
    events: list[AlarmEvent] = field(default_factory=list)
    rain_mm: float = 0.0
    storms: int = 0
    pumped_l: float = 0.0
    runs: int = 0


def replay_log(
    settings: Settings,
    reader: ReadingSource,
    as_of_ms: int,
    *,
    other: Settings | None = None,
    other_name: str | None = None,
    progress: Progress | None = None,
) -> ReplayAnswer:
    """Work the log out again up to a time; with `other`, by both settings side by side."""
    here = _side(settings)
    there = None if other is None else _side(other)
    far: dict[str, tuple[float, int]] = {}
    readings = 0
    for batch in reader.batches(upto_ms=as_of_ms):
        readings += len(batch)
        litres = _take(here, batch)
        if there is not None:
            _farthest(far, litres, _take(there, batch))
        if progress is not None:
            progress(len(batch))
    # What the board said of itself stands in no reading.
    logged = [event for event in reader.events(upto_ms=as_of_ms) if event.alarm not in BOARD_ALARMS]
    if there is None:
        events = _only_one_side(("logged", logged), ("replayed", here.events))
        differences: tuple[TankDifference, ...] = ()
        totals: tuple[Difference, ...] = ()
    else:
        events = _only_one_side(("here", here.events), ("other", there.events))
        differences = _tanks(here, there, far)
        totals = _totals(here, there)
    return ReplayAnswer(
        **head(settings, reader, as_of_ms),
        other_settings=other_name,
        readings=readings,
        events_logged=len(logged),
        events_replayed=len(here.events if there is None else there.events),
        is_identical=not events
        and not any(d.largest_difference_l or d.last_l != d.other_last_l for d in differences)
        and all(total.value == total.other for total in totals),
        settings_changed=reader.settings_have_changed(here.deriver.digest),
        events=events,
        tanks=differences,
        totals=totals,
    )


def _side(settings: Settings) -> _Side:
    deriver = Deriver(settings)
    return _Side(deriver, deriver.start())


def _take(side: _Side, batch: Batch) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    side.state, derived = side.deriver.advance(side.state, batch)
    side.events += derived.events
    side.rain_mm += sum(float(rows.rain_mm.sum()) for rows in derived.rain)
    side.pumped_l += sum(float(rows.volume_l.sum()) for rows in derived.flow)
    side.storms += len(derived.storms)
    side.runs += len(derived.runs)
    return {rows.tank: (rows.t_ms, rows.volume_l) for rows in derived.levels}


def _farthest(
    far: dict[str, tuple[float, int]],
    one: dict[str, tuple[np.ndarray, np.ndarray]],
    other: dict[str, tuple[np.ndarray, np.ndarray]],
) -> None:
    for tank in one.keys() & other.keys():
        (t_ms, litres), (other_ms, other_litres) = one[tank], other[tank]
        if len(t_ms) != len(other_ms):
            continue  # another sensor stands for this tank: its readings have no partners
        apart = np.abs(np.nan_to_num(other_litres - litres, nan=0.0))
        if len(apart) and float(apart.max()) > far.get(tank, (0.0, 0))[0]:
            k = int(apart.argmax())
            far[tank] = (float(apart[k]), int(t_ms[k]))


def _tanks(here: _Side, there: _Side, far: dict[str, tuple[float, int]]) -> tuple[TankDifference, ...]:
    last = {name: s.now.volume_l for name, s in zip(here.deriver.tank_names, here.state.tanks, strict=True)}
    other = {name: s.now.volume_l for name, s in zip(there.deriver.tank_names, there.state.tanks, strict=True)}
    return tuple(
        TankDifference(name, last.get(name), other.get(name), *(far.get(name, (0.0, None))))
        for name in sorted(last.keys() | other.keys())
    )


def _totals(here: _Side, there: _Side) -> tuple[Difference, ...]:
    return (
        Difference("rain", "mm", round(here.rain_mm, 6), round(there.rain_mm, 6)),
        Difference("storms ended", "", here.storms, there.storms),
        Difference("pumped", "L", here.pumped_l, there.pumped_l),
        Difference("pump runs ended", "", here.runs, there.runs),
    )


def _only_one_side(
    one: tuple[str, Sequence[AlarmEvent]], other: tuple[str, Sequence[AlarmEvent]]
) -> tuple[EventDifference, ...]:
    first, second = set(one[1]), set(other[1])
    odd = [EventDifference(one[0], event) for event in first - second]
    odd += [EventDifference(other[0], event) for event in second - first]
    return tuple(sorted(odd, key=lambda d: (d.event.t_ms, d.event.alarm, d.event.subject, d.side)))
