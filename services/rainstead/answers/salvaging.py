"""What bringing another log in did, as data."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rainstead.log import DamagedHour
from rainstead.settings import Settings

__all__ = ["OtherValue", "SalvageAnswer", "salvage_site"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class OtherValue:
    """A reading that stands in both logs with two values, in the raw unit of its sensor; the site's stays."""

    t_ms: int
    sensor: str
    kept: float
    other: float


@dataclass(frozen=True, slots=True)
class SalvageAnswer:
    """See TakenIn. is_done: something of the other log could be read, or there is nothing in it. may_be_taken_away: it
    was moved aside in this site's folder, and all that can be read of it is in the log now."""

    path: str
    is_done: bool
    may_be_taken_away: bool
    added: int
    known: int
    differing: int
    others: tuple[OtherValue, ...]
    let_go: int
    minutes_of: int
    events: int
    settings: int
    dated: int
    mended: int
    unsure: int
    first_ms: int | None
    last_ms: int | None
    lost: tuple[DamagedHour, ...]


def salvage_site(
    site: Path,
    old: Path,
    settings: Settings,
    progress: Progress | None = None,
    *,
    same_site: bool = False,
    aside_at_ms: int | None = None,
) -> SalvageAnswer:
    """Bring what another log of this site has into its log; see `importing.salvage_log`, which raises for it."""
    # Not at the top: what only answers needs nothing that writes.
    from rainstead.importing import salvage_log

    done = salvage_log(site, old, settings, progress, same_site=same_site, aside_at_ms=aside_at_ms)
    taken = done.taken
    return SalvageAnswer(
        path=str(done.path),
        is_done=taken.is_done,
        may_be_taken_away=done.is_aside,
        added=taken.added,
        known=taken.known,
        differing=taken.differing,
        others=tuple(OtherValue(one.t_ms, one.sensor, one.kept, one.other) for one in taken.others),
        let_go=taken.let_go,
        minutes_of=taken.minutes_of,
        events=taken.events,
        settings=taken.settings,
        dated=taken.dated,
        mended=taken.mended,
        unsure=taken.unsure,
        first_ms=taken.first_ms,
        last_ms=taken.last_ms,
        lost=tuple(taken.lost),
    )
