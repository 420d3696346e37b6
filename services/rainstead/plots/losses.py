"""One tank's losses as a picture: levels at dawn, what each day lost to what, and the watch's sum with its limit."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from rainstead.answers import LossesAnswer, TankLosses
from rainstead.errors import RainsteadError

from .look import COLOURS, days, new_figure, time_axis

__all__ = ["NotOneTank", "losses"]


class NotOneTank(RainsteadError, ValueError):
    """A picture shows one tank."""


def losses(answer: LossesAnswer) -> Figure:
    """Of the one tank of the answer. Raises NotOneTank."""
    if len(answer.tanks) != 1:
        names = ", ".join(tank.tank for tank in answer.tanks)
        raise NotOneTank(f"--plot draws one tank: name it, one of {names}")
    (tank,) = answer.tanks
    figure, (levels, split, watch) = new_figure(3, height_in=8.0, heights=(1.1, 1.0, 1.0))
    figure.suptitle(f"{answer.site}: {tank.tank}\n{tank.said}", fontsize=11)
    _levels(levels, tank)
    _split(split, tank)
    _watch(watch, tank)
    time_axis(watch, answer.time_zone)
    return figure


def _levels(ax: Any, tank: TankLosses) -> None:
    plain = np.array([level.spell for level in tank.levels])
    t = days(np.array([level.t_ms for level in tank.levels], dtype=np.int64))
    volume = np.array([level.volume_l for level in tank.levels])
    for spell in np.unique(plain).tolist():
        rows = plain == spell
        ax.plot(t[rows], volume[rows], color=COLOURS["water"], marker="o", markersize=3, linewidth=1.2)
    for step in tank.steps:
        ax.axvspan(days(step.from_ms), days(step.upto_ms), color=COLOURS["bound"], alpha=0.3, linewidth=0)
    ax.set_ylabel("at dawn, L")
    if not tank.levels:
        _nothing(ax)


def _split(ax: Any, tank: TankLosses) -> None:
    rows = tank.days
    if not rows:
        _nothing(ax)
        return
    t = days(np.array([row.t_ms for row in rows], dtype=np.int64)) - 0.5
    dried = np.array([row.evaporation_l_day for row in rows])
    rest = np.array([row.loss_l_day for row in rows]) - dried
    ax.bar(t, dried, width=0.8, color=COLOURS["rain"], label="evaporation, estimated")
    ax.bar(t, rest, width=0.8, bottom=dried, color=COLOURS["loss"], label="the rest")
    ax.plot(t, [row.expected_l_day for row in rows], color=COLOURS["rest"], linewidth=1.4, label="expected")
    ax.set_ylabel("lost, L/day")
    _legend(ax)


def _watch(ax: Any, tank: TankLosses) -> None:
    rows = tank.days
    if not rows:
        _nothing(ax)
        return
    t = days(np.array([row.t_ms for row in rows], dtype=np.int64))
    ax.plot(
        t,
        [row.sum_l for row in rows],
        color=COLOURS["loss"],
        linewidth=1.6,
        label="lost beyond what was expected, summed",
    )
    ax.plot(t, [row.limit_l for row in rows], color=COLOURS["limit"], linewidth=1.2, linestyle="--", label="limit")
    for call in tank.calls:
        end = t[-1] if call.over_ms is None else days(call.over_ms)
        ax.axvspan(days(call.since_ms), end, color=COLOURS["limit"], alpha=0.12, linewidth=0)
        ax.annotate(
            f"called: {call.more_l_day:.0f} L/day more",
            (days(call.called_ms), rows[-1].limit_l),
            xytext=(6, 6),
            textcoords="offset points",
            fontsize=8,
            color=COLOURS["limit"],
        )
    ax.set_ylim(bottom=0)
    ax.set_ylabel("sum, L")
    _legend(ax)


def _legend(ax: Any) -> None:
    """Above the axes, where it hides nothing."""
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), fontsize=8, ncols=3, frameon=False, borderaxespad=0.2)


def _nothing(ax: Any) -> None:
    ax.text(0.5, 0.5, "no standing days", transform=ax.transAxes, ha="center", va="center", color=COLOURS["rest"])
