"""The command about losses: what evaporates, what seeps, and whether a leak has begun."""

from pathlib import Path
from typing import Annotated

import typer

from .site import AsJson, AsOf, SiteFolder, open_site, show

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Hang the command on the program."""
    app.command("losses")(losses)


def losses(
    tank: Annotated[str | None, typer.Argument(metavar="[TANK]", help="One tank; all where it is left out.")] = None,
    site: SiteFolder = Path(),
    days: Annotated[int, typer.Option("--days", min=2, max=3660, help="Over so many days.")] = 90,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="Draw one tank, into a .png, .svg or .pdf file.")
    ] = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """What each tank loses while nothing is taken from it: evaporation, seepage, and a leak that has begun."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_losses

    with open_site(site, as_of) as opened, opened.progress("reading levels") as progress:
        answer = answers.losses(
            opened.settings,
            opened.reader,
            read_notes(opened.folder, upto_ms=opened.as_of_ms),
            opened.as_of_ms,
            only=tank,
            days=days,
            progress=progress,
        )
    if plot is not None:
        from rainstead import plots

        plots.write(plots.losses(answer), plot)
    show(answer, as_json, layout_losses.losses)
