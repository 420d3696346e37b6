"""Days short of water against the size of another tank, with the other options as levels."""

from matplotlib.figure import Figure

from rainstead.answers import SizingAnswer

from .look import COLOURS, new_figure

__all__ = ["sizing"]

_YEAR_DAYS = 365.25


def sizing(answer: SizingAnswer) -> Figure:
    """The band between the two rules for a day's order, over litres of another tank."""
    figure, (ax,) = new_figure()
    if answer.record is None:
        ax.text(0.5, 0.5, "not enough to say", transform=ax.transAxes, ha="center")
        return figure
    litres = [point.tank_l for point in answer.curve]
    after = [point.after_days_year for point in answer.curve]
    before = [point.before_days_year for point in answer.curve]
    ax.fill_between(litres, before, after, color=COLOURS["water"], alpha=0.25, linewidth=0)
    ax.plot(
        litres, after, color=COLOURS["water"], linewidth=2, label="another tank; rain spills before the house draws"
    )
    ax.plot(
        litres, before, color=COLOURS["water"], linewidth=1, linestyle="--", label="the house draws before rain spills"
    )
    per_year = _YEAR_DAYS / answer.record.days
    levels = sorted(
        (line.after.days_short * per_year, line.name)
        for line in answer.options
        if not line.tank_l and line.name != "as it is"
    )
    top = max([*after, *(level for level, _ in levels), 1.0])
    written = -top
    for level, name in levels:
        ax.axhline(level, color=COLOURS["rest"], linewidth=0.8, linestyle=":")
        # Names of levels that lie together are stacked, so that each can be read.
        written = max(level, written + 0.045 * top)
        ax.text(litres[-1], written, f"{name}: {level:.0f}", ha="right", va="bottom", fontsize=8, color=COLOURS["rest"])
    ax.set_xlim(0, litres[-1])
    ax.set_ylim(bottom=0, top=1.25 * max(top, written))
    ax.set_xlabel("another tank, L")
    ax.set_ylabel("days short a year")
    ax.xaxis.set_major_formatter("{x:,.0f}")
    record = answer.record
    title = f"{answer.site}: {answer.draw_l_day:,.0f} L a day over rain of {record.first_day} to {record.last_day}"
    ax.set_title(title, loc="left", fontsize=11)
    ax.legend(frameon=False, loc="upper center", fontsize=9)
    return figure
