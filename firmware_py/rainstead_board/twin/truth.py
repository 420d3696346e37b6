"""The site as it really is: what the twin knows and the settings can only estimate."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from rainstead.readings import F64, I64
from rainstead.settings import Catchment, FlowPulse, Ranger, Settings, Shape, Tank, TippingBucket
from rainstead_board.twin.weather import DAY_MS, winter_ratio

__all__ = ["TrueRoof", "TrueTank", "TwinSite", "sound_m_s"]

_TAP_RATIO = 60.0
"""What is open gives so many times the mean draw: 16 L/min where 380 L a day are used, some twelve times a day."""
_WANDER_H = (5, 17)
"""What the gap's air differs by takes new values so often, and goes straight from one to the next."""


def sound_m_s(air_c: F64, humidity_ratio: float) -> F64:
    """Speed of sound in air, m/s, at sea-level pressure.

    Dry: 331.3 m/s at 0 deg C and the root of the kelvin temperature. Humid: +0.16 % for each 1 % of the air
    that is vapour (from memory), vapour pressure by Magnus' formula (from memory).
    """
    air = np.asarray(air_c, dtype=np.float64)
    vapour_hpa = humidity_ratio * 6.112 * np.exp(17.62 * air / (243.12 + air))
    return np.asarray(331.3 * np.sqrt(1 + air / 273.15) * (1 + 0.16 * vapour_hpa / 1013.25))


@dataclass(frozen=True, slots=True, eq=False)
class TrueTank:
    """One tank's real shape, as a table fine enough to be taken for the curve, and its sensor's real place."""

    name: str
    depth_m: F64
    volume_l: F64
    brim_l: float
    outlet_l: float
    open_m2: float
    """Surface that rain falls into and evaporation leaves from, at the brim; 0 if covered."""
    sensor: str | None
    face_height_m: float
    sensor_offset_m: float
    """Added to every distance by this sensor, whatever the air."""
    humidity_ratio: float

    def depth_at(self, volume_l: F64) -> F64:
        """Depth above the floor datum, m."""
        return np.interp(volume_l, self.volume_l, self.depth_m)

    def surface_m2(self, volume_l: float) -> float:
        """Open surface at that volume; 0 if covered."""
        if self.open_m2 == 0:
            return 0.0
        return self._slope_m2(float(np.interp(volume_l, self.volume_l, self.depth_m)))

    def _slope_m2(self, depth_m: float) -> float:
        above, below = depth_m + 0.005, depth_m - 0.005
        rise_l = np.interp([below, above], self.depth_m, self.volume_l)
        inside = min(above, float(self.depth_m[-1])) - max(below, float(self.depth_m[0]))
        return float(rise_l[1] - rise_l[0]) / 1000 / inside


@dataclass(frozen=True, slots=True)
class TrueRoof:
    """One roof: how it really sheds water."""

    name: str
    area_m2: float
    runoff_ratio: float
    initial_loss_mm: float
    first_flush_l: float
    gutter_l_s: float
    """More than this shoots over the gutter."""
    shares: tuple[float, ...]
    """Of what leaves the gutter, to each tank, in the site's order of tanks."""


