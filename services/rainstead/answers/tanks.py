"""Each tank in full, and its days."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from rainstead import calc
from rainstead.derive import AIR_MAX_AGE_MS, Deriver
from rainstead.errors import RainsteadError
from rainstead.log import ReadingSource
from rainstead.readings import F64, I64, Quality
from rainstead.replay import state_at
from rainstead.settings import Ranger, Settings, Shape, Tank, since_ms

from .answer import Answer, head
from .days import day_start_ms, local_date
from .levels import TankLevel, tank_level

__all__ = ["CalibrationInForce", "TankDay", "TankDetail", "TankUnknown", "TanksAnswer", "tanks"]

Progress = Callable[[int], None]


class TankUnknown(RainsteadError, KeyError):
    """No tank of this name is in the settings."""

    __str__ = Exception.__str__  # KeyError would put the message in quotation marks


@dataclass(frozen=True, slots=True)
class CalibrationInForce:
    """What turns depth into litres at this time. from_ms is None where it holds from the beginning."""

    from_ms: int | None
    shape: str
    described: str
    volume_u_ratio: float


@dataclass(frozen=True, slots=True)
class TankDay:
    """Litres over one day of the site's calendar, by the median of a few good readings; None where there were none."""

    day: str
    start_ms: int
    volume_min_l: float | None
    volume_max_l: float | None
    volume_last_l: float | None
    readings: int


@dataclass(frozen=True, slots=True)
class TankDetail:
    """One tank. air_c is the temperature that the newest level was worked out with; assumed where no probe spoke."""

    level: TankLevel
    sensor: str | None
    face_height_m: float | None
    brim_m: float
    outlet_m: float
    dead_storage_l: float | None
    is_covered: bool
    calibration: CalibrationInForce | None
    air_c: float | None
    air_is_assumed: bool | None
    days: tuple[TankDay, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TanksAnswer(Answer):
    """All tanks, or the one that was asked for."""

    tanks: tuple[TankDetail, ...]


def tanks(
    settings: Settings,
    reader: ReadingSource,
    as_of_ms: int,
    *,
    only: str | None = None,
    days: int = 0,
    progress: Progress | None = None,
) -> TanksAnswer:
    """Details of the tanks; with days, a row for each of the last so many calendar days, today among them.

    Raises TankUnknown.
    """
    if only is not None and only not in settings.tanks:
        raise TankUnknown(_did_you_mean(only, settings))
    deriver = Deriver(settings)
    state = state_at(reader, deriver, upto_ms=as_of_ms, progress=progress)
    carried = dict(zip(deriver.tank_names, state.tanks, strict=True))
    names = list(settings.tanks) if only is None else [only]
    history = _history(settings, reader, deriver, names, as_of_ms, days) if days else {}
    details = []
    for name in names:
        tank = settings.tanks[name]
        now = carried[name].now if name in carried else None
        level = tank_level(settings, deriver, name, now, as_of_ms)
        at_ms = as_of_ms if level.measured_ms is None else level.measured_ms
        air_c, assumed = (
            (None, None) if now is None or now.t_ms is None else _air(settings, reader, deriver, name, now.t_ms)
        )
        details.append(
            TankDetail(
                level=level,
                sensor=tank.sensor,
                face_height_m=tank.face_height_m,
                brim_m=tank.brim_m,
                outlet_m=tank.outlet_m,
                dead_storage_l=float(deriver.litres_at(name, tank.outlet_m, at_ms).volume_l[0]) if now else None,
                is_covered=tank.covered,
                calibration=_in_force(settings, tank, at_ms),
                air_c=air_c,
                air_is_assumed=assumed,
                days=history.get(name, ()),
            )
        )
    return TanksAnswer(**head(settings, reader, as_of_ms), tanks=tuple(details))


def _did_you_mean(typed: str, settings: Settings) -> str:
    import difflib

    names = sorted(settings.tanks)
    close = difflib.get_close_matches(typed.lower(), names, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]}? " if close else ""
    return f"there is no tank {typed!r}; {hint}The tanks are: {', '.join(names)}"


def _in_force(settings: Settings, tank: Tank, at_ms: int) -> CalibrationInForce | None:
    zone = settings.site.time_zone
    dated = sorted(((since_ms(c.since, zone), c) for c in tank.calibrations), key=lambda pair: pair[0])
    which = int(calc.in_force(tuple(since for since, _ in dated), np.array([at_ms], dtype=np.int64))[0])
    since, shape = dated[which]
    return CalibrationInForce(
        from_ms=None if shape.since is None else since,
        shape=shape.shape,
        described=_described(shape),
        volume_u_ratio=shape.volume_u_ratio,
    )


