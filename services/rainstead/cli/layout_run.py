"""A pump run's sheet laid out. Nothing is worked out here."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import Answered, RunAnswer, Unknown

from .words import moment, span

__all__ = ["run"]

_PUMP_CAUTION = "Run a petrol engine outdoors only: its exhaust kills in a shed within minutes. Refuel it off and cool."
_HOW = {"meter": "meter", "source": "fall of", "receiver": "rise of"}
_VERDICTS = {
    "agree": "They agree.",
    "two_disagree": "Two of them disagree, and nothing says which is right.",
    "none_agree": "They do not agree.",
    "one_alone": "One measure alone: there is nothing to hold it against.",
    "nothing_measured": "Nothing measured this run.",
}
_FUEL_FROM = {
    "this_run": "by the fill after this run",
    "runs_at_setting": "by fills after runs at this setting",
    "all_runs": "by the fills after runs",
    "settings": "by the settings, not measured",
}
_FIRST = {"fuel": "the fuel goes first", "water": "the water goes first", "either": "either may go first"}


def run(answer: RunAnswer) -> Group:
    """One sheet: litres, agreement, flow, earlier runs, fuel and endurance."""
    parts: list[Any] = [*_title(answer), _measures(answer), *_agreement(answer), Text("")]
    parts += [*_flow(answer), *_earlier(answer), Text(""), *_fuel(answer)]
    return Group(*parts, Text(_PUMP_CAUTION, style="dim"))


def _table(*columns: str, left: int = 1) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k < left else "right", no_wrap=True)
    return table


def _range(answered: Answered, unit: str, digits: int = 0) -> str:
    """Value, unit and 95 % interval; or why there is none."""
    if isinstance(answered, Unknown):
        return f"not enough to say, because {answered.because}"
    if answered.high is None:
        return f"{answered.value:z,.{digits}f} {unit} or more"
    return f"{answered.value:z,.{digits}f} {unit} ({answered.low:z,.{digits}f} to {answered.high:z,.{digits}f})"


def _title(answer: RunAnswer) -> list[Text]:
    began = moment(answer.start_ms, answer.time_zone)
    where = answer.to or "the hose"
    said = f"Pump run {answer.number} of {answer.runs}: {began}, {span(answer.duration_s)}, {answer.source} to {where}"
    if answer.nozzle is not None:
        said += f", nozzle {answer.nozzle}"
    parts = [Text(said, style="bold")]
    if not answer.complete:
        parts.append(Text("It may be going on: this is how it stands so far.", style="yellow"))
    if answer.seen_by == "tank":
        told = f"Seen in the fall of {answer.source} alone, its ends good to {1.96 * answer.ends_u_s:.0f} s."
        parts.append(Text(f"{told} Another heavy draw looks the same.", style="yellow"))
    if answer.rain_mm > 0:
        parts.append(
            Text(f"{answer.rain_mm:.1f} mm of rain fell meanwhile; what it brought is taken out.", style="dim")
        )
    return parts


def _measures(answer: RunAnswer) -> Table:
    table = _table("litres by", "L", "95 %", "weight")
    for measure in answer.measures:
        name = f"{_HOW[measure.name]} {measure.by}"
        weight = "not used" if measure.weight_ratio is None else f"{measure.weight_ratio:.0%}"
        table.add_row(name, f"{measure.volume_l.value:z,.0f}", f"±{1.96 * measure.volume_l.u:z,.0f}", weight)
    if not isinstance(answer.best_l, Unknown) and len(answer.measures) > 1:
        spread = f"±{1.96 * answer.best_l.u:z,.0f}"
        table.add_row(Text("best value", style="bold"), f"{answer.best_l.value:z,.0f}", spread, "")
    return table


def _agreement(answer: RunAnswer) -> list[Text]:
    parts = []
    for left in answer.left_out:
        bound = "" if left.at_least_l is None else f"; at least {left.at_least_l.low:z,.0f} L"
        parts.append(Text(f"{_HOW[left.name]} {left.by}: left out, because {left.because}{bound}.", style="dim"))
    odd = next((measure for measure in answer.measures if measure.name == answer.odd), None)
    if odd is not None:
        verdict = f"{_HOW[odd.name].capitalize()} {odd.by} disagrees with the others, which agree: it is left out."
    else:
        verdict = _VERDICTS[answer.verdict]
    if answer.is_widened:
        verdict += " The best value is made as uncertain as they lie apart."
    ens = ", ".join(f"{pair.first} and {pair.second} {pair.en:+.2f}" for pair in answer.pairs)
    style = "green" if answer.verdict == "agree" else "yellow" if answer.pairs else ""
    parts.append(Text(verdict + (f" Normalised error En: {ens}; within ±1 is agreement." if ens else ""), style=style))
    for k, cause in enumerate(answer.causes):
        first = "Perhaps: " if answer.verdict == "none_agree" else "Most likely: "
        parts.append(Text(f"  {first if k == 0 else 'Or: '}{cause.said}.", style="bold" if k == 0 else ""))
    return parts


def _flow(answer: RunAnswer) -> list[Text]:
    parts = [Text(f"Steady flow {_range(answer.flow_l_min, 'L/min', 1)}")]
    if isinstance(answer.flow_l_min, Unknown) and not isinstance(answer.mean_flow_l_min, Unknown):
        parts.append(Text(f"Mean flow over the whole run {_range(answer.mean_flow_l_min, 'L/min', 1)}"))
    if answer.warm_up_s is not None and answer.spread_l_min is not None:
        warm = f"settled after {span(answer.warm_up_s)}" if answer.warm_up_s >= 1 else "settled from the start"
        said = f"  {warm}; in pieces of some seconds it varies by {answer.spread_l_min:.2f} L/min"
        trend = answer.trend_l_min_h
        if not isinstance(trend, Unknown) and trend.high is not None and (trend.low > 0 or trend.high < 0):
            way = "rose" if trend.value > 0 else "fell"
            said += f"; it {way} by {abs(trend.value):.1f} L/min an hour"
        parts.append(Text(said))
    if answer.step_ms is not None and answer.step_from_l_min is not None and answer.step_to_l_min is not None:
        at = moment(answer.step_ms, answer.time_zone)
        step = f"{answer.step_from_l_min:.1f} to {answer.step_to_l_min:.1f} L/min"
        parts.append(Text(f"  At {at} it went from {step} at once: another setting, or a kink?", style="yellow"))
    return parts


def _earlier(answer: RunAnswer) -> list[Any]:
    at = f"nozzle {answer.nozzle}" if answer.alike_by == "nozzle" else "much the same flow (no nozzle was noted)"
    change, ratio = answer.trend_change_l_min, answer.trend_change_ratio
    parts: list[Any] = []
    if isinstance(change, Unknown) or isinstance(ratio, Unknown) or answer.trend_days is None:
        because = change.because if isinstance(change, Unknown) else "its change is not known"
        parts.append(Text(f"Against earlier runs at {at}: not enough to say, because {because}.", style="dim"))
    else:
        said = f"{answer.trend_runs} runs at {at} over {answer.trend_days:.0f} days: "
        high = f"{change.high:+.1f}" if change.high is not None else "?"
        by = f"{change.value:+.1f} L/min ({change.low:+.1f} to {high}), {ratio.value:+.1%}, p = {answer.trend_p:.2g}"
        if answer.trend_verdict == "weaker":
            parts.append(Text(f"{said}THE PUMP IS GETTING WEAKER: {by}.", style="bold yellow"))
        elif answer.trend_verdict == "stronger":
            parts.append(Text(f"{said}it gives more than it did: {by}.", style="green"))
        else:
            parts.append(Text(f"{said}no change beyond the uncertainty: {by}."))
    if len(answer.nozzles) > 1 or answer.nozzle is not None:
        table = _table("nozzle", "runs", "last", "next run, L/min (95 %)")
        for line in answer.nozzles:
            told = line.next_flow_l_min
            flow = told.because if isinstance(told, Unknown) else _range(told, "L/min", 1).replace(" L/min", "")
            table.add_row(line.nozzle or "not noted", str(line.runs), moment(line.last_ms, answer.time_zone), flow)
        parts += [Text(""), table]
    return parts


def _fuel(answer: RunAnswer) -> list[Text]:
    fuel = answer.fuel
    parts = []
    if isinstance(fuel.rate_l_h, Unknown):
        parts.append(Text(f"Fuel: not enough to say, because {fuel.rate_l_h.because}.", style="dim"))
    else:
        said = f"Fuel {_range(fuel.rate_l_h, 'L/h', 2)}, {_FUEL_FROM[fuel.rate_from]}"
        if fuel.first_was_full:
            said += " (taking its tank to have been full before)"
        if not isinstance(fuel.water_per_fuel_l_l, Unknown):
            said += f"; {_range(fuel.water_per_fuel_l_l, 'L of water', 0)} a litre of fuel"
        parts.append(Text(said))
    if answer.work is not None:
        work = f"At {answer.work.pressure_kpa:.0f} kPa the pump does {answer.work.power_w:z,.0f} W of work on the water"
        if not isinstance(answer.work.kwh_per_fuel_l, Unknown) and answer.work.rating_ratio is not None:
            work += f", {_range(answer.work.kwh_per_fuel_l, 'kWh', 2)} a litre of fuel: {answer.work.rating_ratio:.0%}"
            work += " of a well-kept irrigation plant's"
        parts.append(Text(f"{work}."))
    lasts = answer.endurance_min
    if isinstance(lasts, Unknown):
        parts.append(Text(f"How long it could go on: not enough to say, because {lasts.because}.", style="dim"))
        return parts
    first = "" if answer.runs_out_first is None else f": {_FIRST[answer.runs_out_first]}"
    by = f"a full fuel tank {_range(answer.fuel_lasts_min, 'min')}, water {_range(answer.water_lasts_min, 'min')}"
    parts.append(Text(f"From then on it could run {_range(lasts, 'min')}{first} ({by})."))
    return parts
