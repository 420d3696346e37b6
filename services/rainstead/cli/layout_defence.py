"""The defence plan laid out. Nothing is worked out here."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import Answered, DefenceAnswer, Unknown

from .words import age, litres

__all__ = ["defence"]

_FIRE_CAUTION = (
    "Never plan to stay on these figures alone: they are litres and minutes, not safety. Power, pump, hose and people "
    "fail in a fire, and on the worst days no house can be defended. The fire authority's plan and warnings come first."
)
_PUMP_CAUTION = (
    "Run a petrol engine outdoors only: its exhaust kills in a shed within minutes. Refuel it off and cool, away from "
    "flame; in great heat petrol may boil and stall it."
)
_OLD_S = 3600.0
_FUEL_FROM = {
    "this_run": "by the fill after the last run",
    "runs_at_setting": "by fills after runs at this setting",
    "all_runs": "by the fills after runs",
    "settings": "by the settings, not measured",
    "nothing": "",
}
_ENOUGH = {
    "yes": ("is enough", "green"),
    "no": ("IS NOT ENOUGH", "bold red"),
    "in_doubt": ("MAY NOT BE ENOUGH: its interval holds both", "bold yellow"),
    "unknown": ("cannot be judged", "yellow"),
}


def defence(answer: DefenceAnswer) -> Group:
    """What it takes, what there is, each tank, the reserve; cautions first, where they are read."""
    parts: list[Any] = [Text(_FIRE_CAUTION, style="bold yellow"), Text("")]
    parts += [*_takes(answer), Text(""), *_has(answer), Text(""), _tanks(answer), *_notes(answer), *_reserve(answer)]
    return Group(*parts, Text(_PUMP_CAUTION, style="dim"))


def _range(answered: Answered, unit: str, digits: int = 0) -> str:
    if isinstance(answered, Unknown):
        return "unknown"
    if answered.high is None:
        return f"{answered.value:z,.{digits}f} {unit} or more"
    return f"{answered.value:z,.{digits}f} {unit} ({answered.low:z,.{digits}f} to {answered.high:z,.{digits}f})"


def _why(*several: Answered) -> list[Text]:
    """Each reason once."""
    reasons = dict.fromkeys(one.because for one in several if isinstance(one, Unknown))
    return [Text(f"Not enough to say, because {because}.", style="yellow") for because in reasons]


def _takes(answer: DefenceAnswer) -> list[Text]:
    parts = [Text(f"{answer.depth_mm:g} mm on {answer.area_m2:z,.0f} m² takes {litres(answer.need_l)}.", style="bold")]
    parts.append(Text(f"  flow     {_range(answer.flow_l_min, 'L/min', 1)}{_flow_from(answer)}"))
    if not isinstance(answer.minutes, Unknown):
        parts.append(Text(f"  time     {_range(answer.minutes, 'min')}"))
    rate = f"{_range(answer.rate_l_h, 'L/h', 2)}, {_FUEL_FROM[answer.rate_from]}"
    if not isinstance(answer.fuel_l, Unknown):
        parts.append(Text(f"  petrol   {_range(answer.fuel_l, 'L', 1)}, at {rate}"))
    if answer.refills is not None and answer.fuel_tank_l is not None:
        same = answer.refills_least == answer.refills_most
        span = "" if same else f" ({answer.refills_least} to {answer.refills_most})"
        parts.append(Text(f"  refills  {answer.refills}{span} of its {answer.fuel_tank_l:g} L tank, begun full"))
    return [*parts, *_why(answer.flow_l_min, answer.minutes, answer.fuel_l)]


def _flow_from(answer: DefenceAnswer) -> str:
    match answer.flow_from:
        case "runs":
            at = "with no nozzle noted" if answer.nozzle is None else f"at nozzle {answer.nozzle}"
            runs = "1 run" if answer.flow_runs == 1 else f"{answer.flow_runs} runs"
            return f", measured in {runs} {at}"
        case "flow":
            return ", as typed"
        case "bucket":
            return ", by bucket and watch"
        case _:
            return ""


def _has(answer: DefenceAnswer) -> list[Text]:
    if isinstance(answer.water_l, Unknown):
        parts = [
            Text(f"Water in {answer.source}: not enough to say, because {answer.water_l.because}.", style="yellow")
        ]
    else:
        said, style = _ENOUGH[answer.water_enough]
        told = f"Water in {answer.source} above the suction {said}: {_range(answer.water_l, 'L')}."
        parts = [Text(told, style=style)]
    short = answer.short_l
    if answer.water_enough in ("no", "in_doubt") and not isinstance(short, Unknown):
        lacks = _range(short, "L") if short.value > 0 else f"up to {litres(short.high)}"
        parts.append(Text(f"  lacking {lacks}"))
        others = answer.others_l
        if not isinstance(others, Unknown) and others.value > 0:
            told = f"  {_range(others, 'L')} usable stand in other tanks, which this pump does not draw from:"
            parts.append(Text(f"{told} they must be moved into {answer.source} first.", style="yellow"))
    if answer.fuel_enough != "unknown" and answer.fuel_at_hand_l is not None:
        said, style = _ENOUGH[answer.fuel_enough]
        parts.append(Text(f"Petrol at hand ({answer.fuel_at_hand_l:g} L) {said}.", style=style))
    if isinstance(answer.gives_mm, Unknown):
        parts.append(Text(f"By the water alone: {_range(answer.depth_by_water_mm, 'mm', 1)} on this area."))
        return parts
    by = f"water {_range(answer.depth_by_water_mm, 'mm', 1)}, petrol {_range(answer.depth_by_fuel_mm, 'mm', 1)}"
    parts.append(Text(f"Together they give {_range(answer.gives_mm, 'mm', 1)} on this area ({by})."))
    first = {"fuel": ": petrol goes first", "water": ": water goes first", "either": ": either may go first"}
    ends = first.get(answer.runs_out_first or "", "")
    parts.append(Text(f"The pump could run {_range(answer.endurance_min, 'min')}{ends}."))
    return parts


def _tanks(answer: DefenceAnswer) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for k, column in enumerate(("tank", "usable, L (95 %)", "this takes", "left, L (95 %)", "")):
        table.add_column(column, justify="left" if k in (0, 4) else "right", no_wrap=True)
    for tank in answer.tanks:
        role = ["pump" if tank.is_source else "needs moving first", *(["reserve"] if tank.in_reserve else [])]
        if tank.level_age_s is not None and tank.level_age_s > _OLD_S:
            role.append(f"level {age(tank.level_age_s)} OLD")
        usable, left = (
            "unknown" if isinstance(one, Unknown) else _range(one, "L").replace(" L", "")
            for one in (tank.usable_l, tank.left_l)
        )
        takes = litres(tank.takes_l) if tank.is_source else "nothing"
        table.add_row(tank.name, usable, takes, left, ", ".join(role))
    return table


def _notes(answer: DefenceAnswer) -> list[Text]:
    return [
        Text(f"{tank.name}: not enough to say, because {tank.usable_l.because}.", style="yellow")
        for tank in answer.tanks
        if isinstance(tank.usable_l, Unknown) and not tank.is_source
    ]


def _reserve(answer: DefenceAnswer) -> list[Text]:
    if answer.reserve_fire_l is None:
        return []
    after = _range(answer.reserve_after_l, "L")
    told = f"Of the fire reserve of {litres(answer.reserve_fire_l)}, usable afterwards: {after}"
    if isinstance(answer.reserve_after_l, Unknown):
        return [Text(told + ".", style="yellow")]
    below = answer.reserve_fire_l - answer.reserve_after_l.value
    if below > 0:
        return [Text(f"{told}; {litres(below)} below it.", style="bold yellow")]
    return [Text(f"{told}; still {litres(-below)} above it.")]
