"""The commands that read a site's log. What is heavy is imported when a command runs, so that help comes at once."""

from pathlib import Path
from typing import Annotated

import typer

from .site import AsJson, AsOf, SiteFolder, open_site, show, since_ms

__all__ = ["add_to"]

Since = Annotated[str | None, typer.Option("--since", metavar="TIME", help="Only what ended after this.")]
Days = Annotated[int, typer.Option("--days", min=1, max=3660, help="How many days.")]


def add_to(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    for command in (now, tanks, rain, storms, pump, alarms, replay, health):
        app.command()(command)


def now(site: SiteFolder = Path(), as_of: AsOf = None, as_json: AsJson = False) -> None:
    """How everything stands: litres, freeboard, reserve, rain, flow, alarms."""
    from rainstead import answers

    from . import layout

    with open_site(site, as_of) as opened, opened.progress("catching up") as progress:
        answer = answers.now(opened.settings, opened.reader, opened.as_of_ms, progress=progress)
    show(answer, as_json, layout.now)


def tanks(
    name: Annotated[str | None, typer.Argument(help="One tank; all where it is left out.")] = None,
    site: SiteFolder = Path(),
    days: Annotated[int, typer.Option("--days", min=0, max=3660, help="Daily litres of so many days.")] = 0,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Each tank in detail, and its daily litres."""
    from rainstead import answers

    from . import layout

    with open_site(site, as_of) as opened, opened.progress("catching up") as progress:
        answer = answers.tanks(opened.settings, opened.reader, opened.as_of_ms, only=name, days=days, progress=progress)
    show(answer, as_json, layout.tanks)


def rain(site: SiteFolder = Path(), days: Days = 14, as_of: AsOf = None, as_json: AsJson = False) -> None:
    """Rain by the rain day."""
    from rainstead import answers

    from . import layout

    with open_site(site, as_of) as opened, opened.progress("reading rain") as progress:
        answer = answers.rain(opened.settings, opened.reader, opened.as_of_ms, days=days, progress=progress)
    show(answer, as_json, layout.rain)


def storms(
    site: SiteFolder = Path(),
    since: Since = None,
    least: Annotated[float, typer.Option("--least", min=0, help="Only storms of so many millimetres.")] = 0.0,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Each storm: when it began and ended, and how much it brought."""
    from rainstead import answers

    from . import layout

    with open_site(site, as_of) as opened, opened.progress("reading rain") as progress:
        answer = answers.storms(
            opened.settings,
            opened.reader,
            opened.as_of_ms,
            since_ms=since_ms(since, opened),
            least_mm=least,
            progress=progress,
        )
    show(answer, as_json, layout.storms)


def pump(site: SiteFolder = Path(), since: Since = None, as_of: AsOf = None, as_json: AsJson = False) -> None:
    """Each pump run: how long, how many litres, how fast."""
    from rainstead import answers

    from . import layout

    with open_site(site, as_of) as opened, opened.progress("reading the meter") as progress:
        answer = answers.pump(
            opened.settings, opened.reader, opened.as_of_ms, since_ms=since_ms(since, opened), progress=progress
        )
    show(answer, as_json, layout.pump)


def alarms(
    site: SiteFolder = Path(),
    most: Annotated[int, typer.Option("--most", min=0, help="At most so many events.")] = 50,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """What is active, and what was raised and cleared when."""
    from rainstead import answers

    from . import layout

    with open_site(site, as_of) as opened:
        answer = answers.alarms(opened.settings, opened.reader, opened.as_of_ms, most=most)
    show(answer, as_json, layout.alarms)


def replay(
    site: SiteFolder = Path(),
    settings: Annotated[
        Path | None, typer.Option("--settings", help="Other settings: show what would have differed.")
    ] = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Work the whole log out again and compare; exit code 1 where the log's own alarms differ."""
    from rainstead import answers
    from rainstead.settings import load_settings

    from . import layout

    with open_site(site, as_of) as opened, opened.progress("working the log out again", whole=True) as progress:
        other = None if settings is None else load_settings(settings)
        answer = answers.replay_log(
            opened.settings,
            opened.reader,
            opened.as_of_ms,
            other=other,
            other_name=None if settings is None else str(settings),
            progress=progress,
        )
    show(answer, as_json, layout.replay)
    if other is None and not answer.is_identical:
        raise typer.Exit(1)


def health(site: SiteFolder = Path(), as_of: AsOf = None, as_json: AsJson = False) -> None:
    """How the logger is: sensors with reasons and counts, clock, disk, queue, board."""
    from rainstead import answers

    from . import layout_health

    with open_site(site, as_of) as opened:
        answer = answers.health(opened.settings, opened.reader, opened.as_of_ms, site=opened.folder, look_back=True)
    show(answer, as_json, layout_health.health)
