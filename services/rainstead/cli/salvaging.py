"""`rainstead salvage`: what a damaged log that was moved aside, or an old backup, still holds."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rainstead.clock import SystemClock

from .bar import bar
from .site import AsJson, SiteFolder

if TYPE_CHECKING:
    from rainstead.answers import SalvageAnswer
    from rainstead.log import DamagedHour

__all__ = ["salvage"]

_FAR_MS = 253_402_300_799_999
"""Later than any clock tells: the year 9999."""
_MOST_LOST = 20


def salvage(
    old: Annotated[
        Path,
        typer.Argument(metavar="OLD_LOG", help="The log that was moved aside (readings-damaged-….db), or a backup."),
    ],
    site: SiteFolder = Path(),
    same_site: Annotated[
        bool, typer.Option("--same-site", help="It is this site's, whatever it says of itself.")
    ] = False,
    log_aside: Annotated[
        bool,
        typer.Option(
            "--log-aside",
            help="OLD_LOG is the site's own log, which is damaged: move it aside whole, and begin a new one first.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Bring all that can be read of another log of this site into its log, while no logger runs."""
    from rainstead import answers
    from rainstead.settings import load_settings

    now_ms = SystemClock().wall_ms()
    settings = load_settings(site / "site.toml", now_ms=now_ms)
    with bar("bringing it in") as progress:
        done = answers.salvage_site(
            site,
            old,
            settings,
            None if progress is None else lambda through, total: progress(total - through, total),
            same_site=same_site,
            aside_at_ms=now_ms if log_aside else None,
        )
    if as_json:
        typer.echo(json.dumps(answers.to_plain(done), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        if log_aside:
            typer.echo(
                f"{site / 'readings.db'}: was damaged; it is {Path(done.path).name} now, and a new log is begun."
            )
        _say(done)
    if not done.is_done:
        raise typer.Exit(1)


def _say(done: "SalvageAnswer") -> None:
    from rainstead import answers

    typer.echo(f"{done.path}: {_readings(done.added)} added, {done.known:,} were in the log already.")
    if done.first_ms is not None and done.last_ms is not None:
        typer.echo(f"What was added is of {answers.utc_text(done.first_ms)} to {answers.utc_text(done.last_ms)}.")
    if done.minutes_of:
        typer.echo(f"Of {_readings(done.minutes_of)} more there were minutes alone; those were added.")
    more = [
        f"{number:,} {what}{'' if number == 1 else 's'}"
        for number, what in ((done.events, "alarm event"), (done.settings, "kept setting"))
        if number
    ]
    if more:
        typer.echo(f"Also added: {' and '.join(more)}. No message is sent of old alarms.")
    if done.dated:
        typer.echo(
            f"Runs whose clock was set in one of the two logs only, or never, and that were dated: {done.dated:,}."
        )
    if done.unsure:
        typer.echo(
            f"{_readings(done.unsure)} of them are marked as by a clock that was not set: whether it was, was lost; "
            "their stamps are as they were."
        )
    if done.let_go:
        typer.echo(f"{_readings(done.let_go)} stay away: the log has let them go to minutes, as its settings ask.")
    if done.mended:
        typer.echo(f"Damaged hours of the site's own log that were put right by it: {done.mended:,}.")
    if done.differing:
        typer.echo(f"{_readings(done.differing)} have another value in the log; the log's stay:")
        for one in done.others:
            typer.echo(
                f"  {answers.utc_text(one.t_ms)} {one.sensor}: {one.kept:g} stays, {one.other:g} was in the old one"
            )
        if done.differing > len(done.others):
            typer.echo(f"  and {done.differing - len(done.others):,} more")
    for hour in done.lost[:_MOST_LOST]:
        typer.echo(f"  lost: {_lost(hour)}")
    if len(done.lost) > _MOST_LOST:
        typer.echo(f"  and {len(done.lost) - _MOST_LOST:,} such stretches more; --json has them all")
    if not done.is_done:
        typer.echo("Nothing of it could be read; another copy, or a backup, may have more.", err=True)
    elif done.may_be_taken_away:
        typer.echo("All that can be read of it is in the log; it was left as it is, and may be taken away.")
    else:
        typer.echo("All that can be read of it is in the log; it was left as it is.")


def _readings(number: int) -> str:
    return f"{number:,} reading{'' if number == 1 else 's'}"


def _lost(hour: "DamagedHour") -> str:
    from rainstead import answers

    first = answers.utc_text(hour.first_ms) if hour.first_ms > -_FAR_MS else "its beginning"
    last = answers.utc_text(hour.last_ms) if hour.last_ms < _FAR_MS else "its end"
    many = _readings(hour.readings) if hour.readings else "an unknown number of readings"
    return f"{first} to {last}: {many} ({hour.why})"
