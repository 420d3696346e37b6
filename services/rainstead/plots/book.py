"""The water book as stacked bars: what came above the line, what went below it, the rest beside them."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from rainstead.answers import BookAnswer, BookLine, Estimate

from .look import COLOURS, new_figure

__all__ = ["book"]

_IN = (
    ("rain off roofs", "rain_l", "#1b6ca8"),
    ("direct catch", "direct_l", "#8fb8de"),
    ("carted", "carted_l", "#3a7d44"),
    ("pumped in", "pumped_in_l", "#b08cc9"),
    ("overflow in", "overflow_in_l", "#c9d7e4"),
)
_OUT = (
    ("draw", "draw_l", "#c08a00"),
    ("pumped out", "pumped_out_l", "#7a4f9a"),
    ("evaporation", "evaporation_l", "#e0a48a"),
    ("seepage", "seepage_l", "#b5552b"),
    ("spill", "spill_l", "#4b4b4b"),
)
_FIRST_LABELS = 32
_MOST_LETTERS = 90
"""More do not go side by side."""


def book(answer: BookAnswer) -> Figure:
    """Of one tank if the book has one, else of all together, without what only runs from one into another."""
    one = answer.tanks[0] if len(answer.tanks) == 1 else answer.together
    lines = one.lines
    figure, (bars, rests) = new_figure(2, height_in=7.0, heights=(2.2, 1.0))
    name = one.tank if len(answer.tanks) == 1 else "all tanks together"
    bars.set_title(f"{answer.site}: water book by {answer.by}, {name}")
    at = np.arange(len(lines))
    between = np.zeros(len(lines)) if len(answer.tanks) == 1 else _between(lines)
    up, down = np.zeros(len(lines)), np.zeros(len(lines))
    for label, key, colour in _IN:
        litres = _values(lines, key)
        if key == "overflow_in_l":
            litres = litres - between
        if litres.any():
            _stack(bars, at, litres, up, label, colour)
            up = up + litres
    for label, key, colour in _OUT:
        litres = -_values(lines, key)
        if key == "spill_l":
            litres = litres + between
        if litres.any():
            _stack(bars, at, litres, down, label, colour)
            down = down + litres
    bars.axhline(0, color="black", linewidth=0.8)
    bars.set_ylabel("litres")
    if bars.patches:
        bars.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
    known = [(k, line.rest_l) for k, line in enumerate(lines) if isinstance(line.rest_l, Estimate)]
    if known:
        half = [1.96 * rest.u for _, rest in known]
        rests.bar([k for k, _ in known], [rest.value for _, rest in known], width=0.7, color="#b9b9b9")
        rests.errorbar(
            [k for k, _ in known], [rest.value for _, rest in known], yerr=half,
            fmt="none", ecolor=COLOURS["rest"], capsize=3,
        )  # fmt: skip
    rests.axhline(0, color="black", linewidth=0.8)
    rests.set_ylabel("unexplained rest,\nL with 95 %")
    step = max(1, -(-len(lines) // _FIRST_LABELS))
    labels = [line.label.removeprefix("week of ") + ("" if line.is_whole else "*") for line in lines][::step]
    rests.set_xticks(at[::step], labels)
    rests.tick_params(axis="x", rotation=60 if sum(map(len, labels)) > _MOST_LETTERS else 0)
    days = {"day": "rain days", "week": "weeks of rain days", "month": "months of rain days"}[answer.by]
    rests.set_xlabel(f"{days}, cut at {answer.rain_day_hour:02d}:00 (* not whole)")
    return figure


def _between(lines: tuple[BookLine, ...]) -> Any:
    """What one tank spilt and another took."""
    return np.minimum(_values(lines, "overflow_in_l"), _values(lines, "spill_l"))


def _values(lines: tuple[BookLine, ...], key: str) -> Any:
    return np.array([getattr(line, key).value for line in lines])


def _stack(ax: Any, at: Any, litres: Any, base: Any, label: str, colour: str) -> None:
    ax.bar(at, litres, bottom=base, width=0.7, label=label, color=colour)
