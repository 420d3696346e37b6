"""What no single key can show: the mistakes that people really make between one table and another."""

import math
from collections import Counter
from collections.abc import Iterator
from zoneinfo import ZoneInfo, available_timezones

from .dates import ALWAYS_MS, since_ms
from .mistakes import HIDDEN, Mistake, as_typed, near
from .model import (
    BinaryRanger,
    FlowPulse,
    LitresPerCmShape,
    LyingCylinderShape,
    OneWireProbe,
    Ranger,
    Settings,
    StrappingShape,
    Tank,
    TextRanger,
    TippingBucket,
)

__all__ = ["cross_mistakes"]

_HAIR_M = 1e-9
"""Lengths typed in different units may differ by the last bit and are meant to be the same."""


def cross_mistakes(settings: Settings, now_ms: int | None) -> list[Mistake]:
    """All mistakes between keys. now_ms: later than this is the future; None asks no such question."""
    found = list(_zone(settings))
    zone_is_good = not found
    found += _lines(settings)
    found += _ports(settings)
    found += _sensors(settings)
    for name, tank in settings.tanks.items():
        found += _tank(settings, name, tank)
    found += _tank_sensors(settings)
    found += _catchments(settings)
    found += _overflows(settings)
    found += _covers(settings)
    found += _references(settings)
    found += _reserve(settings)
    found += _messages(settings)
    if zone_is_good:
        found += _dates(settings, now_ms)
    return found


def _zone(settings: Settings) -> Iterator[Mistake]:
    zone = settings.site.time_zone
    try:
        ZoneInfo(zone)
    except (KeyError, OSError, ValueError):  # unknown, empty, a path, or no zone rules on this machine
        hint = near(zone, available_timezones()) or "; use a name like Europe/Lisbon"
        yield Mistake("site.time_zone", as_typed(zone), f"there is no such time zone{hint}")


def _lines(settings: Settings) -> Iterator[Mistake]:
    users: dict[int, list[str]] = {}
    for name, sensor in settings.sensors.items():
        for key in ("gpio", "trigger_gpio", "echo_gpio"):
            line = getattr(sensor, key, None)
            if line is not None:
                users.setdefault(line, []).append(f"sensors.{name}.{key}")
    if settings.lamp is not None:
        users.setdefault(settings.lamp.gpio, []).append("lamp.gpio")
    for line, keys in sorted(users.items()):
        for key in keys[1:]:
            yield Mistake(key, str(line), f"GPIO line {line} is also {keys[0]}; a line serves one thing, use another")


def _ports(settings: Settings) -> Iterator[Mistake]:
    users: dict[str, str] = {}
    for name, sensor in settings.sensors.items():
        if isinstance(sensor, BinaryRanger | TextRanger):
            key = f"sensors.{name}.port"
            if sensor.port in users:
                yield Mistake(
                    key, as_typed(sensor.port), f"is also {users[sensor.port]}; each sensor needs its own port"
                )
            users.setdefault(sensor.port, key)


def _sensors(settings: Settings) -> Iterator[Mistake]:
    for name, sensor in settings.sensors.items():
        key = f"sensors.{name}"
        if isinstance(sensor, Ranger):
            if sensor.median_of % 2 == 0:
                yield Mistake(f"{key}.median_of", str(sensor.median_of), "must be odd, so that there is a middle one")
            if sensor.burst_s > sensor.every_s:
                yield Mistake(
                    f"{key}.burst", f"{sensor.burst_s:g} s", f"must not be longer than every ({sensor.every_s:g} s)"
                )
            if sensor.max_range_m <= sensor.blanking_m:
                yield Mistake(f"{key}.max_range", f"{sensor.max_range_m:g} m", "must be more than blanking")
            for k, mark_m in enumerate(sensor.false_echoes_m):
                if mark_m > sensor.max_range_m:
                    said = f"is farther than max_range ({sensor.max_range_m:g} m), where nothing is heard; leave it out"
                    yield Mistake(f"{key}.false_echoes[{k}]", f"{mark_m:g} m", said)
            if sensor.air is not None:
                yield from _named(settings, f"{key}.air", sensor.air, OneWireProbe, "a one-wire probe")
        if isinstance(sensor, FlowPulse):
            for k, one in enumerate(sensor.calibrations):
                if one.flow_min_l_min is not None and (one.flow_max_l_min or math.inf) <= one.flow_min_l_min:
                    said = f"must be more than flow_min_l_min ({one.flow_min_l_min:g})"
                    yield Mistake(f"{key}.calibrations[{k}].flow_max_l_min", f"{one.flow_max_l_min:g}", said)
        if isinstance(sensor, TippingBucket) and sensor.closest_tips_s < sensor.bounce_s:
            yield Mistake(
                f"{key}.closest_tips",
                f"{sensor.closest_tips_s:g} s",
                f"must not be shorter than bounce ({sensor.bounce_s:g} s)",
            )


