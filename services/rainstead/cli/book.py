"""`rainstead book`: the water book."""

from pathlib import Path
from typing import Annotated

import typer

from .site import AsJson, AsOf, SiteFolder, open_site, show

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Hang the command on the program."""
    app.command()(book)


def book(
    tank: Annotated[str | None, typer.Argument(metavar="TANK", help="One tank; all where it is left out.")] = None,
    by: Annotated[str, typer.Option("--by", metavar="day|week|month", help="How to cut it.")] = "day",
    since: Annotated[str | None, typer.Option("--since", metavar="DATE", help="From this rain day on.")] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="DATE", help="Up to this rain day.")] = None,
    nominal: Annotated[
        bool, typer.Option("--nominal", help="Roofs by the settings' figures, not by the log's own storms.")
    ] = False,
    site: SiteFolder = Path(),
    plot: Annotated[Path | None, typer.Option("--plot", metavar="FILE", help="Draw it: .png, .svg or .pdf.")] = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """The water book: what came, what went, and what nothing explains, by rain day, week or month."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_book

    with open_site(site, as_of) as opened, opened.progress("keeping the book") as progress:
        notes = read_notes(site, upto_ms=opened.as_of_ms)
        answer = answers.book(
            opened.settings,
            opened.reader,
            notes,
            opened.as_of_ms,
            only=tank,
            by=by,
            since=since,
            until=until,
            nominal=nominal,
            progress=progress,
        )
    if plot is not None:
        from rainstead import plots

        plots.write(plots.book(answer), plot)
    show(answer, as_json, layout_book.book)
