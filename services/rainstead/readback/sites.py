"""How all sites of a bucket stand, from the newest points of each."""

from collections.abc import Iterator
from dataclasses import dataclass

from .connection import Connection, stamps_ms

__all__ = ["AlarmSeen", "SiteSeen", "TankSeen", "see_sites"]

_RAW = ("level", "tip", "pulse", "temperature")


@dataclass(frozen=True, slots=True)
class TankSeen:
    """A tank's newest level."""

    name: str
    measured_ms: int
    volume_l: float
    volume_u_l: float | None
    freeboard_l: float | None
    usable_l: float | None


@dataclass(frozen=True, slots=True)
class AlarmSeen:
    """An alarm that is not normal."""

    alarm: str
    subject: str
    state: str
    since_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class SiteSeen:
    """last_ms: its newest reading; None where there is none. usable_l: of the tanks of the reserve."""

    site: str
    last_ms: int | None
    tanks: tuple[TankSeen, ...]
    fire_reserve_l: float | None
    usable_l: float | None
    capacity_l: float | None
    alarms: tuple[AlarmSeen, ...]


@dataclass(frozen=True, slots=True)
class _Last:
    tags: dict[str, str]
    t_ms: int
    value: str


def see_sites(connection: Connection, *, upto_ms: int) -> tuple[SiteSeen, ...]:
    """All sites of the bucket at a time, by name. Raises ServerUnreadable."""
    raw = " or ".join(f'r._measurement == "{one}"' for one in _RAW)
    last_ms: dict[str, int] = {}
    for one in _lasts(connection, f'r._field == "quality" and ({raw})', upto_ms):
        last_ms[one.tags["site"]] = max(one.t_ms, last_ms.get(one.tags["site"], 0))
    tanks: dict[tuple[str, str], dict[str, _Last]] = {}
    for one in _lasts(connection, 'r._measurement == "tank"', upto_ms):
        tanks.setdefault((one.tags["site"], one.tags["tank"]), {})[one.tags["_field"]] = one
    whole: dict[str, dict[str, float]] = {}
    for one in _lasts(connection, 'r._measurement == "site"', upto_ms):
        whole.setdefault(one.tags["site"], {})[one.tags["_field"]] = float(one.value)
    alarms: dict[tuple[str, str, str], AlarmSeen] = {}
    for one in _lasts(connection, 'r._measurement == "alarm" and r._field == "reason"', upto_ms):
        key = (one.tags["site"], one.tags["alarm"], one.tags["subject"])
        seen = AlarmSeen(one.tags["alarm"], one.tags["subject"], one.tags["state"], one.t_ms, one.value)
        if key not in alarms or alarms[key].since_ms < seen.since_ms:
            alarms[key] = seen
    names = {*last_ms, *whole, *(site for site, _ in tanks)}
    return tuple(
        SiteSeen(
            name,
            last_ms.get(name),
            tuple(_tank(tank, fields) for (site, tank), fields in sorted(tanks.items()) if site == name),
            whole.get(name, {}).get("fire_reserve_l"),
            whole.get(name, {}).get("usable_l"),
            whole.get(name, {}).get("capacity_l"),
            tuple(seen for (site, _, _), seen in sorted(alarms.items()) if site == name and seen.state != "normal"),
        )
        for name in sorted(names)
    )


def _tank(name: str, fields: dict[str, _Last]) -> TankSeen:
    volume = fields["volume_l"]

    def beside(field: str) -> float | None:
        return float(fields[field].value) if field in fields and fields[field].t_ms == volume.t_ms else None

    told = (beside("volume_u_l"), beside("freeboard_l"), beside("usable_l"))
    return TankSeen(name, volume.t_ms, float(volume.value), *told)


def _lasts(connection: Connection, which: str, upto_ms: int) -> Iterator[_Last]:
    """The newest value of each series."""
    for columns, rows in connection.tables(f"|> filter(fn: (r) => {which}) |> last()", from_ms=0, upto_ms=upto_ms):
        at = {name: position for position, name in enumerate(columns)}
        stamps = stamps_ms([row[at["_time"]] for row in rows]).tolist()
        for row, t_ms in zip(rows, stamps, strict=True):
            yield _Last({name: row[position] for name, position in at.items()}, t_ms, row[at["_value"]])