def _tank(settings: Settings, name: str, tank: Tank) -> Iterator[Mistake]:
    key, brim = f"tanks.{name}", f"{tank.brim_m:g} m"
    if tank.outlet_m >= tank.brim_m:
        yield Mistake(f"{key}.outlet", f"{tank.outlet_m:g} m", f"must be below the brim ({brim})")
    for k, shape in enumerate(tank.calibrations):
        yield from _shape(f"{key}.calibrations[{k}]", tank, shape)
    if tank.sensor is None:
        return
    sensor = settings.sensors.get(tank.sensor)
    if not isinstance(sensor, Ranger):
        yield from _named(settings, f"{key}.sensor", tank.sensor, Ranger, "a level ranger")
        return
    if tank.face_height_m is None:
        yield Mistake(f"{key}.face_height", "", "is missing; measure from the floor datum up to the sensor's face")
        return
    face = f"{tank.face_height_m:g} m"
    if tank.brim_m > tank.face_height_m + _HAIR_M:
        yield Mistake(f"{key}.brim", brim, f"is above the sensor face ({face}); mend one, or raise the sensor")
    elif tank.brim_m > tank.face_height_m - sensor.blanking_m + _HAIR_M:
        yield Mistake(
            f"{key}.brim",
            brim,
            f"is inside the blanking distance ({sensor.blanking_m:g} m below the face at {face}), where it is blind; "
            f"raise the sensor to {_mm_up(tank.brim_m + sensor.blanking_m)} m or more",
        )
    if sensor.max_range_m < tank.face_height_m - _HAIR_M:
        yield Mistake(
            f"sensors.{tank.sensor}.max_range",
            f"{sensor.max_range_m:g} m",
            f"does not reach from the face in tank {name} ({face}) to its floor; lower the sensor or use another",
        )


def _shape(key: str, tank: Tank, shape: object) -> Iterator[Mistake]:
    if isinstance(shape, LyingCylinderShape) and shape.diameter_m < tank.brim_m - _HAIR_M:
        said = f"is less than the brim ({tank.brim_m:g} m); mend one of them"
        yield Mistake(f"{key}.diameter", f"{shape.diameter_m:g} m", said)
    if isinstance(shape, LitresPerCmShape) and shape.zero_depth_m >= tank.brim_m:
        yield Mistake(f"{key}.zero_depth", f"{shape.zero_depth_m:g} m", f"must be below the brim ({tank.brim_m:g} m)")
    if not isinstance(shape, StrappingShape):
        return
    for k, ((depth, volume), (deeper, more)) in enumerate(zip(shape.table, shape.table[1:], strict=False)):
        if deeper <= depth:
            yield Mistake(
                f"{key}.table[{k + 1}]",
                f"{deeper:g} m",
                f"depths must rise from pair to pair; {depth:g} m is before it",
            )
        elif more < volume:
            yield Mistake(f"{key}.table[{k + 1}]", f"{more:g} L", f"volumes must not fall; {volume:g} L is before it")
    if shape.table[0][0] < 0 or shape.table[0][1] < 0:
        yield Mistake(f"{key}.table[0]", as_typed(list(shape.table[0])), "neither depth nor volume can be below nought")
    end_m = max(depth for depth, _ in shape.table)
    if end_m < tank.brim_m - _HAIR_M:
        yield Mistake(
            f"{key}.table",
            f"[… {end_m:g} m]",
            f"ends below the brim ({tank.brim_m:g} m), and nothing is guessed beyond a table; measure up to the brim",
        )


