"""A tank's table as fitted, over the calibration in force."""

from matplotlib.figure import Figure

from rainstead.answers import StrappingFit, Unknown

from .look import COLOURS, new_figure

__all__ = ["strapping"]


def strapping(answer: StrappingFit) -> Figure:
    """Litres over depth above, and below how far the fit lies from the calibration in force."""
    figure, (above, below) = new_figure(2, height_in=6.5, heights=(2.0, 1.0))
    above.set_title(f"{answer.site}: litres in {answer.tank} by depth")
    if isinstance(answer.volume_l, Unknown):
        above.text(
            0.5, 0.5, f"Not enough to say,\nbecause {answer.volume_l.because}", ha="center", va="center", wrap=True,
            transform=above.transAxes,
        )  # fmt: skip
    depths = [line.depth_m for line in answer.table]
    fitted = [line.volume_l.value for line in answer.table]
    half = [1.96 * line.volume_l.u for line in answer.table]
    in_force = [line.in_force_l for line in answer.table]
    above.plot(depths, in_force, color=COLOURS["rest"], linestyle="--", label="in force")
    above.plot(depths, fitted, color=COLOURS["water"], marker="o", markersize=4, label="fitted")
    gap = [new - old for new, old in zip(fitted, in_force, strict=True)]
    below.axhline(0, color=COLOURS["rest"], linestyle="--")
    below.errorbar(depths, gap, yerr=half, color=COLOURS["water"], marker="o", markersize=4, capsize=3)
    for line, lower in zip(answer.table[1:], answer.table, strict=False):
        if not line.is_measured:
            for ax in (above, below):
                ax.axvspan(lower.depth_m, line.depth_m, color="#eeeeee", zorder=0)
    above.set_ylabel("litres")
    below.set_ylabel("fitted less in force, L")
    below.set_xlabel("depth above the floor, m (grey: not measured, taken over from the calibration in force)")
    above.legend(loc="upper left", frameon=False)
    return figure
