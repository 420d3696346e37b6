"""The commands of the pump's own questions: one run's sheet, and what the water at hand can wet."""

from pathlib import Path
from typing import Annotated

import typer

from .site import AsJson, AsOf, SiteFolder, open_site, show

__all__ = ["add_to"]

Plot = Annotated[Path | None, typer.Option("--plot", metavar="FILE", help="Draw it: a .png, .svg or .pdf file.")]


def add_to(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command()(run)
    app.command()(defence)


def run(
    when: Annotated[
        str | None,
        typer.Argument(
            metavar="[WHEN]", help="A day (its newest run), or a time within a run or near it; the newest if left out."
        ),
    ] = None,
    pressure: Annotated[
        str | None,
        typer.Option("--pressure", metavar="P", help='Pressure at the pump: "300 kPa", "45 psi"; tells its work.'),
    ] = None,
    plot: Plot = None,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """One pump run: litres by meter and tanks, whether they agree, flow, fuel, and earlier runs beside it."""
    from rainstead import answers
    from rainstead.answers import read_time_ms

    from . import layout_run

    with open_site(site, as_of) as opened, opened.progress("reading the log") as progress:
        from_ms, upto_ms = (
            None if when is None else read_time_ms(when, opened.zone, "WHEN", date_is_end=end) for end in (False, True)
        )
        answer = answers.run(
            opened.settings,
            opened.reader,
            opened.folder,
            opened.as_of_ms,
            from_ms=from_ms,
            upto_ms=upto_ms,
            pressure=pressure,
            progress=progress,
        )
    if plot is not None:
        from rainstead import plots

        plots.write(plots.run(answer), plot)
    show(answer, as_json, layout_run.run)


def defence(
    area: Annotated[str, typer.Option("--area", metavar="AREA", help='Ground to wet: "0.5 acre", "600 m2".')],
    depth: Annotated[str, typer.Option("--depth", metavar="DEPTH", help='How deep: "5 mm". 1 mm on 1 m2 is 1 L.')],
    nozzle: Annotated[
        str | None, typer.Option("--nozzle", metavar="LABEL", help="Plan with the runs at this setting.")
    ] = None,
    flow: Annotated[
        str | None, typer.Option("--flow", metavar="FLOW", help='Plan with this flow: "120 L/min", "30 us gal/min".')
    ] = None,
    flow_u: Annotated[
        str | None,
        typer.Option("--flow-u", metavar="FLOW", help="Its standard uncertainty; a tenth of it if left out."),
    ] = None,
    bucket: Annotated[
        str | None, typer.Option("--bucket", metavar="VOLUME", help='Flow by a vessel that was filled: "20 L".')
    ] = None,
    filled_in: Annotated[
        str | None, typer.Option("--filled-in", metavar="TIME", help='How long it took to fill: "6 s".')
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option("--fuel", metavar="VOLUME", help="All petrol at hand; the pump's tank full if left out."),
    ] = None,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """What it takes to put a depth of water on some ground, and what the water and fuel at hand give."""
    from rainstead import answers

    from . import layout_defence

    with open_site(site, as_of) as opened, opened.progress("reading the log") as progress:
        answer = answers.defence(
            opened.settings,
            opened.reader,
            opened.folder,
            opened.as_of_ms,
            answers.DefenceAsked(area, depth, nozzle, flow, flow_u, bucket, filled_in, fuel),
            progress=progress,
        )
    show(answer, as_json, layout_defence.defence)
