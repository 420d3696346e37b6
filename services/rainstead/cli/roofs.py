"""The commands about roofs: one storm's sheet, and what a millimetre of rain gives."""

from pathlib import Path
from typing import Annotated

import typer

from .site import AsJson, AsOf, SiteFolder, open_site, show

__all__ = ["add_to"]

PlotFile = Annotated[
    Path | None, typer.Option("--plot", metavar="FILE", help="Draw it, into a .png, .svg or .pdf file.")
]
_DAY_MS = 86_400_000


def add_to(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command("storm")(storm)
    app.command("yield")(roof_yield)


def storm(
    when: Annotated[
        str | None,
        typer.Argument(
            metavar="[WHEN]", help="A day or a time: the storm then, or the nearest; the newest if left out."
        ),
    ] = None,
    site: SiteFolder = Path(),
    plot: PlotFile = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """The sheet of one storm: rain, litres gained, and what the roofs should have given."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_roofs

    with open_site(site, as_of) as opened, opened.progress("reading the storm") as progress:
        from_ms, upto_ms = (
            None if when is None else answers.read_time_ms(when, opened.zone, "WHEN", date_is_end=end)
            for end in (False, True)
        )
        answer, series = answers.storm(
            opened.settings,
            opened.reader,
            read_notes(opened.folder, upto_ms=opened.as_of_ms),
            opened.as_of_ms,
            from_ms=from_ms,
            upto_ms=upto_ms,
            progress=progress,
        )
    if plot is not None:
        from rainstead import plots

        plots.write(plots.storm(answer, series), plot)
    show(answer, as_json, layout_roofs.storm)


def roof_yield(
    site: SiteFolder = Path(),
    since: Annotated[
        str | None, typer.Option("--since", metavar="TIME", help="Storms that began after this; a year if left out.")
    ] = None,
    group: Annotated[
        str, typer.Option("--group", metavar="NAME", help="Which roofs to draw: `site`, or a name of the table.")
    ] = "site",
    plot: PlotFile = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Litres per millimetre of rain over many storms; odd storms, and a fall that lasts."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_roofs
    from .site import since_ms

    with open_site(site, as_of) as opened, opened.progress("reading storms") as progress:
        from_ms = since_ms(since, opened)
        answer, curves = answers.yields(
            opened.settings,
            opened.reader,
            read_notes(opened.folder, upto_ms=opened.as_of_ms),
            opened.as_of_ms,
            from_ms=opened.as_of_ms - 365 * _DAY_MS if from_ms is None else from_ms,
            progress=progress,
        )
    answer.group(group)
    if plot is not None:
        from rainstead import plots

        plots.write(plots.yields(answer, curves, group), plot)
    show(answer, as_json, layout_roofs.yields)
