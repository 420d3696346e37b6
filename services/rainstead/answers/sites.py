"""All sites that forward to one bucket, side by side, from the server alone."""

from dataclasses import dataclass
from typing import Final

from rainstead.readback import AlarmSeen, Connection, SiteSeen, TankSeen, see_sites

__all__ = ["SiteLine", "SitesAnswer", "sites"]

OLD_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class SiteLine:
    """One site. state: reports, silent (nothing new for long) or never (no reading). volume_l: all tanks' last levels.

    above_l: usable litres of the reserve's tanks over the fire reserve; None where the site has none.
    oldest_level_ms: the oldest of the levels that the sum is made of.
    """

    site: str
    state: str
    last_seen_ms: int | None
    last_seen_age_s: float | None
    volume_l: float | None
    capacity_l: float | None
    oldest_level_ms: int | None
    fire_reserve_l: float | None
    usable_l: float | None
    above_l: float | None
    tanks: tuple[TankSeen, ...]
    alarms: tuple[AlarmSeen, ...]


@dataclass(frozen=True, slots=True)
class SitesAnswer:
    """As of a time, from one bucket."""

    as_of_ms: int
    server: str
    silent_after_s: float
    sites: tuple[SiteLine, ...]


def sites(connection: Connection, as_of_ms: int, *, silent_after_s: float = OLD_S) -> SitesAnswer:
    """How they all stood at a time. Raises ServerUnreadable."""
    seen = see_sites(connection, upto_ms=as_of_ms)
    lines = tuple(_line(one, as_of_ms, silent_after_s) for one in seen)
    return SitesAnswer(as_of_ms, connection.name, silent_after_s, lines)


def _line(seen: SiteSeen, as_of_ms: int, silent_after_s: float) -> SiteLine:
    age_s = None if seen.last_ms is None else (as_of_ms - seen.last_ms) / 1000
    has_both = seen.fire_reserve_l is not None and seen.usable_l is not None
    return SiteLine(
        site=seen.site,
        state="never" if age_s is None else "silent" if age_s > silent_after_s else "reports",
        last_seen_ms=seen.last_ms,
        last_seen_age_s=age_s,
        volume_l=sum(tank.volume_l for tank in seen.tanks) if seen.tanks else None,
        capacity_l=seen.capacity_l,
        oldest_level_ms=min((tank.measured_ms for tank in seen.tanks), default=None),
        fire_reserve_l=seen.fire_reserve_l,
        usable_l=seen.usable_l,
        above_l=(seen.usable_l or 0.0) - (seen.fire_reserve_l or 0.0) if has_both else None,
        tanks=seen.tanks,
        alarms=seen.alarms,
    )
