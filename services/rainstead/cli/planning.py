"""The commands that look ahead: what to pump before rain, how long the reserve lasts, what to build."""

from pathlib import Path
from typing import Annotated

import typer

from .site import AsJson, AsOf, SiteFolder, open_site, show

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    for command in (transfer,):
        app.command()(command)


def transfer(
    rain: Annotated[
        str | None,
        typer.Option("--rain", metavar="MM", help="Rain expected: 25mm, or low,likely,high (10, 50, 90 %): 10,25,40."),
    ] = None,
    forecast: Annotated[
        Path | None,
        typer.Option("--forecast", help="CSV or JSON with from, upto, low_mm, likely_mm, high_mm."),
    ] = None,
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
        told = answers.rain_ahead(opened.settings, notes, opened.as_of_ms, rain, forecast)
        answer = answers.transfer(
            opened.settings,
            opened.reader,
            notes,
            opened.as_of_ms,
            told,
            fitted=answers.read_yields(yields or [], opened.settings),
            progress=progress,
        )
    show(answer, as_json, layout_planning.transfer)
