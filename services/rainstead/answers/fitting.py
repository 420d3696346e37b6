"""A tank's calibration fitted from known volumes and dips, against the one in force, with lines for the settings."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rainstead import calc
from rainstead.calc import desk
from rainstead.calc.desk import Answered, DipPair, Estimate, FillStep, Unknown
from rainstead.derive import shape_in_force
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.readings import I64
from rainstead.settings import Ranger, Settings, since_ms

from .answer import Answer, head
from .days import local, local_date
from .filling import LeftOut, fill_steps, ranger_level
from .typed import Refused, read_tank

__all__ = [
    "Compared",
    "DipLine",
    "DipsFit",
    "LitresFit",
    "StepLine",
    "StrappingFit",
    "TableLine",
    "dips_fit",
    "strapping_fit",
]

Progress = Callable[[int], None]
_DIP_BESIDE_MS = 10 * 60_000
_EMPTY_M = 0.02


@dataclass(frozen=True, slots=True)
class Compared:
    """The figure in force, in the unit of the fit. en: normalised error; differs: above 1, the two do not agree."""

    value: float
    u: float
    difference: Estimate
    en: float
    differs: bool


@dataclass(frozen=True, slots=True)
class StepLine:
    """A known volume (negative: out of the tank) between two levels."""

    label: str
    before_ms: int
    after_ms: int
    before_m: float
    after_m: float
    volume_l: float
    volume_u_l: float


@dataclass(frozen=True, slots=True)
class TableLine:
    """A pair of the table. is_measured: the layer below it was; else it is the calibration in force that goes on."""

    depth_m: float
    volume_l: Estimate
    l_per_cm: Estimate | None
    is_measured: bool
    in_force_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StrappingFit(Answer):
    """volume_l: litres between the lowest and the highest level used, as fitted. in_force: the same by the settings.

    is_straight: one figure of litres per centimetre explains the volumes as well as the table. toml: None where nothing
    could be fitted.
    """

    tank: str
    volume_l: Answered
    in_force: Compared | None
    straight_l_per_cm: Answered
    is_straight: bool
    contradict: bool
    contradicting: tuple[str, ...]
    table: tuple[TableLine, ...]
    steps: tuple[StepLine, ...]
    left_out: tuple[LeftOut, ...]
    toml: str | None


@dataclass(frozen=True, slots=True)
class DipLine:
    """A dip beside the ranger's level. is_odd: it contradicts the others and was left out."""

    t_ms: int
    dip_m: float
    dip_u_m: float
    level_m: float
    gap_m: float
    is_odd: bool


