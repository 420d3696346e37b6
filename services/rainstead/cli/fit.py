"""`rainstead fit`: calibrations from what was measured, against those in force."""

from pathlib import Path
from typing import Annotated

import typer

from .folder import open_folder
from .site import AsJson, AsOf, SiteFolder, open_site, show

__all__ = ["app"]

app = typer.Typer(
    help="Work out calibrations from what you measured, and whether they differ from those in force.",
    no_args_is_help=True,
)

TankName = Annotated[str, typer.Argument(metavar="TANK", help="The tank's name in the settings.")]
Plot = Annotated[Path | None, typer.Option("--plot", metavar="FILE", help="Draw it: .png, .svg or .pdf.")]


Typed = Annotated[
    str | None, typer.Option("--u", metavar="QUANTITY", help="Standard uncertainty of that volume; 0.5 % if left out.")
]


@app.command()
def strapping(
    tank: TankName, site: SiteFolder = Path(), plot: Plot = None, as_of: AsOf = None, as_json: AsJson = False
) -> None:
    """A tank's litres at each depth, from known volumes (`note volume`, `note delivery`) and metered pump runs."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_fit

    with open_site(site, as_of) as opened, opened.progress("reading levels") as progress:
        notes = read_notes(site, upto_ms=opened.as_of_ms)
        answer = answers.strapping_fit(opened.settings, opened.reader, opened.as_of_ms, notes, tank, progress=progress)
    if plot is not None:
        from rainstead import plots

        plots.write(plots.strapping(answer), plot)
    show(answer, as_json, layout_fit.strapping)


@app.command()
def dips(
    tank: TankName,
    volumes: Annotated[
        bool, typer.Option("--volumes", help="Litres per centimetre too, from known volumes between dips.")
    ] = False,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Dips (`note dip`) against the ranger: how high its face really stands."""
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_fit

    with open_site(site, as_of) as opened, opened.progress("reading levels") as progress:
        notes = read_notes(site, upto_ms=opened.as_of_ms)
        answer = answers.dips_fit(
            opened.settings, opened.reader, opened.as_of_ms, notes, tank, volumes=volumes, progress=progress
        )
    show(answer, as_json, layout_fit.dips)


@app.command()
def meter(
    volume: Annotated[
        list[str] | None,
        typer.Option("--volume", metavar="QUANTITY", help='A bucket filled through the meter: "20L".'),
    ] = None,
    pulses: Annotated[
        list[int] | None, typer.Option("--pulses", metavar="N", help="What the meter counted; once for each bucket.")
    ] = None,
    time: Annotated[
        list[str] | None,
        typer.Option("--time", metavar="TIME", help='How long each took, for a curve: "6.0 s".'),
    ] = None,
    u: Typed = None,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Pulses per litre: from buckets, or, with nothing typed, from the log's pump runs against the tank's fall.

    Run a petrol engine outdoors only.
    """
    from rainstead import answers
    from rainstead.notebook import read_notes

    from . import layout_fit

    if volume or pulses or time or u:
        here = open_folder(site, as_of)
        with here.reader() as reader:
            answer = answers.bucket_fit(
                here.settings, reader, here.as_of_ms, volume or [], pulses or [], time or [], u=u
            )
    else:
        with open_site(site, as_of) as opened, opened.progress("reading pump runs") as progress:
            notes = read_notes(site, upto_ms=opened.as_of_ms)
            answer = answers.runs_fit(opened.settings, opened.reader, opened.as_of_ms, notes, progress=progress)
    show(answer, as_json, layout_fit.meter)


@app.command()
def gauge(
    poured: Annotated[str, typer.Option("--poured", metavar="QUANTITY", help='Poured in slowly: "500 mL".')],
    funnel: Annotated[str, typer.Option("--funnel", metavar="LENGTH", help='Diameter inside the rim: "200 mm".')],
    tips: Annotated[list[int], typer.Option("--tips", metavar="N", help="Tips counted; once for each pouring.")],
    u: Typed = None,
    funnel_u: Annotated[
        str | None,
        typer.Option("--funnel-u", metavar="LENGTH", help="Its standard uncertainty; 0.5 mm if left out."),
    ] = None,
    on_tips: Annotated[
        bool,
        typer.Option("--on-tips", help="Begun just after a tip and stopped at one, with no part left over."),
    ] = False,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Depth of rain per tip, from a known volume poured through the gauge, slower than a tip in five seconds."""
    from rainstead import answers

    from . import layout_fit

    here = open_folder(site, as_of)
    with here.reader() as reader:
        answer = answers.gauge_fit(
            here.settings, reader, here.as_of_ms, poured, funnel, tips, u=u, funnel_u=funnel_u, on_tips=on_tips
        )
    show(answer, as_json, layout_fit.gauge)
