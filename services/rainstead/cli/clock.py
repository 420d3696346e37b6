"""`rainstead clock`: the owner's word on a clock that nobody else sets."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rainstead.clock import SystemClock
from rainstead.errors import LogError, SettingsError

from .site import SiteFolder
from .words import when

if TYPE_CHECKING:
    from rainstead.settings import Settings

app = typer.Typer(
    help="The clock of a board that sees no network: confirm it, or date a boot later.", no_args_is_help=True
)


@app.command()
def confirm(site: SiteFolder = Path()) -> None:
    """On the board, once its clock is set: say that it is right now. This boot's stamps are then put right."""
    from rainstead.clockword import confirm_clock, machine_boot_uuid

    settings = _settings(site)
    boot_uuid = machine_boot_uuid()
    if boot_uuid is None:
        raise LogError("this machine does not name its boots, so a word for this one would hold for all")
    now_ms = SystemClock().wall_ms()
    confirm_clock(site, boot_uuid, now_ms)
    typer.echo(f"Noted: in this boot it is {when(now_ms, settings.site.time_zone)}, and the clock is right.")
    typer.echo(
        "A logger that runs here takes it within a second. If that time is wrong, set the clock: stamps follow it."
    )


@app.command()
def boots(site: SiteFolder = Path()) -> None:
    """List the runs of the logger whose clock was never known to be right."""
    from rainstead.log import LogReader

    settings = _settings(site)
    with LogReader(site) as reader:
        undated = reader.undated_runs()
    if not undated:
        typer.echo("Every run of the logger is dated by a clock that was right.")
        return
    for run in undated:
        first, last = (when(t_ms, settings.site.time_zone) for t_ms in (run.first_ms, run.last_ms))
        typer.echo(f"run {run.number}: stamped {first} to {last}, a guess")
    typer.echo("`rainstead clock date RUN TIME` says when its first reading was made.")


@app.command()
def date(
    run: Annotated[int, typer.Argument(help="The run's number, as `rainstead clock boots` lists it.")],
    began: Annotated[str, typer.Argument(metavar="TIME", help="When its first reading was made.")],
    site: SiteFolder = Path(),
) -> None:
    """Say when a finished run began, from memory or a notebook. The logger must be stopped meanwhile."""
    from rainstead.answers import read_time_ms
    from rainstead.log import LogReader, LogWriter

    settings = _settings(site)
    began_ms = read_time_ms(began, settings.site.time_zone, "TIME", date_is_end=False)
    with LogReader(site) as reader:
        found = {one.number: one for one in reader.undated_runs()}
    if run not in found:
        known = ", ".join(str(number) for number in found) or "none"
        raise LogError(f"run {run}: is no run with a guessed clock; those are: {known}")
    with LogWriter(site / "readings.db", create=False) as writer:
        writer.correct_boot(run, found[run].offset_ms + began_ms - found[run].first_ms)
    typer.echo(f"Run {run} now begins {when(began_ms, settings.site.time_zone)}; all of it moved together.")


def _settings(site: Path) -> "Settings":
    from rainstead.settings import load_settings

    if not site.is_dir():
        raise SettingsError(f"{site}: there is no such folder; name the site's folder with --site or RAINSTEAD_SITE")
    return load_settings(site / "site.toml", now_ms=SystemClock().wall_ms())