@dataclass(frozen=True, slots=True)
class LitresFit:
    """Litres per centimetre by known volumes between dips; zero_depth_m: where the tank would hold nothing."""

    l_per_cm: Answered
    in_force: Compared | None
    zero_depth_m: Answered
    contradict: bool
    steps: tuple[StepLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DipsFit(Answer):
    """offset_m: dip less ranger, to be added to the face's height. in_force: nought, with the u of face and ranger.

    slope_ratio: how much the offset grows per metre of depth. litres: only where it was asked for.
    """

    tank: str
    offset_m: Answered
    in_force: Compared | None
    slope_ratio: Answered
    face_height_m: float | None
    fitted_face_height_m: float | None
    contradict: bool
    dips: tuple[DipLine, ...]
    litres: LitresFit | None
    left_out: tuple[LeftOut, ...]
    toml: str | None


def compared(fitted: Answered, in_force: float, in_force_u: float) -> Compared | None:
    """None where nothing was fitted."""
    if isinstance(fitted, Unknown):
        return None
    told = desk.against(fitted, in_force, in_force_u)
    return Compared(in_force, in_force_u, told.difference, told.en, told.differs)


def strapping_fit(
    settings: Settings,
    reader: ReadingSource,
    as_of_ms: int,
    notes: Notes,
    tank: str,
    *,
    progress: Progress | None = None,
) -> StrappingFit:
    """From known volumes, deliveries and metered transfers. Raises TankUnknown."""
    name = read_tank(tank, settings)
    evidence = _all(settings, reader, as_of_ms, notes, progress)
    steps, left = fill_steps(settings, evidence, name, by_dips=False)
    shape, u_ratio = _in_force(settings, name, as_of_ms)
    fit = desk.fit_strapping(steps, shape, u_ratio, settings.tanks[name].brim_m)
    top = head(settings, reader, as_of_ms)
    lines = tuple(_step_line(step) for step in steps)
    if isinstance(fit, Unknown):
        return StrappingFit(
            **top,
            tank=name,
            volume_l=fit,
            in_force=None,
            straight_l_per_cm=fit,
            is_straight=False,
            contradict=False,
            contradicting=(),
            table=(),
            steps=lines,
            left_out=left,
            toml=None,
        )
    straight = fit.straight
    return StrappingFit(
        **top,
        tank=name,
        volume_l=fit.measured_l,
        in_force=compared(fit.measured_l, fit.in_force_l, fit.in_force_u_l),
        straight_l_per_cm=straight if isinstance(straight, Unknown) else _per_cm(straight.l_per_m),
        is_straight=fit.is_straight,
        contradict=fit.scatter.contradict,
        contradicting=fit.odd,
        table=tuple(
            TableLine(point.depth_m, point.volume_l, point.l_per_cm, point.is_measured, point.in_force_l)
            for point in fit.points
        ),
        steps=lines,
        left_out=left,
        toml=_strapping_toml(settings, name, as_of_ms, fit),
    )


def dips_fit(
    settings: Settings,
    reader: ReadingSource,
    as_of_ms: int,
    notes: Notes,
    tank: str,
    *,
    volumes: bool = False,
    progress: Progress | None = None,
) -> DipsFit:
    """Dips against the ranger; with volumes, litres per centimetre too. Raises TankUnknown, Refused."""
    name = read_tank(tank, settings)
    set_up = settings.tanks[name]
    if set_up.sensor is None and not volumes:
        raise Refused(
            f"tank {name} has no sensor to hold its dips against; "
            "--volumes works out litres per centimetre from dips and known volumes alone"
        )
    evidence = _all(settings, reader, as_of_ms, notes, progress)
    pairs, left = _pairs(settings, evidence, name)
    litres, more, litres_toml = _litres(settings, evidence, name, as_of_ms) if volumes else (None, (), None)
    fit = desk.fit_dips(pairs) if set_up.sensor is not None else Unknown("the tank has no ranger to hold them against")
    fitted = fit if isinstance(fit, Unknown) else fit.offset_m
    ranger = None if set_up.sensor is None else settings.sensors[set_up.sensor]
    assert ranger is None or isinstance(ranger, Ranger)
    zero_u_m = 0.0 if ranger is None else float(np.hypot(set_up.face_height_u_m, ranger.range_u_m))
    face_m = set_up.face_height_m
    against = compared(fitted, 0.0, zero_u_m)
    face_toml = None
    if isinstance(fitted, Estimate) and face_m is not None and against is not None:
        face_toml = _face_toml(name, face_m, fitted, against)
    odd = () if isinstance(fit, Unknown) else fit.odd
    return DipsFit(
        **head(settings, reader, as_of_ms),
        tank=name,
        offset_m=fitted,
        in_force=against,
        slope_ratio=fit if isinstance(fit, Unknown) else fit.slope,
        face_height_m=face_m,
        fitted_face_height_m=None if isinstance(fitted, Unknown) or face_m is None else face_m + fitted.value,
        contradict=not isinstance(fit, Unknown) and fit.scatter.contradict,
        dips=tuple(
            DipLine(pair.t_ms, pair.dip_m, pair.dip_u_m, pair.level_m, pair.gap_m, k in odd)
            for k, pair in enumerate(pairs)
        ),
        litres=litres,
        left_out=(*left, *more),
        toml="\n".join(part for part in (face_toml, litres_toml) if part) or None,
    )


def _litres(
    settings: Settings, evidence: Evidence, name: str, as_of_ms: int
) -> tuple[LitresFit, tuple[LeftOut, ...], str | None]:
    steps, left = fill_steps(settings, evidence, name, by_dips=True)
    fit = desk.fit_straight(steps)
    shape, u_ratio = _in_force(settings, name, as_of_ms)
    if isinstance(fit, Unknown):
        return LitresFit(fit, None, fit, contradict=False, steps=tuple(_step_line(step) for step in steps)), left, None
    fitted = _per_cm(fit.l_per_m)
    low, high = _reach(steps)
    ends = shape.volume_l(np.array([low, high]))
    in_force = float(ends[1] - ends[0]) / (high - low) / 100
    first = steps[0]
    zero: Answered = Unknown(f"no fill began with the tank empty (a dip of {1000 * _EMPTY_M:.0f} mm or less)")
    if first.before.depth_m <= _EMPTY_M and first.volume_l > 0:
        zero = desk.zero_depth_m(first, fit.l_per_m)
    told = LitresFit(
        l_per_cm=fitted,
        in_force=compared(fitted, in_force, in_force * u_ratio),
        zero_depth_m=zero,
        contradict=fit.scatter.contradict,
        steps=tuple(_step_line(step) for step in steps),
    )
    zero_m = zero.value if isinstance(zero, Estimate) else 0.0
    day = local_date(as_of_ms, settings.site.time_zone)
    lines = [
        f"[[tanks.{name}.calibrations]]",
        f"from = {day}    # leave this line out to let it hold for all time before, too",
        'shape = "litres-per-centimetre"',
        f"l_per_cm = {fitted.value:.2f}",
        f'zero_depth = "{zero_m:.3f} m"' + ("" if isinstance(zero, Estimate) else "    # not measured"),
        f"volume_u_ratio = {max(fitted.u / fitted.value, 0.0001):.4f}",
    ]
    return told, left, "\n".join(lines) + "\n"


def _pairs(settings: Settings, evidence: Evidence, name: str) -> tuple[list[DipPair], tuple[LeftOut, ...]]:
    minutes = evidence.tanks.get(name)
    pairs, left = [], []
    for dip in evidence.notes.dips if minutes is not None else ():
        if dip.tank != name:
            continue
        assert minutes is not None
        label = f"dip {local(dip.t_ms, settings.site.time_zone):%Y-%m-%d %H:%M}"
        level = ranger_level(minutes, dip.t_ms - _DIP_BESIDE_MS, dip.t_ms + _DIP_BESIDE_MS)
        if level is None:
            left.append(LeftOut(label, "the ranger gave no good level below the brim within ten minutes of it"))
            continue
        pairs.append(
            DipPair(label, dip.t_ms, dip.depth_m, dip.depth_u_m, level.depth_m, level.noise_u_m, level.sound_u_m)
        )
    return pairs, tuple(left)


def _all(settings: Settings, reader: ReadingSource, as_of_ms: int, notes: Notes, progress: Progress | None) -> Evidence:
    span = reader.span_ms()
    first_ms = as_of_ms if span is None else min(span[0] - 1, as_of_ms)
    return gather(settings, reader, notes, from_ms=first_ms, upto_ms=as_of_ms, progress=progress)


def _in_force(settings: Settings, name: str, as_of_ms: int) -> tuple[calc.Volume, float]:
    tank, zone = settings.tanks[name], settings.site.time_zone
    dated = sorted((since_ms(one.since, zone), one.volume_u_ratio) for one in tank.calibrations)
    now: I64 = np.array([as_of_ms], dtype=np.int64)
    period = int(calc.in_force(tuple(since for since, _ in dated), now)[0])
    return shape_in_force(tank, zone, as_of_ms), dated[period][1]


def _reach(steps: tuple[FillStep, ...]) -> tuple[float, float]:
    depths = [level.depth_m for step in steps for level in (step.before, step.after)]
    return min(depths), max(depths)


def _per_cm(l_per_m: Estimate) -> Estimate:
    assert l_per_m.high is not None
    return Estimate(l_per_m.value / 100, l_per_m.u / 100, l_per_m.low / 100, l_per_m.high / 100)


def _step_line(step: FillStep) -> StepLine:
    u_l = float(np.hypot(step.own_u_l, step.volume_l * step.source_u_ratio))
    return StepLine(
        step.label,
        step.before.t_ms,
        step.after.t_ms,
        step.before.depth_m,
        step.after.depth_m,
        step.volume_l,
        u_l,
    )


def _strapping_toml(settings: Settings, name: str, as_of_ms: int, fit: desk.StrappingFit) -> str:
    day = local_date(as_of_ms, settings.site.time_zone)
    pairs = ",\n".join(f'    ["{point.depth_m:.3f} m", "{point.volume_l.value:.0f} L"]' for point in fit.points)
    return (
        f"[[tanks.{name}.calibrations]]\n"
        f"from = {day}    # leave this line out to let it hold for all time before, too\n"
        f'shape = "strapping-table"\n'
        f"table = [\n{pairs},\n]\n"
        f"volume_u_ratio = {max(fit.volume_u_ratio, 0.0001):.4f}\n"
    )


def _face_toml(name: str, face_m: float, offset: Estimate, against: Compared) -> str:
    said = "" if against.differs else "    # does not differ from the settings: no need to change it"
    return (
        f"[tanks.{name}]    # in place of what is there\n"
        f'face_height = "{face_m + offset.value:.3f} m"{said}\n'
        f'face_height_u = "{max(1000 * offset.u, 0.1):.1f} mm"\n'
    )