def _tank_sensors(settings: Settings) -> Iterator[Mistake]:
    users: dict[str, str] = {}
    for name, tank in settings.tanks.items():
        if tank.sensor is None:
            continue
        if tank.sensor in users:
            yield Mistake(
                f"tanks.{name}.sensor",
                as_typed(tank.sensor),
                f"is also the sensor of tank {users[tank.sensor]}; name its own",
            )
        users.setdefault(tank.sensor, name)


def _catchments(settings: Settings) -> Iterator[Mistake]:
    for name, roof in settings.catchments.items():
        for tank in roof.shares:
            if tank not in settings.tanks:
                yield _no_tank(f"catchments.{name}.shares.{tank}", tank, settings)
        total = sum(roof.shares.values())
        if total > 1 + 1e-9:
            yield Mistake(
                f"catchments.{name}.shares", f"{total:g}", "the shares of one roof must not add to more than 1"
            )


def _overflows(settings: Settings) -> Iterator[Mistake]:
    follows: dict[str, str] = {}
    for k, link in enumerate(settings.overflows):
        for key, tank in (("from", link.source), ("to", link.to)):
            if tank not in settings.tanks:
                yield _no_tank(f"overflows[{k}].{key}", tank, settings)
        if link.source in follows:
            yield Mistake(
                f"overflows[{k}].from", as_typed(link.source), "this tank overflows already; it can have one link"
            )
        follows.setdefault(link.source, link.to)
    told: set[str] = set()
    for start in follows:
        path = [start]
        while path[-1] in follows and len(path) <= len(follows) + 1:
            path.append(follows[path[-1]])
            if path[-1] == start:
                if not told & set(path):
                    said = "from a tank to itself" if len(path) == 2 else "in a loop"
                    yield Mistake("overflows", " -> ".join(path), f"water cannot overflow {said}; remove one link")
                told |= set(path)
                break


def _covers(settings: Settings) -> Iterator[Mistake]:
    for name, tank in settings.tanks.items():
        if tank.covered and tank.open_area_m2:
            yield Mistake(
                f"tanks.{name}.open_area",
                f"{tank.open_area_m2:g} m2",
                "the tank is covered; leave it out, or say covered = false",
            )


def _references(settings: Settings) -> Iterator[Mistake]:
    if settings.rain is not None:
        yield from _named(settings, "rain.gauge", settings.rain.gauge, TippingBucket, "a tipping bucket")
    household, evaporation, pump = settings.household, settings.evaporation, settings.pump
    if household is not None and household.tank not in settings.tanks:
        yield _no_tank("household.tank", household.tank, settings)
    if evaporation is not None and evaporation.air is not None:
        yield from _named(settings, "evaporation.air", evaporation.air, OneWireProbe, "a temperature probe")
    if pump is None:
        return
    if pump.to is not None and pump.to not in settings.tanks:
        yield _no_tank("pump.to", pump.to, settings)
    elif pump.to == pump.source:
        yield Mistake(
            "pump.to", as_typed(pump.source), "is also pump.source; leave it out where the pump feeds the hose"
        )
    if pump.meter is not None:
        yield from _named(settings, "pump.meter", pump.meter, FlowPulse, "a flow meter")
    if pump.source not in settings.tanks:
        yield _no_tank("pump.source", pump.source, settings)
    elif pump.suction_m >= settings.tanks[pump.source].brim_m:
        yield Mistake("pump.suction", f"{pump.suction_m:g} m", f"must be below the brim of tank {pump.source}")


