"""The commands that look ahead: what to pump before rain, how long the reserve lasts, what to build."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .site import AsJson, AsOf, OpenSite, SiteFolder, open_site, show

if TYPE_CHECKING:
    from rainstead.answers import TankFit

__all__ = ["add_to"]

Record = Annotated[
    Path | None,
    typer.Option("--record", help="CSV of past rain with date and rain_mm; the site's own log where left out."),
]
DrawADay = Annotated[
    str | None,
    typer.Option("--draw", metavar="LITRES", help='What the house draws a day, "300 L", in place of what is known.'),
]
Fitted = Annotated[
    bool, typer.Option("--fitted", help="Take the yields that the log's own storms show, where they are enough.")
]
Plot = Annotated[Path | None, typer.Option("--plot", metavar="FILE", help="Draw it too: a .png, .svg or .pdf file.")]


def add_to(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    for command in (transfer, outlook, sizing):
        app.command()(command)


def _fitted(opened: OpenSite, progress: Callable[[int], None] | None) -> "dict[str, TankFit]":
    from rainstead import answers
    from rainstead.notebook import read_notes

    notes = read_notes(opened.folder, upto_ms=opened.as_of_ms)
    return answers.fitted_yields(opened.settings, opened.reader, notes, opened.as_of_ms, progress=progress)


def transfer(
    rain: Annotated[
        str | None,
        typer.Option("--rain", metavar="MM", help="Rain expected: 25mm, or low,likely,high (10, 50, 90 %): 10,25,40."),
    ] = None,
    forecast: Annotated[
        Path | None,
        typer.Option("--forecast", help="CSV or JSON with from, upto, low_mm, likely_mm, high_mm."),
    ] = None,
    fitted: Fitted = False,
    yields: Annotated[
        list[str] | None,
        typer.Option("--yield", metavar="TANK=L_PER_MM", help="A roof's yield, in place of the settings' nominal."),
    ] = None,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """What expected rain will spill, and the smallest transfer that keeps it; else by the notebook's forecast."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_planning

    with open_site(site, as_of) as opened, opened.progress("catching up") as progress:
        notes = read_notes(opened.folder, upto_ms=opened.as_of_ms)
        told = answers.rain_ahead(opened.settings, opened.reader, notes, opened.as_of_ms, rain, forecast)
        measured = _fitted(opened, progress) if fitted else {}
        answer = answers.transfer(
            opened.settings,
            opened.reader,
            notes,
            opened.as_of_ms,
            told,
            fitted=measured | answers.read_yields(yields or [], opened.settings),
            progress=progress,
        )
    show(answer, as_json, layout_planning.transfer)


def outlook(
    days: Annotated[
        str, typer.Option("--days", metavar="DAYS", help="How far to look: a few numbers of days, with commas.")
    ] = "30,60,90",
    record: Record = None,
    any_season: Annotated[
        bool, typer.Option("--any-season", help="Take rain from any time of the record's year, not this season's.")
    ] = False,
    draw: DrawADay = None,
    fitted: Fitted = False,
    plot: Plot = None,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Days until the fire reserve is touched at the present draw, and how likely that is with rain as it has been."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_planning

    with open_site(site, as_of) as opened, opened.progress("reading back") as progress:
        answer = answers.outlook(
            opened.settings,
            opened.reader,
            read_notes(opened.folder, upto_ms=opened.as_of_ms),
            opened.as_of_ms,
            answers.rain_record(opened.settings, opened.reader, opened.as_of_ms, record),
            horizons=answers.read_horizons(days),
            draw_l_day=answers.read_draw(draw),
            any_season=any_season,
            fitted=_fitted(opened, progress) if fitted else None,
            progress=progress,
        )
    if plot is not None:
        from rainstead import plots

        plots.write(plots.outlook(answer), plot)
    show(answer, as_json, layout_planning.outlook)


def sizing(
    option: Annotated[
        list[str] | None,
        typer.Option(
            "--option",
            metavar="WHAT",
            help="What to try, again and again: 'tank=10kL cost=1800', 'roof=40m2', 'cover cost=900', 'draw=250L'.",
        ),
    ] = None,
    record: Record = None,
    draw: DrawADay = None,
    years: Annotated[
        float, typer.Option("--years", min=1, max=200, help="How long what is built lasts, for its cost by the litre.")
    ] = 20,
    plot: Plot = None,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """What another tank, more roof, a cover or a smaller draw would have done over past rain."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_planning

    with open_site(site, as_of) as opened, opened.progress("reading back") as progress:
        answer = answers.sizing(
            opened.settings,
            opened.reader,
            read_notes(opened.folder, upto_ms=opened.as_of_ms),
            opened.as_of_ms,
            answers.rain_record(opened.settings, opened.reader, opened.as_of_ms, record),
            answers.read_options(option or []),
            draw_l_day=answers.read_draw(draw),
            years=years,
            progress=progress,
        )
    if plot is not None:
        from rainstead import plots

        plots.write(plots.sizing(answer), plot)
    show(answer, as_json, layout_planning.sizing)
