"""The roofs' yield as a picture: each storm's litres over its rain, the fit, and where one storm should lie."""

from collections.abc import Mapping

from matplotlib.figure import Figure

from rainstead.answers import YieldAnswer, YieldCurve, YieldStorm
from rainstead.calc.desk import Estimate

from .look import COLOURS, new_figure

__all__ = ["yields"]

_BEFORE = "measured before the change"


def yields(answer: YieldAnswer, curves: Mapping[str, YieldCurve], group: str) -> Figure:
    """One group's storms with the fit and the 95 % band; bounds as arrows in the way they point. Raises NoSuchRoofs."""
    found = answer.group(group)
    figure, (ax,) = new_figure(height_in=6.0)
    curve = curves.get(group)
    if curve is not None:
        ax.fill_between(
            curve.rain_mm,
            curve.low_l,
            curve.high_l,
            color=COLOURS["rain"],
            alpha=0.25,
            linewidth=0,
            label="95 % of single storms",
        )
        ax.plot(curve.rain_mm, curve.expected_l, color=COLOURS["water"], linewidth=1.6, label="fit")
    most_mm = max([one.rain_mm for one in found.storms], default=1.0)
    nominal_x = [0.0, found.nominal_loss_mm, max(most_mm * 1.05, 5.0)]
    nominal_y = [0.0, 0.0, (nominal_x[2] - nominal_x[1]) * found.nominal_yield_l_mm]
    ax.plot(nominal_x, nominal_y, color=COLOURS["rest"], linewidth=1.0, linestyle="--", label="settings' nominal")
    since_ms = None if found.change is None else found.change.since_ms
    for label, tint, marker, some in _kinds(found.storms, since_ms):
        if some:
            hollow = label == _BEFORE
            ax.errorbar(
                [one.rain_mm for one in some],
                [one.roof_l for one in some],
                [1.96 * (one.roof_u_l or 0.0) for one in some],
                fmt=marker,
                color=COLOURS[tint],
                markersize=7,
                elinewidth=0.8,
                markerfacecolor="white" if hollow else COLOURS[tint],
                markeredgecolor=COLOURS[tint] if hollow else "white",
                markeredgewidth=0.6,
                label=f"{label} ({len(some)})",
                zorder=3,
            )
    told = f"{answer.site}: {'all roofs' if group == 'site' else f'roofs of {group}'}"
    if isinstance(found.true_yield_l_mm, Estimate):
        est = found.true_yield_l_mm
        told += f", {est.value:.1f} L/mm ({est.low:.1f} to {est.high:.1f})"
    ax.set_title(told, loc="left")
    ax.set_xlabel("rain of the storm, mm")
    ax.set_ylabel("litres off the roofs")
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
    ax.set_xlim(left=0)
    ax.set_ylim(bottom=min(0.0, ax.get_ylim()[0]) if any((one.roof_l or 0) < 0 for one in found.storms) else 0)
    ax.legend(frameon=False, loc="upper left")
    return figure


def _kinds(storms: tuple[YieldStorm, ...], since_ms: int | None) -> list[tuple[str, str, str, list[YieldStorm]]]:
    """Label, colour, marker and storms of each kind that can be drawn."""
    drawn = [one for one in storms if one.roof_l is not None]
    plain = [one for one in drawn if not one.is_odd]
    exact = [one for one in plain if one.bound == "exact"]
    before = [one for one in exact if since_ms is not None and one.start_ms < since_ms]
    return [
        (_BEFORE, "good", "o", before),
        ("measured", "good", "o", exact[len(before) :]),
        ("at least: a tank was full", "bound", "^", [one for one in plain if one.bound == "at_least"]),
        ("at most: overflow came in", "pump", "v", [one for one in plain if one.bound == "at_most"]),
        ("odd", "limit", "X", [one for one in drawn if one.is_odd]),
    ]