def _reserve(settings: Settings) -> Iterator[Mistake]:
    reserve = settings.reserve
    if reserve is not None:
        for tank, count in Counter(reserve.tanks).items():
            if tank not in settings.tanks:
                yield _no_tank("reserve.tanks", tank, settings)
            elif count > 1:
                yield Mistake("reserve.tanks", as_typed(tank), f"is named {count} times; once is enough")
            elif settings.tanks[tank].sensor is None:
                yield Mistake(
                    "reserve.tanks", as_typed(tank), "has no level sensor, so its litres are not known; leave it out"
                )
    if settings.alarms.low_reserve is not None and reserve is None:
        yield Mistake("alarms.low_reserve", "", "needs a [reserve] table with the litres that must stay")
    if settings.alarms.overflow_risk is not None and not any(tank.sensor for tank in settings.tanks.values()):
        yield Mistake(
            "alarms.overflow_risk", "", "no tank has a level sensor, so nothing can be watched; give one a sensor"
        )


def _messages(settings: Settings) -> Iterator[Mistake]:
    if settings.messages is None:
        return
    channels = settings.messages.channels
    if all(one.after_s is not None for one in channels.values()):
        name = next(iter(channels))
        yield Mistake(
            f"messages.channels.{name}.after",
            f"{channels[name].after_s:g} s",
            "no channel is left that gets alarms at once; leave it out of one",
        )
    users: dict[str, str] = {}
    for name, one in channels.items():
        key = f"messages.channels.{name}.address_file"
        if "://" in one.address_file:
            yield Mistake(key, HIDDEN, "is an address; put that into a file of its own, and name the file here")
        elif one.address_file in users:
            yield Mistake(key, as_typed(one.address_file), f"is also {users[one.address_file]}; each needs its own")
        users.setdefault(one.address_file, key)
    every_s = settings.messages.test_every_s
    if 0 < every_s < 3600:
        yield Mistake("messages.test_every", f"{every_s:g} s", "must be an hour or more, or 0 for no tests")


def _dates(settings: Settings, now_ms: int | None) -> Iterator[Mistake]:
    dated = [(f"tanks.{name}", [c.since for c in tank.calibrations]) for name, tank in settings.tanks.items()]
    for name, sensor in settings.sensors.items():
        if isinstance(sensor, TippingBucket | FlowPulse):
            dated.append((f"sensors.{name}", [c.since for c in sensor.calibrations]))
    for key, whens in dated:
        seen: dict[int, int] = {}
        for k, when in enumerate(whens):
            at_ms = since_ms(when, settings.site.time_zone)
            here = f"{key}.calibrations[{k}].from"
            if at_ms in seen and at_ms == ALWAYS_MS:
                yield Mistake(here, "", "is missing; only one calibration can do without a date")
            elif at_ms in seen:
                yield Mistake(
                    here, as_typed(when), f"is also the date of calibrations[{seen[at_ms]}]; each needs its own"
                )
            elif now_ms is not None and at_ms > now_ms:
                yield Mistake(here, as_typed(when), "lies in the future; a calibration holds from when it was measured")
            seen.setdefault(at_ms, k)


def _named(settings: Settings, key: str, name: str, kind: object, said: str) -> Iterator[Mistake]:
    """A reference to a sensor of one kind."""
    sensor = settings.sensors.get(name)
    if sensor is None:
        fitting = [other for other, one in settings.sensors.items() if isinstance(one, kind)]  # type: ignore[arg-type]
        hint = near(name, fitting) or f"; name {said} from [sensors]"
        yield Mistake(key, as_typed(name), f"there is no such sensor{hint}")
    elif not isinstance(sensor, kind):  # type: ignore[arg-type]
        yield Mistake(key, as_typed(name), f"is a {sensor.kind}; name {said} instead")


def _mm_up(length_m: float) -> str:
    """A length in metres, rounded up to the millimetre: doing what the message says must be enough."""
    return f"{math.ceil(length_m * 1000 - 1e-6) / 1000:g}"


def _no_tank(key: str, name: str, settings: Settings) -> Mistake:
    hint = near(name, settings.tanks) or f"; the tanks are {', '.join(settings.tanks)}"
    return Mistake(key, as_typed(name), f"there is no such tank{hint}")
