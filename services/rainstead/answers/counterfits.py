"""Pulses per litre and depth per tip, fitted from known volumes, against those in force."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead import calc
from rainstead.calc import desk
from rainstead.calc.desk import Answered, Estimate, KPoint, Pour, Unknown
from rainstead.derive import Counter, gauge_of, meter_of
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.settings import Settings
from rainstead.units import DURATION_S, LENGTH_M, VOLUME_L

from .answer import Answer, head
from .days import local, local_date
from .filling import LeftOut
from .fitting import Compared, compared
from .typed import Refused, read_quantity

__all__ = ["CurvePoint", "GaugeFit", "MeterFit", "PourLine", "bucket_fit", "gauge_fit", "runs_fit"]

Progress = Callable[[int], None]
VESSEL_U_RATIO: Final = 0.005
"""Relative standard uncertainty of a vessel's mark, 0.1 L of 20 L: common practice."""
MARK_U_RATIO: Final = 0.003
"""Of filling it to that mark once more: common practice."""
FUNNEL_U_M: Final = 0.0005
"""Of a funnel's mean diameter by rule: common practice."""
_STILL_MS: Final = 15 * 60_000
_SETTLES_MS: Final = 4 * 60_000
_FALL_TOLD: Final = 10


@dataclass(frozen=True, slots=True)
class PourLine:
    """A known volume and its pulses. k_u_per_l: what is new in it; what all share is in the fit only."""

    label: str
    volume_l: float
    pulses: int
    k_per_l: float
    k_u_per_l: float
    flow_l_min: float | None
    is_odd: bool


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Pulses per litre at one flow."""

    flow_l_min: float
    k_per_l: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterFit(Answer):
    """by: `bucket` or `tank`. slope_per_l: change of pulses per litre for each e-fold of flow.

    curve: pulses per litre at the least, a middle and the highest flow; empty where flow makes no difference that can
    be told.
    """

    meter: str
    by: str
    k_per_l: Answered
    in_force: Compared | None
    slope_per_l: Answered
    curve: tuple[CurvePoint, ...]
    contradict: bool
    pours: tuple[PourLine, ...]
    left_out: tuple[LeftOut, ...]
    toml: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFit(Answer):
    """tip_ml: millilitres of one tip, by the fit. poured_l and funnel_m as typed."""

    gauge: str
    depth_per_tip_mm: Answered
    in_force: Compared | None
    tip_ml: float | None
    poured_l: float
    funnel_m: float
    tips: tuple[int, ...]
    toml: str | None


def bucket_fit(
    settings: Settings,
    reader: ReadingSource | None,
    as_of_ms: int,
    volumes: Sequence[str],
    pulses: Sequence[int],
    seconds: Sequence[str] = (),
    *,
    u: str | None = None,
) -> MeterFit:
    """From buckets filled through the meter. One volume stands for all; one time for each, or none. Raises Refused."""
    counter = _meter(settings)
    litres = [read_quantity(one, VOLUME_L, "--volume") for one in volumes]
    if any(one <= 0 for one in litres):
        raise Refused(f"--volume {volumes[0]!r}: must be more than nothing")
    if not pulses:
        raise Refused("--pulses: give the pulses that were counted, once for each bucket")
    if any(one < 0 for one in pulses):
        raise Refused(f"--pulses {min(pulses)}: a count is not below 0")
    if len(litres) not in (1, len(pulses)):
        raise Refused(
            f"--volume: {len(litres)} volumes and {len(pulses)} counts; give one volume, or one for each count"
        )
    if len(litres) == 1:
        litres *= len(pulses)
    lasted = [read_quantity(one, DURATION_S, "--time") for one in seconds]
    if (lasted and len(lasted) != len(pulses)) or any(one <= 0 for one in lasted):
        raise Refused(f"--time: {len(lasted)} times for {len(pulses)} counts; give one above 0 for each, or none")
    typed_u = None if u is None else read_quantity(u, VOLUME_L, "--u")
    if typed_u is not None and not 0 < typed_u < min(litres):
        raise Refused(f"--u {u!r}: a standard uncertainty lies above 0 and below the volume")
    u_ratio = VESSEL_U_RATIO if typed_u is None else typed_u / litres[0]
    points = [
        KPoint(f"bucket {k + 1}", volume, MARK_U_RATIO * volume, count, None if not lasted else 60 * volume / lasted[k])
        for k, (volume, count) in enumerate(zip(litres, pulses, strict=True))
    ]
    return _meter_answer(settings, reader, as_of_ms, counter, "bucket", points, u_ratio, ())


def runs_fit(
    settings: Settings, reader: ReadingSource, as_of_ms: int, notes: Notes, *, progress: Progress | None = None
) -> MeterFit:
    """From pump runs in the log against the fall of the tank that they drew from. Raises Refused."""
    counter = _meter(settings)
    assert settings.pump is not None
    span = reader.span_ms()
    first_ms = as_of_ms if span is None else min(span[0] - 1, as_of_ms)
    evidence = gather(settings, reader, notes, from_ms=first_ms, upto_ms=as_of_ms, progress=progress)
    if settings.pump.source not in evidence.tanks:
        raise Refused(
            f"tank {settings.pump.source} has no sensor to measure its fall by; "
            "use a bucket: fit meter --volume 20L --pulses N"
        )
    points, left, shared = _run_points(settings, evidence, settings.pump.source)
    return _meter_answer(settings, reader, as_of_ms, counter, "tank", points, shared, tuple(left))


def gauge_fit(
    settings: Settings,
    reader: ReadingSource | None,
    as_of_ms: int,
    poured: str,
    funnel: str,
    tips: Sequence[int],
    *,
    u: str | None = None,
    funnel_u: str | None = None,
    on_tips: bool = False,
) -> GaugeFit:
    """From a volume poured slowly through the funnel, once or several times. Raises Refused."""
    counter = gauge_of(settings)
    if counter is None:
        raise Refused("the settings have no [rain] table with a gauge; add one to fit its depth per tip")
    volume_l = read_quantity(poured, VOLUME_L, "--poured")
    funnel_m = read_quantity(funnel, LENGTH_M, "--funnel")
    if not 0 < volume_l <= 100:
        raise Refused(f"--poured {poured!r}: must lie above 0 and up to 100 L")
    if not 0.02 <= funnel_m <= 2:
        raise Refused(f"--funnel {funnel!r}: its diameter must lie between 20 mm and 2 m")
    volume_u_l = VESSEL_U_RATIO * volume_l if u is None else read_quantity(u, VOLUME_L, "--u")
    funnel_u_m = FUNNEL_U_M if funnel_u is None else read_quantity(funnel_u, LENGTH_M, "--funnel-u")
    if not 0 <= volume_u_l < volume_l or not 0 <= funnel_u_m < funnel_m:
        raise Refused("--u and --funnel-u: a standard uncertainty is not below 0, and below the value itself")
    if any(one < 0 for one in tips):
        raise Refused(f"--tips {min(tips)}: a count is not below 0")
    pour = Pour(volume_l, volume_u_l, funnel_m, funnel_u_m, tuple(tips), on_tips)
    fitted = desk.depth_per_tip_mm(pour)
    k = _period(counter, as_of_ms)
    return GaugeFit(
        **head(settings, reader, as_of_ms),
        gauge=counter.name,
        depth_per_tip_mm=fitted,
        in_force=compared(fitted, counter.factor[k], counter.factor[k] * counter.u_ratios[k]),
        tip_ml=desk.tip_volume_ml(fitted.value, funnel_m) if isinstance(fitted, Estimate) else None,
        poured_l=volume_l,
        funnel_m=funnel_m,
        tips=tuple(tips),
        toml=(
            f"[[sensors.{counter.name}.calibrations]]\n{_from(settings, as_of_ms)}\n"
            f'depth_per_tip = "{fitted.value:.4f} mm"\nu_ratio = {fitted.u / fitted.value:.4f}\n'
            if isinstance(fitted, Estimate)
            else None
        ),
    )


def _meter(settings: Settings) -> Counter:
    counter = meter_of(settings)
    if counter is None:
        raise Refused("the settings have no [pump] table with a meter; add one to fit its pulses per litre")
    return counter


def _run_points(settings: Settings, evidence: Evidence, source: str) -> tuple[list[KPoint], list[LeftOut], float]:
    """Runs with still water of the source before and after; shared: relative, of its litres per depth."""
    minutes, zone = evidence.tanks[source], settings.site.time_zone
    house = settings.household
    points: list[KPoint] = []
    left: list[LeftOut] = []
    ratios: list[float] = []
    runs = evidence.runs
    for k, run in enumerate(runs):
        label = f"run {local(run.start_ms, zone):%Y-%m-%d %H:%M}"
        before_ms = runs[k - 1].end_ms if k else evidence.from_ms
        after_ms = runs[k + 1].start_ms if k + 1 < len(runs) else evidence.upto_ms
        first_ms = run.end_ms + _SETTLES_MS
        before = desk.level_mean(minutes, max(run.start_ms - _STILL_MS, before_ms), run.start_ms)
        after = desk.level_mean(minutes, first_ms, min(first_ms + _STILL_MS, after_ms))
        if isinstance(before, Unknown) or isinstance(after, Unknown):
            left.append(LeftOut(label, f"there is no good level of {source} before and after it"))
            continue
        if before.at_brim:
            left.append(LeftOut(label, f"{source} stood at its brim when it began"))
            continue
        rain = evidence.rain
        if rain is not None and bool(((rain.t_ms > before.t_ms) & (rain.t_ms <= after.t_ms)).any()):
            left.append(LeftOut(label, "rain fell meanwhile"))
            continue
        change = desk.volume_change(before, after)
        assert isinstance(change, Estimate)
        scale_l = abs(after.scale_u_l - before.scale_u_l)
        own2 = max(change.u**2 - scale_l**2, 0.0)
        fall_l = -change.value
        if house is not None and house.tank == source:
            drawn_l = house.draw_l_day * (after.t_ms - before.t_ms) / 86_400_000
            fall_l -= drawn_l
            own2 += drawn_l**2
        if fall_l < _FALL_TOLD * math.sqrt(own2):
            left.append(LeftOut(label, f"{source} fell by {fall_l:.0f} L, too little to tell better than a tenth"))
            continue
        minutes_long = (run.end_ms - run.start_ms) / 60_000
        flow = fall_l / minutes_long if minutes_long > 0 else None
        points.append(KPoint(label, fall_l, math.sqrt(own2), run.pulses, flow))
        ratios.append(scale_l / fall_l)
    return points, left, float(np.median(ratios)) if ratios else 0.0


def _meter_answer(
    settings: Settings,
    reader: ReadingSource | None,
    as_of_ms: int,
    counter: Counter,
    by: str,
    points: Sequence[KPoint],
    shared_u_ratio: float,
    left: tuple[LeftOut, ...],
) -> MeterFit:
    fit = desk.fit_k(points, shared_u_ratio)
    fitted = fit if isinstance(fit, Unknown) else fit.k_per_l
    odd = () if isinstance(fit, Unknown) else fit.odd
    k = _period(counter, as_of_ms)
    return MeterFit(
        **head(settings, reader, as_of_ms),
        meter=counter.name,
        by=by,
        k_per_l=fitted,
        in_force=compared(fitted, counter.factor[k], counter.factor[k] * counter.u_ratios[k]),
        slope_per_l=fit if isinstance(fit, Unknown) else fit.slope,
        curve=() if isinstance(fit, Unknown) else tuple(CurvePoint(flow, one) for flow, one in fit.curve),
        contradict=not isinstance(fit, Unknown) and fit.scatter.contradict,
        pours=tuple(
            PourLine(
                one.label,
                one.volume_l,
                one.pulses,
                one.k_per_l,
                one.own_u_per_l if one.pulses else 0.0,
                one.flow_l_min,
                n in odd,
            )
            for n, one in enumerate(points)
        ),
        left_out=left,
        toml=(
            f"[[sensors.{counter.name}.calibrations]]\n{_from(settings, as_of_ms)}\n"
            f"k_factor_per_l = {fitted.value:.2f}\nu_ratio = {fitted.u / fitted.value:.4f}\n"
            if isinstance(fitted, Estimate)
            else None
        ),
    )


def _period(counter: Counter, at_ms: int) -> int:
    return int(calc.in_force(counter.since_ms, np.array([at_ms], dtype=np.int64))[0])


def _from(settings: Settings, as_of_ms: int) -> str:
    day = local_date(as_of_ms, settings.site.time_zone)
    return f"from = {day}    # leave this line out to let it hold for all time before, too"
