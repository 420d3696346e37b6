"""In which order runs of two logs stand: a run's number is its place, for gaps and for boots that nobody dated."""

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Place", "in_order"]


@dataclass(frozen=True, slots=True)
class Place:
    """A run. number: in this log, below any other's where it is new; boot: which boot of the machine; None where nobody
    knows. first_ms: its first stamp, None where that is a guess or there is none."""

    number: int
    boot: str | None
    started_ms: int
    first_ms: int | None


def in_order(old: Sequence[Place], present: Sequence[Place]) -> list[int]:
    """Numbers of all runs in order. old: in that log's order, those that both logs know under this log's number.

    Each log's own order stays. Between two runs that both know, a run of the old one comes before the first that is
    later: by the boot clock within one boot of the machine, else by stamps. One whose stamps are a guess stays behind
    the run that it came behind.
    """
    found = list(present)
    where = {place.number: place for place in present}
    at = 0
    for along, place in enumerate(old):
        if place.number in where:
            at = max(at, found.index(where[place.number]) + 1)
            continue
        shared = next((later.number for later in old[along:] if later.number in where), None)
        end = len(found) if shared is None else found.index(where[shared])
        for k in range(at, end):
            before = _is_before(place, found[k])
            if before:
                break
            if before is False:
                at = k + 1
        found.insert(at, place)
        at += 1
    return [place.number for place in found]


def _is_before(one: Place, other: Place) -> bool | None:
    """None where nobody knows."""
    if one.boot is not None and one.boot == other.boot:
        return one.started_ms < other.started_ms
    if one.first_ms is None or other.first_ms is None:
        return None
    return one.first_ms < other.first_ms