@dataclass(frozen=True, slots=True)
class TwinSite:
    """A site's physics. Tanks are in the order of the settings; indices point into it, -1 is the ground."""

    tanks: tuple[TrueTank, ...]
    roofs: tuple[TrueRoof, ...]
    order: tuple[int, ...]
    """Tanks from upstream to downstream along the overflow links."""
    downstream: tuple[int, ...]
    draw_l_day: tuple[float, ...]
    seepage_l_day: tuple[float, ...]
    evaporation_mm_day: float
    """Mean over the year; summer has more, winter less, night none."""
    roof_dry_s: float
    """After a dry gap longer than this a roof has to be wetted again."""
    flush_drains_s: float
    """After a dry gap longer than this the first-flush chamber is empty again."""
    pump_source: int
    pump_suction_l: float
    tip_mm: float
    bucket_start_mm: float
    pulses_per_l: float
    gap_warmer_c: float
    """By how much the air between sensor and water is warmer than the probe's air."""
    latitude_deg: float
    utc_offset_s: int
    seed: int
    sun_warms_gap_c: float = 0.0
    """By how much more at the most of a clear day, the sun being on the cover."""
    gap_wanders_c: float = 0.0
    """Standard deviation of what else the gap's air differs by; it drifts over hours."""
    ripple_mm: float = 0.0
    """Standard deviation of one echo on a windy afternoon, for the waves."""
    evaporation_varies_ratio: float = 0.0
    """By how much a clear day's evaporation is above the season's mean, and a dull day's below it."""

    @staticmethod
    def from_settings(
        settings: Settings,
        *,
        seed: int,
        runoff_ratio: Mapping[str, float] | None = None,
        initial_loss_mm: Mapping[str, float] | None = None,
        gutter_l_s: float = 3.0,
        volume_ratio: Mapping[str, float] | None = None,
        draw_l_day: Mapping[str, float] | None = None,
        seepage_l_day: Mapping[str, float] | None = None,
        evaporation_mm_day: float = 3.4,
        roof_dry_s: float | None = None,
        flush_drains_s: float = 43_200.0,
        tip_ratio: float = 1.0,
        k_factor_ratio: float = 1.0,
        gap_warmer_c: float = 0.5,
        sensor_offset_m: float | None = None,
        sun_warms_gap_c: float = 0.0,
        gap_wanders_c: float = 0.0,
        ripple_mm: float = 0.0,
        evaporation_varies_ratio: float = 0.0,
    ) -> "TwinSite":
        """The site that the settings describe, but for what is named here.

        By default the settings are right: roofs, shapes (`volume_ratio` 1), tip depth and K-factor are as set, no
        tank seeps, and the household draws 380 L a day from the first tank of the reserve (else the first tank).
        sensor_offset_m: of every ranger; by default drawn from the seed within half of the ranger's own `range_u`.
        roof_dry_s: the settings' storm gap by default, so that a roof is wetted once a storm.
        """
        rng = np.random.default_rng([seed, 7])
        names = tuple(settings.tanks)
        links = {link.source: names.index(link.to) for link in settings.overflows}
        downstream = tuple(links.get(name, -1) for name in names)
        if draw_l_day is None:
            first = settings.reserve.tanks[0] if settings.reserve else names[0]
            draw_l_day = {first: 380.0}
        tanks = []
        for name, tank in settings.tanks.items():
            ranger = settings.sensors.get(tank.sensor) if tank.sensor else None
            spread = float(rng.uniform(-0.5, 0.5))
            offset = sensor_offset_m
            if offset is None:
                offset = spread * ranger.range_u_m if isinstance(ranger, Ranger) else 0.0
            humidity = ranger.humidity_ratio if isinstance(ranger, Ranger) else 1.0
            tanks.append(_true_tank(name, tank, (volume_ratio or {}).get(name, 1.0), offset, humidity))
        gauge = settings.sensors.get(settings.rain.gauge) if settings.rain else None
        meter = settings.sensors.get(settings.pump.meter) if settings.pump and settings.pump.meter else None
        tip_mm = gauge.calibrations[-1].depth_per_tip_mm if isinstance(gauge, TippingBucket) else 0.2
        k_per_l = meter.calibrations[-1].k_factor_per_l if isinstance(meter, FlowPulse) else 1.0
        source = names.index(settings.pump.source) if settings.pump else -1
        suction_l = 0.0
        if settings.pump:
            suction_l = float(np.interp(settings.pump.suction_m, tanks[source].depth_m, tanks[source].volume_l))
        if roof_dry_s is None:
            roof_dry_s = settings.rain.storm_gap_s if settings.rain else 21_600.0
        return TwinSite(
            tanks=tuple(tanks),
            roofs=tuple(
                _true_roof(
                    name,
                    roof,
                    names,
                    runoff_ratio=runoff_ratio or {},
                    initial_loss_mm=initial_loss_mm or {},
                    gutter_l_s=gutter_l_s,
                )
                for name, roof in settings.catchments.items()
            ),
            order=_upstream_first(downstream),
            downstream=downstream,
            draw_l_day=tuple(draw_l_day.get(name, 0.0) for name in names),
            seepage_l_day=tuple((seepage_l_day or {}).get(name, 0.0) for name in names),
            evaporation_mm_day=evaporation_mm_day,
            roof_dry_s=roof_dry_s,
            flush_drains_s=flush_drains_s,
            pump_source=source,
            pump_suction_l=suction_l,
            tip_mm=tip_mm * tip_ratio,
            bucket_start_mm=float(rng.uniform(0, 1)) * tip_mm * tip_ratio,
            pulses_per_l=k_per_l * k_factor_ratio,
            gap_warmer_c=gap_warmer_c,
            latitude_deg=settings.site.latitude_deg,
            utc_offset_s=_standard_offset_s(settings.site.time_zone),
            seed=seed,
            sun_warms_gap_c=sun_warms_gap_c,
            gap_wanders_c=gap_wanders_c,
            ripple_mm=ripple_mm,
            evaporation_varies_ratio=evaporation_varies_ratio,
        )

    def evaporation_mm_d(self, t_ms: F64 | I64) -> F64:
        """Rate of evaporation, mm a day, at each moment: none at night, most at half past twelve."""
        hour = self._hour(t_ms)
        # The daylight half-sine lasts 13 h; its mean over 24 h is 13/24 · 2/pi.
        daylight = np.where((hour > 6) & (hour < 19), np.sin(math.pi * (hour - 6) / 13), 0.0)
        season = 1 - 0.6 * winter_ratio(t_ms, self.latitude_deg)
        weather = 1 + self.evaporation_varies_ratio * (2 * self._clear_ratio(t_ms) - 1)
        return np.asarray(self.evaporation_mm_day * season * weather * daylight / (13 / 24 * 2 / math.pi))

    def gap_extra_c(self, t_ms: F64 | I64) -> F64:
        """By how much the gap's air is warmer than the probe's, beside `gap_warmer_c`: the sun on the cover by day,
        gone soon after sunset, and a drift of some hours."""
        t = np.asarray(t_ms, dtype=np.float64)
        extra = np.zeros(t.shape)
        if self.sun_warms_gap_c:
            hour = self._hour(t)
            by_day = np.maximum(np.sin(math.pi * (hour - 7) / 13), 0.0) ** 1.5 * ((hour > 7) & (hour < 20))
            extra += self.sun_warms_gap_c * self._clear_ratio(t) * by_day
        if self.gap_wanders_c:
            for knot_h in _WANDER_H:
                place = t / (knot_h * 3_600_000)
                low = np.floor(place)
                ends = [2 * _chance(low + k, self.seed + 31 * knot_h) - 1 for k in (0, 1)]
                extra += self.gap_wanders_c * 1.5 * (ends[0] + (ends[1] - ends[0]) * (place - low))
        return extra

    def ripple_at_mm(self, t_ms: F64 | I64) -> F64:
        """Standard deviation of one echo for the waves: wind by day, more on some days than on others."""
        hour = self._hour(t_ms)
        wind = 0.15 + 0.85 * np.exp(-(((hour - 15) / 4) ** 2)) * _chance(self._day(t_ms), self.seed + 5)
        return np.asarray(self.ripple_mm * wind)

    def _clear_ratio(self, t_ms: F64 | I64) -> F64:
        """How clear the sky is that day, 0 to 1, by chance."""
        return _chance(self._day(t_ms), self.seed)

    def _day(self, t_ms: F64 | I64) -> F64:
        return np.asarray(np.floor((np.asarray(t_ms, dtype=np.float64) + self.utc_offset_s * 1000) / DAY_MS))

    def draw_ratio(self, t_ms: F64 | I64) -> F64:
        """Household draw at each moment, as a ratio of its mean: nought until somebody opens a tap, for two minutes.

        More often in the morning and evening, never while the house sleeps; days differ.
        """
        hour = self._hour(t_ms)
        shape = _daily_use(hour) / float(np.mean(_daily_use(np.arange(0, 24, 0.01))))
        often = shape * (1 + 0.25 * np.sin(2.4 * self._day(t_ms) + self.seed)) / _TAP_RATIO
        tap = np.floor(np.asarray(t_ms, dtype=np.float64) / 120_000)
        return np.where(_chance(tap, self.seed + 9) < often, _TAP_RATIO, 0.0)

    def _hour(self, t_ms: F64 | I64) -> F64:
        return np.asarray(((np.asarray(t_ms, dtype=np.float64) + self.utc_offset_s * 1000) % DAY_MS) / 3_600_000)


