"""`rainstead backup`, `verify`, `restore`: the log as a file."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rainstead.clock import SystemClock

from .bar import bar
from .site import AsJson, SiteFolder

if TYPE_CHECKING:
    from rainstead.answers import VerifyAnswer

__all__ = ["add_to"]

_MOST_GAPS = 10
_FAR_MS = 253_402_300_799_999
"""Later than any clock tells: the year 9999."""


def add_to(app: typer.Typer) -> None:
    """Put the commands into the program."""
    app.command()(backup)
    app.command()(verify)
    app.command()(restore)


def backup(
    to: Annotated[Path, typer.Argument(metavar="FILE|FOLDER", help="A new file, or a folder that is there.")],
    site: SiteFolder = Path(),
    keep: Annotated[
        int | None,
        typer.Option(
            "--keep",
            min=1,
            help="In a folder: so many backups stay, damaged ones counted; the newest whole one always does. Where a "
            "new one has no room, older ones go for it.",
        ),
    ] = None,
    nightly: Annotated[
        bool,
        typer.Option("--nightly", help="A timer asks: the board tells by an alarm when it fails, or stays out."),
    ] = False,
) -> None:
    """Copy the log, and the notebook, while the logger goes on; the copy is checked, nothing is overwritten."""
    from rainstead import answers

    with bar("copying") as progress:
        done = answers.back_up_and_note(
            site, to, SystemClock().wall_ms(), keep=keep, nightly=nightly, progress=progress, tell=_tell
        )
    typer.echo(f"{done.check.path}: {_size(done.check)}")
    if done.notebook is not None:
        typer.echo(f"{done.notebook}: the notebook")
    for path in done.for_room:
        typer.echo(f"{path}: removed, for there was no room for the new one: {done.no_room}")
    for path in done.removed:
        typer.echo(f"{path}: removed, as --keep {keep} asks")
    for path in done.ahead:
        gone = path in done.for_room or path in done.removed
        typer.echo(
            f"{path}: {'was' if gone else 'is'} named for a time more than a day to come, so a clock was wrong when it "
            f"was made, or is now; it counts as older than all others",
            err=True,
        )
    for path in done.found_damaged:
        typer.echo(f"{path}: is not whole any more, or cannot be read; the disk that it is on may be failing", err=True)
    kept = (
        "no whole backup is there" if done.newest_whole is None else f"the newest whole backup is {done.newest_whole}"
    )
    _say_damage(done.check, f"the log was copied as it is, and it is not whole; {kept}")
    if done.found_damaged:
        raise typer.Exit(1)


def verify(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="A log or a backup; the site's log if left out.")
    ] = None,
    site: SiteFolder = Path(),
    as_json: AsJson = False,
) -> None:
    """Read all of a log and say whether it is whole; exit code 1 where it is not."""
    from rainstead import answers

    is_own = file is None or file.absolute() in (site.absolute(), site.absolute() / "readings.db")
    if is_own:
        check = answers.check_and_note(site, SystemClock().wall_ms(), tell=_tell)
    else:
        check = answers.verify_log(site if file is None else file)
    if as_json:
        typer.echo(json.dumps(answers.to_plain(check), indent=2, ensure_ascii=False, allow_nan=False))
        raise typer.Exit(0 if check.is_whole else 1)
    typer.echo(f"{check.path}: {_size(check)}")
    _say_gaps(check)
    _say_damage(check, "it is not whole")
    typer.echo("It is whole: every page, every checksum, every reading once.")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    site: SiteFolder = Path(),
    even_damaged: Annotated[
        bool, typer.Option("--even-damaged", help="Take what is left of a backup that is not whole.")
    ] = False,
) -> None:
    """Put a backup into a site's folder that has no log; nothing is overwritten."""
    from rainstead import answers

    with bar("copying") as progress:
        done = answers.restore_site(file, site, even_damaged=even_damaged, progress=progress)
    typer.echo(f"{done.log}: {_size(done.check)}")
    if done.notebook is not None:
        typer.echo(f"{done.notebook}: the notebook")
    if done.settings is not None:
        typer.echo(f"{done.settings}: the settings that were in force last; there were none here")
    _say_damage(done.check, "the backup was not whole, and what is left of it was restored")


def _tell(line: str) -> None:
    typer.echo(line, err=True)


def _size(check: "VerifyAnswer") -> str:
    from rainstead import answers

    told = f"{check.readings:,} readings, {check.size_bytes / 1e6:.1f} MB"
    if check.first_ms is not None and check.last_ms is not None:
        told += f", {answers.utc_text(check.first_ms)} to {answers.utc_text(check.last_ms)}"
    if check.thinned:
        told += f"; {check.thinned:,} more are kept as minutes alone"
    return told


def _say_gaps(check: "VerifyAnswer") -> None:
    """Where no logger ran: the newest of them, and how many more."""
    from rainstead import answers

    for gap in check.gaps[-_MOST_GAPS:]:
        how = {True: "it had been stopped", False: "it had been cut off", None: "nobody knows how it ended"}
        where = "the board was up" if gap.same_boot else "the board was started anew"
        dated = "" if gap.is_dated else "; by a clock that was not set"
        typer.echo(
            f"  no logger from {answers.utc_text(gap.from_ms)} to {answers.utc_text(gap.to_ms)}: "
            f"{how[gap.began_in_order]}, {where}{dated}"
        )
    if len(check.gaps) > _MOST_GAPS:
        typer.echo(f"  and {len(check.gaps) - _MOST_GAPS} such gaps before; --json has them all")


def _say_damage(check: "VerifyAnswer", headline: str) -> None:
    """Nothing for a whole log; else what is wrong, and exit code 1."""
    from rainstead import answers

    if check.is_whole:
        return
    typer.echo(f"{check.path}: {headline}", err=True)
    for fault in check.faults:
        typer.echo(f"  the file: {fault}", err=True)
    for hour in check.damaged:
        # Where nobody knows how far it goes, its bounds are those that were asked for: of all time.
        first = answers.utc_text(hour.first_ms) if hour.first_ms > -_FAR_MS else "the log's beginning"
        last = answers.utc_text(hour.last_ms) if hour.last_ms < _FAR_MS else "the log's end"
        lost = f"{hour.readings:,} readings" if hour.readings else "an unknown number of readings"
        typer.echo(f"  {first} to {last}: {lost} lost: {hour.why}", err=True)
    typer.echo(
        "What can be read is read, here and by all commands; a backup from before may have the rest "
        "(`rainstead restore` puts it into another folder).",
        err=True,
    )
    raise typer.Exit(1)
