"""A tank's level as told: measured, a bound, old, or unknown and why."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from rainstead.derive import Deriver, TankNow
from rainstead.readings import Quality
from rainstead.settings import Settings
from rainstead.sickness import Sickness

from .answer import old_after_s
from .sensors import quality_words

__all__ = ["Z_95", "TankLevel", "Total", "tank_level", "total"]

Z_95 = 1.96
"""Standard uncertainties either side of a value that hold 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True)
class TankLevel:
    """What can be said of the water in one tank.

    state: measured; at_least_brim (the sensor is blanked: a bound); last_known (older than it should be, or the
    newest readings give no level); doubtful (measured, but by a sensor that is frozen, has jumped, or has no usable
    value for long); unknown; no_sensor. because: why, where it is not `measured`.
    volume_low_l to volume_high_l: 95 % interval; volume_high_l is None for a bound.
    """

    name: str
    state: str
    because: str | None
    is_at_least: bool
    volume_l: float | None
    volume_u_l: float | None
    volume_low_l: float | None
    volume_high_l: float | None
    capacity_l: float | None
    full_ratio: float | None
    depth_m: float | None
    depth_u_m: float | None
    freeboard_l: float | None
    usable_l: float | None
    measured_ms: int | None
    age_s: float | None


@dataclass(frozen=True, slots=True)
class Total:
    """Litres in several tanks together. volume_l is None where one of them is unknown; known_l is the rest.

    is_old: one of the tanks is told by a last known level, not by a present one.
    """

    volume_l: float | None
    volume_u_l: float | None
    volume_low_l: float | None
    volume_high_l: float | None
    known_l: float
    is_at_least: bool
    is_old: bool
    tanks: tuple[str, ...]
    unknown_tanks: tuple[str, ...]


def tank_level(settings: Settings, deriver: Deriver, name: str, now: TankNow | None, as_of_ms: int) -> TankLevel:
    """The level of one tank from the state carried for it; now=None for a tank without a sensor."""
    if now is None:
        return _nothing(name, "no_sensor", "it has no sensor", None)
    sensor = settings.tanks[name].sensor
    assert sensor is not None
    limit_s = old_after_s(settings, sensor)
    assert limit_s is not None
    silent = now.last_ms is None or (as_of_ms - now.last_ms) / 1000 > limit_s
    capacity_l = float(deriver.litres_at(name, settings.tanks[name].brim_m, as_of_ms).volume_l[0])
    if now.last_ms is None or now.last_quality is None:
        return _nothing(name, "unknown", f"the log has no reading of {sensor}", capacity_l)
    if now.last_quality == Quality.BLANKED:
        return _at_brim(settings, deriver, name, now.last_ms, as_of_ms, silent=silent)
    last_words = "nothing newer is in the log" if silent else f"{sensor}: {quality_words(now.last_quality)}"
    if now.t_ms is None or now.volume_l is None or now.volume_u_l is None:
        return _nothing(name, "unknown", last_words, capacity_l)
    old = (as_of_ms - now.t_ms) / 1000 > limit_s
    return TankLevel(
        name=name,
        state="last_known" if old else "measured",
        because=last_words if old else None,
        is_at_least=False,
        volume_l=now.volume_l,
        volume_u_l=now.volume_u_l,
        volume_low_l=max(0.0, now.volume_l - Z_95 * now.volume_u_l),
        volume_high_l=now.volume_l + Z_95 * now.volume_u_l,
        capacity_l=capacity_l,
        full_ratio=now.volume_l / capacity_l if capacity_l > 0 else None,
        depth_m=now.depth_m,
        depth_u_m=now.depth_u_m,
        freeboard_l=now.freeboard_l,
        usable_l=now.usable_l,
        measured_ms=now.t_ms,
        age_s=(as_of_ms - now.t_ms) / 1000,
    )


def doubted(level: TankLevel, sensor: str | None, sick: Mapping[str, Sickness]) -> TankLevel:
    """The same level, said to be doubtful where the sensor that measured it is sick."""
    if sensor is None or sensor not in sick or level.state not in ("measured", "at_least_brim"):
        return level
    return replace(level, state="doubtful", because=f"{sensor}: {sick[sensor].because}")


def total(levels: tuple[TankLevel, ...]) -> Total:
    """The sum over measured tanks. Their uncertainties are taken as independent of one another."""
    with_sensor = [level for level in levels if level.state != "no_sensor"]
    known = [level for level in with_sensor if level.volume_l is not None]
    unknown = tuple(level.name for level in with_sensor if level.volume_l is None)
    known_l = math.fsum(level.volume_l or 0.0 for level in known)
    at_least = any(level.is_at_least for level in known)
    whole = bool(known) and not unknown
    u_l = math.sqrt(math.fsum((level.volume_u_l or 0.0) ** 2 for level in known)) if whole else None
    return Total(
        volume_l=known_l if whole else None,
        volume_u_l=u_l,
        volume_low_l=None if u_l is None else max(0.0, known_l - Z_95 * u_l),
        volume_high_l=None if u_l is None or at_least else known_l + Z_95 * u_l,
        known_l=known_l,
        is_at_least=at_least,
        is_old=any(level.state == "last_known" for level in known),
        tanks=tuple(level.name for level in known),
        unknown_tanks=unknown,
    )


def _at_brim(
    settings: Settings, deriver: Deriver, name: str, last_ms: int, as_of_ms: int, *, silent: bool
) -> TankLevel:
    brim_m = settings.tanks[name].brim_m
    litres = deriver.litres_at(name, brim_m, last_ms)
    brim_l = float(litres.volume_l[0])
    return TankLevel(
        name=name,
        state="last_known" if silent else "at_least_brim",
        because="nothing newer is in the log" if silent else quality_words(Quality.BLANKED),
        is_at_least=True,
        volume_l=brim_l,
        volume_u_l=None,
        volume_low_l=brim_l,
        volume_high_l=None,
        capacity_l=brim_l,
        full_ratio=1.0,
        depth_m=brim_m,
        depth_u_m=None,
        freeboard_l=0.0,
        usable_l=float(litres.usable_l[0]),
        measured_ms=last_ms,
        age_s=(as_of_ms - last_ms) / 1000,
    )


def _nothing(name: str, state: str, because: str, capacity_l: float | None) -> TankLevel:
    return TankLevel(
        name=name,
        state=state,
        because=because,
        is_at_least=False,
        volume_l=None,
        volume_u_l=None,
        volume_low_l=None,
        volume_high_l=None,
        capacity_l=capacity_l,
        full_ratio=None,
        depth_m=None,
        depth_u_m=None,
        freeboard_l=None,
        usable_l=None,
        measured_ms=None,
        age_s=None,
    )
