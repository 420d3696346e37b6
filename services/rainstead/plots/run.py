"""A pump run: its three volumes as they grew."""

from typing import TYPE_CHECKING, Any

import numpy as np

from rainstead.calc.desk import Unknown

from .look import COLOURS, days, new_figure, time_axis

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rainstead.answers import RunAnswer

__all__ = ["run"]

_LINES = {
    "meter": ("pump", "-", None, "meter"),
    "source": ("water", "none", "o", "fall of"),
    "receiver": ("good", "none", "s", "rise of"),
}


def run(answer: "RunAnswer") -> "Figure":
    """Litres since the run began, by each measure, with the best value and its interval at the end."""
    figure, (ax,) = new_figure(height_in=5.2)
    t = days(np.array([point.t_ms for point in answer.points], dtype=np.float64))
    ax.axvspan(days(answer.start_ms), days(answer.end_ms), color=COLOURS["pump"], alpha=0.07, linewidth=0)
    names = {"source": answer.source, "receiver": answer.to}
    for name, (colour, line, mark, how) in _LINES.items():
        values = [getattr(point, f"{name}_l") for point in answer.points]
        if all(value is None for value in values):
            continue
        y = np.array([np.nan if value is None else value for value in values])
        # A minute's median stands for its middle; what the meter has counted, for its end.
        at = t if name == "meter" else t - 0.5 / 1440
        label = f"{how} {names[name]}" if name in names else "meter"
        ax.plot(at, y, color=COLOURS[colour], linestyle=line, marker=mark, markersize=3.5, linewidth=2, label=label)
    if not isinstance(answer.best_l, Unknown) and answer.best_l.high is not None:
        _best(ax, answer, days(answer.end_ms), float(t[-1]) if len(t) else days(answer.end_ms))
    ax.set_ylabel("litres since the run began")
    ax.set_title(_title(answer), loc="left", fontsize=11)
    ax.legend(loc="upper left", frameon=False)
    ax.margins(x=0.01)
    time_axis(ax, answer.time_zone)
    return figure


def _best(ax: Any, answer: "RunAnswer", from_day: float, upto_day: float) -> None:
    best = answer.best_l
    assert not isinstance(best, Unknown)
    ax.fill_between([from_day, upto_day], best.low, best.high, color=COLOURS["bound"], alpha=0.2, linewidth=0)
    label = f"best value {best.value:,.0f} L, 95 % ±{1.96 * best.u:,.0f}"
    ax.plot([from_day, upto_day], [best.value] * 2, color=COLOURS["bound"], linewidth=1.6, label=label)


def _title(answer: "RunAnswer") -> str:
    where = answer.to or "the hose"
    said = f"{answer.site}: {answer.source} to {where}"
    if answer.nozzle is not None:
        said += f", nozzle {answer.nozzle}"
    flow = answer.flow_l_min
    if not isinstance(flow, Unknown) and flow.high is not None:
        said += f"; {flow.value:.1f} L/min ({flow.low:.1f} to {flow.high:.1f})"
    return said
