"""The reserve in the time to come: a fan of what rain may do, over the line of no rain at all."""

from matplotlib.figure import Figure

from rainstead.answers import OutlookAnswer

from .look import COLOURS, days, new_figure, time_axis

__all__ = ["outlook"]

_DAY_MS = 86_400_000


def outlook(answer: OutlookAnswer) -> Figure:
    """Usable litres of the reserve's tanks against the fire reserve, by the day."""
    figure, (ax,) = new_figure()
    if not answer.fan:
        ax.text(0.5, 0.5, "not enough to say", transform=ax.transAxes, ha="center")
        return figure
    when = [days(answer.as_of_ms + line.day * _DAY_MS) for line in answer.fan]
    if answer.rain is not None:
        low, middle, high = (
            [getattr(line, key) or 0.0 for line in answer.fan] for key in ("low_l", "middle_l", "high_l")
        )
        ax.fill_between(
            when, low, high, color=COLOURS["rain"], alpha=0.35, linewidth=0, label="with rain, 8 in 10 of the paths"
        )
        ax.plot(when, middle, color=COLOURS["water"], linewidth=2, label="with rain, the middle of the paths")
    ax.plot(when, [line.dry_l for line in answer.fan], color=COLOURS["loss"], linewidth=2, label="with no rain")
    ax.axhline(answer.fire_l, color=COLOURS["limit"], linestyle="--", linewidth=1.5, label="fire reserve")
    ax.set_ylim(bottom=0)
    ax.set_ylabel("usable in the reserve's tanks, L")
    ax.yaxis.set_major_formatter("{x:,.0f}")
    title = f"{answer.site}: reserve outlook"
    if answer.rain is not None:
        title += f"; rain as in {answer.rain.first_day} to {answer.rain.last_day}"
    ax.set_title(title, loc="left", fontsize=11)
    ax.legend(frameon=False, loc="best")
    time_axis(ax, answer.time_zone)
    return figure
