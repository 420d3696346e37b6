"""`rainstead note`: what people know and no sensor says, written into the site's notebook."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .folder import Folder, open_folder
from .site import AsJson, AsOf, SiteFolder, show, tell_of_clock

if TYPE_CHECKING:
    from rainstead.notebook import Entry

__all__ = ["app"]

app = typer.Typer(
    help="Note dips, deliveries, fuel, nozzle settings, forecasts; nothing noted is ever altered, only struck out.",
    no_args_is_help=True,
)

# A volume that came out of the tank begins with a minus, which is not an option.
_MINUS = {"ignore_unknown_options": True}

TankName = Annotated[str, typer.Argument(metavar="TANK", help="The tank's name in the settings.")]
At = Annotated[
    str | None, typer.Option("--at", metavar="TIME", help="When: 14:30 (today) or 2026-03-29T14:30; now if left out.")
]
Begun = Annotated[
    str | None, typer.Option("--from", metavar="TIME", help="When it began; an hour before its end if left out.")
]
Ended = Annotated[str | None, typer.Option("--to", metavar="TIME", help="When it ended; now if left out.")]
Sure = Annotated[
    str | None,
    typer.Option("--u", metavar="QUANTITY", help="Its standard uncertainty: two of three lie within it."),
]


@app.command()
def dip(
    tank: TankName,
    depth: Annotated[str, typer.Argument(metavar="DEPTH", help='Water above the floor, with its unit: "1.23 m".')],
    at: At = None,
    u: Sure = None,
    site: SiteFolder = Path(),
) -> None:
    """A depth measured by hand. Never over open water alone."""
    from rainstead import answers

    here = open_folder(site)
    _add(here, answers.dip_entry(here.settings, here.now_ms, tank, depth, at=at, u=u))


@app.command()
def delivery(
    tank: TankName,
    volume: Annotated[str, typer.Argument(metavar="VOLUME", help='With its unit: "9 kL", "2000 imp gal".')],
    begun: Begun = None,
    ended: Ended = None,
    u: Sure = None,
    site: SiteFolder = Path(),
) -> None:
    """Carted water let into a tank."""
    from rainstead import answers

    here = open_folder(site)
    _add(here, answers.delivery_entry(here.settings, here.now_ms, tank, volume, begun=begun, ended=ended, u=u))


@app.command(context_settings=_MINUS)
def volume(
    tank: TankName,
    litres: Annotated[str, typer.Argument(metavar="VOLUME", help='With its unit; "-200 L" came out of the tank.')],
    begun: Begun = None,
    ended: Ended = None,
    u: Sure = None,
    site: SiteFolder = Path(),
) -> None:
    """A volume known from outside that went into a tank, or out of it: what `fit strapping` works from."""
    from rainstead import answers

    here = open_folder(site)
    _add(here, answers.known_volume_entry(here.settings, here.now_ms, tank, litres, begun=begun, ended=ended, u=u))


@app.command()
def fuel(
    litres: Annotated[str, typer.Argument(metavar="VOLUME", help='With its unit: "650 mL".')],
    at: At = None,
    u: Sure = None,
    site: SiteFolder = Path(),
) -> None:
    """Petrol that filled the pump's tank to the same mark again. Engine off and cool, outdoors."""
    from rainstead import answers

    here = open_folder(site)
    _add(here, answers.fuel_entry(here.settings, here.now_ms, litres, at=at, u=u))


@app.command()
def run(
    at: At = None,
    nozzle: Annotated[
        str | None, typer.Option("--nozzle", metavar="LABEL", help="Your own word for the nozzle's setting.")
    ] = None,
    to: Annotated[str | None, typer.Option("--to", metavar="TANK|ground", help="Where the water went.")] = None,
    site: SiteFolder = Path(),
) -> None:
    """What you know of the pump run at that time."""
    from rainstead import answers

    here = open_folder(site)
    _add(here, answers.run_entry(here.settings, here.now_ms, at=at, nozzle=nozzle, to=to))


@app.command()
def forecast(
    low: Annotated[str, typer.Argument(metavar="LOW", help='Nine times of ten it is more: "4 mm".')],
    likely: Annotated[str, typer.Argument(metavar="LIKELY", help="As often more as less.")],
    high: Annotated[str, typer.Argument(metavar="HIGH", help="Nine times of ten it is less.")],
    ends: Annotated[str, typer.Option("--to", metavar="TIME", help="When that rain will have fallen.")],
    begins: Annotated[str | None, typer.Option("--from", metavar="TIME", help="From when; now if left out.")] = None,
    site: SiteFolder = Path(),
) -> None:
    """Rain that is expected, as low, likely and high."""
    from rainstead import answers

    here = open_folder(site)
    _add(here, answers.forecast_entry(here.settings, here.now_ms, low, likely, high, begins=begins, ends=ends))


@app.command("list")
def list_notes(
    site: SiteFolder = Path(),
    struck: Annotated[bool, typer.Option("--struck", help="Those struck out too.")] = False,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """What is in the notebook."""
    from rainstead import answers
    from rainstead.notebook import read_entries

    from . import layout_notes

    here = open_folder(site, as_of)
    with here.reader() as reader:
        answer = answers.notes(here.settings, reader, here.as_of_ms, read_entries(site), with_struck=struck)
    show(answer, as_json, layout_notes.notes)


@app.command()
def strike(
    number: Annotated[int, typer.Argument(metavar="N", help="Its number, as `rainstead note list` shows.")],
    site: SiteFolder = Path(),
) -> None:
    """Strike an entry out: it stays in the notebook and counts no more. To correct one, strike it and note it anew."""
    from rainstead import answers
    from rainstead.notebook import Notebook

    from . import layout_notes

    here = open_folder(site)
    with Notebook(site) as notebook:
        kept = notebook.strike(number, here.now_ms)
    typer.echo(f"Struck out {number}: {layout_notes.entry(answers.note_line(kept), here.settings.site.time_zone)}")


def _add(here: Folder, entry: "Entry") -> None:
    """Write it down and say how it was understood."""
    from rainstead import answers
    from rainstead.notebook import Kept, Notebook

    from . import layout_notes

    with Notebook(here.path) as notebook:
        number = notebook.add(entry, here.now_ms)
    line = answers.note_line(Kept(number, here.now_ms, None, entry))
    typer.echo(f"Noted as {number}: {layout_notes.entry(line, here.settings.site.time_zone)}")
    tell_of_clock()
