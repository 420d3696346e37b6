"""One storm as a picture: rain above, the tanks' litres below on the same hours."""

import numpy as np
from matplotlib.figure import Figure

from rainstead.answers import StormAnswer, StormSeries, local

from .look import COLOURS, days, new_figure, time_axis

__all__ = ["storm"]

_STYLES = ("-", "--", "-.", ":")
_TINTS = ("water", "pump", "good", "loss", "rest")


def storm(answer: StormAnswer, series: StormSeries) -> Figure:
    """Bars of rain over each tank's litres; the brim of a tank that comes near it, and where levels were read."""
    figure, (above, below) = new_figure(2, height_in=6.5, heights=(1, 2))
    width = days(series.bin_ms)
    above.bar(
        days(series.bins_ms),
        series.bins_mm,
        width=width,
        align="edge",
        color=COLOURS["rain"],
        edgecolor="white",
        linewidth=0.3,
    )
    minutes = series.bin_ms // 60_000
    above.set_ylabel(f"rain, mm in {minutes} min" if minutes < 60 else f"rain, mm in {minutes // 60} h")
    above.set_ylim(bottom=0)
    begun = local(answer.storm.start_ms, answer.time_zone)
    above.set_title(f"{answer.site}: storm of {begun:%Y-%m-%d}, {answer.rain_mm.value:.1f} mm", loc="left")
    for k, (name, (t_ms, volume_l)) in enumerate(series.tanks.items()):
        if not len(t_ms):
            continue
        colour = COLOURS[_TINTS[k % len(_TINTS)]]
        gap = np.flatnonzero(np.diff(t_ms) > 15 * 60_000) + 1
        at, litres = np.insert(days(t_ms), gap, np.nan), np.insert(volume_l, gap, np.nan)
        below.plot(at, litres, _STYLES[k % len(_STYLES)], color=colour, linewidth=1.8, label=name)
        if volume_l.max() > 0.95 * series.brims_l[name]:
            brim_l = series.brims_l[name]
            below.axhline(brim_l, color=colour, linewidth=0.8, alpha=0.7)
            below.annotate(
                f"brim of {name}", (at[0], brim_l), xytext=(2, 3), textcoords="offset points", color=colour, fontsize=8
            )
    for at_ms in (answer.before_ms, answer.after_ms):
        below.axvline(days(at_ms), color=COLOURS["rest"], linewidth=0.8, linestyle=":")
    below.annotate(
        "levels read",
        (days(answer.before_ms), 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(-3, -3),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=8,
        color=COLOURS["rest"],
    )
    below.set_ylabel("litres in the tank")
    below.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
    below.margins(y=0.12)
    below.legend(frameon=False, loc="center left", bbox_to_anchor=(1.0, 0.5))
    time_axis(below, answer.time_zone)
    return figure
