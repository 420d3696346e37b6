"""Calibration fits laid out for people."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import (
    Answered,
    Compared,
    DipsFit,
    Estimate,
    GaugeFit,
    LeftOut,
    LitresFit,
    MeterFit,
    StepLine,
    StrappingFit,
    Unknown,
)

from .words import moment

__all__ = ["dips", "gauge", "meter", "strapping"]

_WATER_CAUTION = "Open tanks drown: never dip or fill alone, and cover them again."
_PUMP_CAUTION = "Run a petrol engine outdoors only: its exhaust kills in a shed within minutes."


def strapping(answer: StrappingFit) -> Group:
    """The table, the volumes it rests on, the lines for the settings."""
    parts: list[Any] = []
    if isinstance(answer.volume_l, Unknown):
        parts.append(_unknown(f"A table for {answer.tank}", answer.volume_l))
    else:
        parts.append(Text(f"{answer.tank}: {told(answer.volume_l, 0, 'L')} from the lowest to the highest level used."))
        parts.append(_compared(answer.in_force, 0, "L"))
        table = _table("depth", "litres", "95 %", "L/cm", "95 %", "in force", "")
        for line in answer.table:
            table.add_row(
                f"{line.depth_m:.3f} m",
                f"{line.volume_l.value:z,.0f}",
                _half(line.volume_l, 0),
                "" if line.l_per_cm is None else f"{line.l_per_cm.value:.1f}",
                "" if line.l_per_cm is None or not line.is_measured else _half(line.l_per_cm, 1),
                f"{line.in_force_l:z,.0f}",
                Text("" if line.is_measured else "taken over", style="dim"),
            )
        parts += [Text(""), table, Text("")]
        if answer.is_straight and isinstance(answer.straight_l_per_cm, Estimate):
            upright = told(answer.straight_l_per_cm, 2, "L/cm")
            parts.append(Text(f"The walls are upright as far as can be told: {upright} serves as well."))
        if answer.contradict:
            which = f": {', '.join(answer.contradicting)}" if answer.contradicting else ""
            parts.append(
                Text(f"The volumes contradict one another{which}. The intervals are widened for it.", style="yellow")
            )
    parts += _steps(answer.steps, answer.time_zone)
    parts += _left(answer.left_out)
    return Group(*parts, *_toml(answer.toml), Text(_WATER_CAUTION, style="dim"))


def dips(answer: DipsFit) -> Group:
    """The offset, each dip, litres per centimetre where asked for, the lines for the settings."""
    parts: list[Any] = []
    if isinstance(answer.offset_m, Unknown):
        parts.append(_unknown("How the dips lie against the ranger", answer.offset_m))
    else:
        mm = _thousandfold(answer.offset_m)
        parts.append(Text(f"{answer.tank}: dips read {told(mm, 1, 'mm', sign=True)} against the ranger."))
        if answer.in_force is not None:
            parts.append(
                Text(
                    f"That is more than dips, face and ranger leave open (En {answer.in_force.en:+.2f})."
                    if answer.in_force.differs
                    else f"That is within what dips, face and ranger leave open (En {answer.in_force.en:+.2f}).",
                    style="yellow" if answer.in_force.differs else "green",
                )
            )
        if answer.fitted_face_height_m is not None and answer.face_height_m is not None:
            face = f"{answer.fitted_face_height_m:.3f} m by the dips, {answer.face_height_m:.3f} m in the settings"
            parts.append(Text(f"Face height {face}."))
        if isinstance(answer.slope_ratio, Estimate):
            slope = told(_thousandfold(answer.slope_ratio), 1, "mm/m", sign=True)
            parts.append(Text(f"With depth it changes by {slope}."))
        if answer.contradict:
            parts.append(Text("The dips contradict one another; the interval is widened for it.", style="yellow"))
    if answer.dips:
        table = _table("dipped", "dip", "ranger", "dip less ranger", "")
        for line in answer.dips:
            table.add_row(
                moment(line.t_ms, answer.time_zone),
                f"{line.dip_m:.3f} m",
                f"{line.level_m:.3f} m",
                f"{1000 * line.gap_m:+.0f} mm",
                Text("contradicts the others: left out" if line.is_odd else "", style="yellow"),
            )
        parts += [Text(""), table]
    if answer.litres is not None:
        parts += _litres(answer.litres, answer.time_zone)
    parts += _left(answer.left_out)
    return Group(*parts, *_toml(answer.toml), Text(_WATER_CAUTION, style="dim"))


def meter(answer: MeterFit) -> Group:
    """Pulses per litre, each pour, the curve, the lines for the settings."""
    parts: list[Any] = []
    if isinstance(answer.k_per_l, Unknown):
        parts.append(_unknown(f"The K-factor of {answer.meter}", answer.k_per_l))
    else:
        parts.append(Text(f"{answer.meter}: {told(answer.k_per_l, 2, 'pulses per litre')}."))
        parts.append(_compared(answer.in_force, 2, "per litre"))
        if answer.contradict:
            parts.append(
                Text("The volumes scatter more than they should; the interval is widened for it.", style="yellow")
            )
        if answer.curve:
            parts.append(Text("It changes with the flow:"))
            curve = _table("L/min", "pulses per litre", "95 %")
            for point in answer.curve:
                curve.add_row(f"{point.flow_l_min:.0f}", f"{point.k_per_l.value:.2f}", _half(point.k_per_l, 2))
            parts.append(curve)
        elif isinstance(answer.slope_per_l, Unknown):
            why = answer.slope_per_l.because
            parts.append(Text(f"Whether it changes with the flow: not enough to say, because {why}.", style="dim"))
        else:
            parts.append(Text("No change with the flow can be told.", style="dim"))
    if answer.pours:
        table = _table("by", "litres", "pulses", "per litre", "95 %", "L/min", "")
        for line in answer.pours:
            table.add_row(
                line.label,
                f"{line.volume_l:z,.1f}",
                f"{line.pulses:,}",
                f"{line.k_per_l:.2f}",
                f"±{1.96 * line.k_u_per_l:.2f}",
                "" if line.flow_l_min is None else f"{line.flow_l_min:.1f}",
                Text("odd: left out" if line.is_odd else "", style="yellow"),
            )
        parts += [Text(""), table]
    parts += _left(answer.left_out)
    return Group(*parts, *_toml(answer.toml), Text(_PUMP_CAUTION, style="dim"))


def gauge(answer: GaugeFit) -> Group:
    """Depth per tip, the lines for the settings."""
    parts: list[Any] = []
    if isinstance(answer.depth_per_tip_mm, Unknown):
        parts.append(_unknown(f"The depth per tip of {answer.gauge}", answer.depth_per_tip_mm))
    else:
        depth = told(answer.depth_per_tip_mm, 4, "mm of rain a tip")
        parts.append(Text(f"{answer.gauge}: {depth}, {answer.tip_ml:.2f} mL."))
        parts.append(_compared(answer.in_force, 4, "mm"))
    return Group(*parts, *_toml(answer.toml))


def told(value: Estimate, digits: int, unit: str, *, sign: bool = False) -> str:
    """A value with its 95 % interval."""
    plus = "+" if sign else ""
    assert value.high is not None
    middle, low, high = (f"{one:{plus},.{digits}f}" for one in (value.value, value.low, value.high))
    return f"{middle} {unit} (95 %: {low} to {high})"


def _litres(litres: LitresFit, zone: str) -> list[Any]:
    parts: list[Any] = [Text("")]
    if isinstance(litres.l_per_cm, Unknown):
        parts.append(_unknown("Litres per centimetre", litres.l_per_cm))
    else:
        parts.append(Text(f"By known volumes between dips: {told(litres.l_per_cm, 2, 'L/cm')}."))
        parts.append(_compared(litres.in_force, 2, "L/cm"))
        if isinstance(litres.zero_depth_m, Estimate):
            parts.append(Text(f"It would hold nothing at {told(_thousandfold(litres.zero_depth_m), 0, 'mm')}."))
        else:
            why = litres.zero_depth_m.because
            parts.append(Text(f"Where it holds nothing: not enough to say, because {why}.", style="dim"))
        if litres.contradict:
            parts.append(Text("The volumes contradict one another; the interval is widened for it.", style="yellow"))
    return [*parts, *_steps(litres.steps, zone)]


def _steps(steps: tuple[StepLine, ...], zone: str) -> list[Any]:
    if not steps:
        return []
    table = _table("known volume", "litres", "95 %", "level before", "after", "from", left=1)
    for step in steps:
        table.add_row(
            step.label,
            f"{step.volume_l:+,.0f}",
            f"±{1.96 * step.volume_u_l:z,.0f}",
            f"{step.before_m:.3f} m",
            f"{step.after_m:.3f} m",
            moment(step.before_ms, zone),
        )
    return [Text(""), table]


def _left(left: tuple[LeftOut, ...]) -> list[Any]:
    if not left:
        return []
    shown = [Text(f"  {one.label}: {one.because}", style="dim") for one in left[:8]]
    more = [Text(f"  and {len(left) - 8} more; --json has them all", style="dim")] if len(left) > 8 else []
    return [Text(""), Text("Left out:", style="dim"), *shown, *more]


def _compared(one: Compared | None, digits: int, unit: str) -> Text:
    if one is None:
        return Text("")
    said = f"In force: {one.value:z,.{digits}f} ±{1.96 * one.u:z,.{digits}f} {unit}. "
    if one.differs:
        return Text(f"{said}They differ by more than their uncertainty (En {one.en:+.2f}).", style="yellow")
    return Text(f"{said}They do not differ by more than their uncertainty (En {one.en:+.2f}).", style="green")


def _toml(text: str | None) -> list[Any]:
    if text is None:
        return []
    blocks = "[[" in text
    hint = "Calibrations that stand there in one line, calibrations = [{ ... }], must become such blocks too."
    return [Text(""), Text("For site.toml:", style="bold"), Text(text), *([Text(hint, style="dim")] if blocks else [])]


def _unknown(what: str, answer: Unknown) -> Text:
    return Text(f"{what}: not enough to say, because {answer.because}.", style="yellow")


def _thousandfold(one: Answered) -> Estimate:
    assert isinstance(one, Estimate) and one.high is not None
    return Estimate(1000 * one.value, 1000 * one.u, 1000 * one.low, 1000 * one.high)


def _half(one: Estimate, digits: int) -> str:
    assert one.high is not None
    return f"±{(one.high - one.low) / 2:z,.{digits}f}"


def _table(*columns: str, left: int = 1) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k < left else "right", no_wrap=True)
    return table