def _described(shape: Shape) -> str:
    match shape.shape:
        case "cylinder":
            return f"upright, {shape.diameter_m:.2f} m across"
        case "cuboid":
            return f"{shape.length_m:.2f} m by {shape.width_m:.2f} m"
        case "truncated-cone":
            return (
                f"{shape.bottom_diameter_m:.2f} m across below, {shape.top_diameter_m:.2f} m at {shape.height_m:.2f} m"
            )
        case "horizontal-cylinder":
            return f"lying, {shape.diameter_m:.2f} m across, {shape.length_m:.2f} m long"
        case "litres-per-centimetre":
            return f"{shape.l_per_cm:.1f} L per centimetre above {shape.zero_depth_m:.2f} m"
        case "strapping-table":
            return f"{len(shape.table)} pairs, {shape.table[0][0]:.2f} m to {shape.table[-1][0]:.2f} m"


def _air(
    settings: Settings, reader: ReadingSource, deriver: Deriver, name: str, t_ms: int
) -> tuple[float | None, bool | None]:
    """The air temperature used for the level measured at a time, and whether it was assumed."""
    sensor = settings.tanks[name].sensor
    assert sensor is not None
    ranger = settings.sensors[sensor]
    assert isinstance(ranger, Ranger)
    if ranger.air is None:
        return ranger.assumed_air_c, True
    state = deriver.start()
    used = float("nan")
    for batch in reader.batches(after_ms=t_ms - AIR_MAX_AGE_MS - 1, upto_ms=t_ms, sensors=[sensor, ranger.air]):
        state, derived = deriver.advance(state, batch)
        rows = next(rows for rows in derived.levels if rows.tank == name)
        if len(rows.air_c):
            used = float(rows.air_c[-1])
    return (ranger.assumed_air_c, True) if np.isnan(used) else (used, False)


def _history(
    settings: Settings, reader: ReadingSource, deriver: Deriver, names: list[str], as_of_ms: int, days: int
) -> dict[str, tuple[TankDay, ...]]:
    zone = settings.site.time_zone
    last_day = local_date(as_of_ms, zone)
    dates = [last_day - timedelta(days=back) for back in reversed(range(days))]
    bounds = np.array([day_start_ms(day, zone) for day in [*dates, last_day + timedelta(days=1)]], dtype=np.int64)
    measured = [tank for tank in deriver.tanks if tank.name in names]
    wanted = [tank.sensor_name for tank in measured] + [tank.ranger.air for tank in measured if tank.ranger.air]
    stamps: dict[str, list[I64]] = {tank.name: [] for tank in measured}
    litres: dict[str, list[F64]] = {tank.name: [] for tank in measured}
    state = deriver.start()
    # Begins early enough for the air temperature that the first readings of the first day need.
    first_ms = int(bounds[0]) - AIR_MAX_AGE_MS - 1
    for batch in reader.batches(after_ms=first_ms, upto_ms=as_of_ms, sensors=wanted):
        state, derived = deriver.advance(state, batch)
        for rows in derived.levels:
            if rows.tank in stamps:
                good = (rows.quality == Quality.OK) & ~np.isnan(rows.volume_l)
                stamps[rows.tank].append(rows.t_ms[good])
                litres[rows.tank].append(rows.volume_l[good])
    found: dict[str, tuple[TankDay, ...]] = {}
    for tank in measured:
        t_ms = np.concatenate([np.zeros(0, dtype=np.int64), *stamps[tank.name]])
        volume_l = np.concatenate([np.zeros(0), *litres[tank.name]])
        _, steady_l = calc.running_median(calc.MEDIAN_START, volume_l, tank.ranger.median_of)
        cuts = np.searchsorted(t_ms, bounds, side="left")
        found[tank.name] = tuple(
            _day(str(day), int(start_ms), steady_l[low:high])
            for day, start_ms, low, high in zip(dates, bounds[:-1], cuts[:-1], cuts[1:], strict=True)
        )
    return found


def _day(day: str, start_ms: int, steady_l: F64) -> TankDay:
    if not len(steady_l):
        return TankDay(day, start_ms, None, None, None, 0)
    return TankDay(day, start_ms, float(steady_l.min()), float(steady_l.max()), float(steady_l[-1]), len(steady_l))