def _daily_use(hour: F64) -> F64:
    morning, evening = np.exp(-(((hour - 7.5) / 1.2) ** 2)), np.exp(-(((hour - 19.5) / 1.8) ** 2))
    awake = (hour > 5.5) & (hour < 22.75)
    return np.where(awake, 0.35 + 1.9 * morning + 2.2 * evening, 0.0)


def _chance(number: F64, seed: int) -> F64:
    """A figure from 0 to 1 for each whole number, the same for the same seed: by its bits, well stirred."""
    bits = np.asarray(number).astype(np.int64).astype(np.uint64) + np.uint64((seed * 0x9E3779B97F4A7C15) % 2**64)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        bits = (bits ^ (bits >> np.uint64(shift))) * np.uint64(factor)
    return np.asarray((bits ^ (bits >> np.uint64(31))).astype(np.float64) / 2.0**64)


def _standard_offset_s(time_zone: str) -> int:
    """Offset of the zone's standard time: the sun knows no summer time."""
    midyear = datetime(2026, 7, 1, 12, tzinfo=UTC).astimezone(ZoneInfo(time_zone))
    return int(((midyear.utcoffset() or timedelta()) - (midyear.dst() or timedelta())).total_seconds())


def _upstream_first(downstream: tuple[int, ...]) -> tuple[int, ...]:
    order: list[int] = []
    while len(order) < len(downstream):
        waiting = [k for k in range(len(downstream)) if k not in order]
        free = [k for k in waiting if not any(downstream[other] == k for other in waiting)]
        if not free:
            raise ValueError("the overflow links run in a circle")
        order += free
    return tuple(order)


