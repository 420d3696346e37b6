"""What all pictures share: size, colours that a colour-blind eye can tell apart, a time axis in the site's zone."""

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from rainstead.errors import RainsteadError

__all__ = ["COLOURS", "NotWritten", "days", "new_figure", "time_axis", "write"]

COLOURS: Mapping[str, str] = MappingProxyType(
    {
        "water": "#1b6ca8",
        "rain": "#6f9fd8",
        "loss": "#b5552b",
        "pump": "#7a4f9a",
        "good": "#3a7d44",
        "bound": "#c08a00",
        "rest": "#6b6b6b",
        "limit": "#a3262a",
    }
)
"""By what is drawn, so that the same thing has the same colour in every picture."""

_KINDS = (".png", ".svg", ".pdf")


class NotWritten(RainsteadError, OSError):
    """A picture could not be written."""


def new_figure(
    rows: int = 1, *, height_in: float = 5.0, heights: tuple[float, ...] | None = None
) -> tuple[Figure, Any]:
    """A figure of 10 inches width and its axes, one above the other on one time axis; the array of axes has `rows`."""
    figure = Figure(figsize=(10, height_in), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0]
    for ax in axes:
        ax.grid(True, color="#dddddd", linewidth=0.6)
        ax.set_axisbelow(True)
        ax.yaxis.set_major_formatter(FuncFormatter(_litres_as_printed))
        for side in ("top", "right"):
            ax.spines[side].set_visible(False)
    return figure, axes


def _litres_as_printed(value: float, _: int | None) -> str:
    """12,500, as the tables have it."""
    return f"{value:,.10g}".replace("-", "\N{MINUS SIGN}")


def days(t_ms: Any) -> Any:
    """Stamps as the picture's own numbers: days since 1970."""
    return t_ms / 86_400_000.0


def time_axis(ax: Any, zone: str) -> None:
    """Dates and hours of the site's zone along the foot; the data are `days(t_ms)`."""
    tz = ZoneInfo(zone)
    locator = AutoDateLocator(tz=tz, minticks=4, maxticks=9)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=tz))


def write(figure: Figure, path: Path) -> None:
    """To a .png, .svg or .pdf file. Raises NotWritten."""
    if path.suffix.lower() not in _KINDS:
        raise NotWritten(f"--plot {path}: a picture can be {', '.join(_KINDS)}; name the file accordingly")
    try:
        figure.savefig(path)
    except OSError as error:
        raise NotWritten(f"--plot {path}: cannot be written ({error.strerror})") from None
