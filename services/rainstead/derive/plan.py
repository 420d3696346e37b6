"""A site's settings made ready for the calculation: calibrations in order of date, alarm rules, shapes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead import alarms, calc
from rainstead.readings import F64, I64
from rainstead.settings import FlowPulse, Ranger, Settings, Shape, Tank, TippingBucket, since_ms

__all__ = [
    "Counter",
    "MeasuredTank",
    "air_or_assumed",
    "gauge_of",
    "latest_max_age_ms",
    "litres_of",
    "measured",
    "meter_of",
    "rules",
    "shape_in_force",
]

_AIR_UNKNOWN_U_C = 8.0
"""Standard uncertainty of the air where no probe speaks: half a day's swing."""


@dataclass(frozen=True, slots=True)
class MeasuredTank:
    """A tank with its ranger, its calibrations in order of date."""

    name: str
    tank: Tank
    sensor_name: str
    face_height_m: float
    ranger: Ranger
    since_ms: tuple[int, ...]
    shapes: tuple[calc.Volume, ...]
    u_ratios: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Counter:
    """A gauge or a meter: its name and its dated calibrations."""

    name: str
    since_ms: tuple[int, ...]
    factor: tuple[float, ...]
    u_ratios: tuple[float, ...]
    dead_times_s: tuple[float, ...]
    """Of a gauge, while its bucket moves; 0 for a meter."""


def measured(name: str, tank: Tank, settings: Settings) -> MeasuredTank:
    assert tank.sensor is not None and tank.face_height_m is not None
    ranger = settings.sensors[tank.sensor]
    assert isinstance(ranger, Ranger)
    zone = settings.site.time_zone
    dated = sorted(((since_ms(c.since, zone), c) for c in tank.calibrations), key=lambda pair: pair[0])
    return MeasuredTank(
        name=name,
        tank=tank,
        sensor_name=tank.sensor,
        face_height_m=tank.face_height_m,
        ranger=ranger,
        since_ms=tuple(since for since, _ in dated),
        shapes=tuple(_volume(shape) for _, shape in dated),
        u_ratios=tuple(shape.volume_u_ratio for _, shape in dated),
    )


def _volume(shape: Shape) -> calc.Volume:
    match shape.shape:
        case "cylinder":
            return calc.Cylinder(shape.diameter_m)
        case "cuboid":
            return calc.Cuboid(shape.length_m, shape.width_m)
        case "truncated-cone":
            return calc.TruncatedCone(shape.bottom_diameter_m, shape.top_diameter_m, shape.height_m)
        case "horizontal-cylinder":
            return calc.LyingCylinder(shape.diameter_m, shape.length_m)
        case "litres-per-centimetre":
            return calc.LitresPerCentimetre(shape.l_per_cm, shape.zero_depth_m)
        case "strapping-table":
            return calc.StrappingTable(tuple(d for d, _ in shape.table), tuple(v for _, v in shape.table))


def _litres(tank: MeasuredTank, period: I64, depth_m: F64) -> calc.TankLitres:
    """Litres by the calibration in force at each row."""
    parts = [
        calc.tank_litres(shape, depth_m, brim_m=tank.tank.brim_m, outlet_m=tank.tank.outlet_m) for shape in tank.shapes
    ]
    if len(parts) == 1:
        return parts[0]
    masks = [period == k for k in range(len(parts))]
    return calc.TankLitres(
        volume_l=np.select(masks, [p.volume_l for p in parts], np.nan),
        freeboard_l=np.select(masks, [p.freeboard_l for p in parts], np.nan),
        usable_l=np.select(masks, [p.usable_l for p in parts], np.nan),
        l_per_m=np.select(masks, [p.l_per_m for p in parts], np.nan),
    )


def litres_of(tank: MeasuredTank, t_ms: I64, depth_m: F64) -> tuple[calc.TankLitres, F64]:
    """Litres by the calibration in force at each time, and the relative standard uncertainty of that calibration."""
    period = calc.in_force(tank.since_ms, t_ms)
    return _litres(tank, period, depth_m), np.array(tank.u_ratios)[period]


def air_or_assumed(ranger: Ranger, air_c: F64) -> tuple[F64, F64]:
    """The air's temperature and its standard uncertainty; where no probe speaks (NaN), what the ranger assumes."""
    unknown = np.isnan(air_c)
    return np.where(unknown, ranger.assumed_air_c, air_c), np.where(unknown, _AIR_UNKNOWN_U_C, ranger.air_u_c)


def shape_in_force(tank: Tank, zone: str, t_ms: int) -> calc.Volume:
    """A tank's shape by the calibration in force at a time, measured or not."""
    dated = sorted(((since_ms(c.since, zone), c) for c in tank.calibrations), key=lambda pair: pair[0])
    period = calc.in_force(tuple(since for since, _ in dated), np.array([t_ms], dtype=np.int64))
    return _volume(dated[int(period[0])][1])


def rules(settings: Settings) -> tuple[alarms.LimitRule | None, alarms.LimitRule | None]:
    overflow, low = settings.alarms.overflow_risk, settings.alarms.low_reserve
    overflow_rule = reserve_rule = None
    if overflow is not None:
        overflow_rule = alarms.LimitRule(
            limit=overflow.freeboard_l,
            deadband=overflow.deadband_l,
            on_delay_ms=round(overflow.on_delay_s * 1000),
            off_delay_ms=round(overflow.off_delay_s * 1000),
        )
    if low is not None and settings.reserve is not None:
        reserve_rule = alarms.LimitRule(
            limit=settings.reserve.fire_l + low.margin_l,
            deadband=low.deadband_l,
            on_delay_ms=round(low.on_delay_s * 1000),
            off_delay_ms=round(low.off_delay_s * 1000),
        )
    return overflow_rule, reserve_rule


def latest_max_age_ms(tanks: Sequence[MeasuredTank]) -> int:
    """A tank's litres count towards the reserve for this long after its last good reading."""
    slowest_s = max((tank.ranger.every_s for tank in tanks), default=0.0)
    return round(max(600.0, 5 * slowest_s) * 1000)


def gauge_of(settings: Settings) -> Counter | None:
    """The gauge of `[rain]`, its depth per tip in order of date."""
    if settings.rain is None:
        return None
    gauge = settings.sensors[settings.rain.gauge]
    assert isinstance(gauge, TippingBucket)
    zone = settings.site.time_zone
    dated = sorted((since_ms(c.since, zone), c.depth_per_tip_mm, c.u_ratio, c.dead_time_s) for c in gauge.calibrations)
    return Counter(settings.rain.gauge, *zip(*dated, strict=True))


def meter_of(settings: Settings) -> Counter | None:
    """The meter of `[pump]`, its pulses per litre in order of date."""
    if settings.pump is None or settings.pump.meter is None:
        return None
    meter = settings.sensors[settings.pump.meter]
    assert isinstance(meter, FlowPulse)
    zone = settings.site.time_zone
    dated = sorted((since_ms(c.since, zone), c.k_factor_per_l, c.u_ratio, 0.0) for c in meter.calibrations)
    return Counter(settings.pump.meter, *zip(*dated, strict=True))