def _true_roof(
    name: str,
    roof: Catchment,
    tanks: tuple[str, ...],
    *,
    runoff_ratio: Mapping[str, float],
    initial_loss_mm: Mapping[str, float],
    gutter_l_s: float,
) -> TrueRoof:
    return TrueRoof(
        name,
        roof.area_m2,
        runoff_ratio.get(name, roof.runoff_ratio),
        initial_loss_mm.get(name, roof.initial_loss_mm),
        roof.first_flush_l,
        gutter_l_s,
        tuple(roof.shares.get(tank, 0.0) for tank in tanks),
    )


def _true_tank(name: str, tank: Tank, volume_ratio: float, offset_m: float, humidity: float) -> TrueTank:
    depth_m, volume_l = _table(tank.calibrations[-1], tank.brim_m)
    volume_l = volume_l * volume_ratio
    at_brim = np.interp([tank.brim_m - 0.01, tank.brim_m], depth_m, volume_l)
    return TrueTank(
        name,
        depth_m,
        volume_l,
        brim_l=float(at_brim[1]),
        outlet_l=float(np.interp(tank.outlet_m, depth_m, volume_l)),
        open_m2=0.0 if tank.covered else float(at_brim[1] - at_brim[0]) / 1000 / 0.01,
        sensor=tank.sensor,
        face_height_m=tank.face_height_m if tank.face_height_m is not None else tank.brim_m + 0.4,
        sensor_offset_m=offset_m,
        humidity_ratio=humidity,
    )


def _table(shape: Shape, brim_m: float) -> tuple[F64, F64]:
    """Depths and volumes from the floor to the brim, integrated slice by slice where the walls are not upright."""
    if shape.shape == "strapping-table":
        pairs = np.array(shape.table, dtype=np.float64)
        return pairs[:, 0], pairs[:, 1]
    if shape.shape == "litres-per-centimetre":
        depth_m = np.array([shape.zero_depth_m, brim_m])
        return depth_m, (depth_m - shape.zero_depth_m) * 100 * shape.l_per_cm
    if shape.shape == "cylinder":
        depth_m = np.array([0.0, brim_m])
        return depth_m, depth_m * math.pi * (shape.diameter_m / 2) ** 2 * 1000
    if shape.shape == "cuboid":
        depth_m = np.array([0.0, brim_m])
        return depth_m, depth_m * shape.length_m * shape.width_m * 1000
    slices = 4000
    depth_m = np.linspace(0, brim_m, slices + 1)
    mid_m = (depth_m[:-1] + depth_m[1:]) / 2
    if shape.shape == "truncated-cone":
        wide_m = shape.bottom_diameter_m + (shape.top_diameter_m - shape.bottom_diameter_m) * (mid_m / shape.height_m)
        area_m2 = math.pi * wide_m**2 / 4
    else:
        radius_m = shape.diameter_m / 2
        area_m2 = shape.length_m * 2 * np.sqrt(np.maximum(radius_m**2 - (mid_m - radius_m) ** 2, 0))
    return depth_m, np.concatenate([[0.0], np.cumsum(area_m2 * 1000 * brim_m / slices)])
