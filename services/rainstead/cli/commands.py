"""The program: its commands, and what a person sees when something is wrong."""

import os
import sqlite3
import sys
from typing import Annotated, NoReturn

import typer

from rainstead import __version__
from rainstead.errors import HeldByAnother, RainsteadError
from rainstead.journal import last_words
from rainstead.running import HELD_BY_ANOTHER, WANTS_MENDING

from . import book, clock, fit, logfile, losses, messages, note, planning, reading, roofs, run, servers, settings
from .dashboards import dashboards
from .exporting import export
from .from_server import offer
from .importing import import_file
from .salvaging import salvage

__all__ = ["app", "main"]

app = typer.Typer(
    name="rainstead",
    help="Water on the place: how much, where from, where to. The logger has a program of its own, rainstead-logger.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
reading.add_to(app)
planning.add_to(app)
roofs.add_to(app)
losses.add_to(app)
run.add_to(app)
book.add_to(app)
offer(app)
servers.add_to(app)
app.command("import")(import_file)
app.command("salvage")(salvage)
app.command("export")(export)
app.command("dashboards")(dashboards)
logfile.add_to(app)
app.add_typer(note.app, name="note")
app.add_typer(fit.app, name="fit")
app.add_typer(settings.app, name="settings")
app.add_typer(clock.app, name="clock")
app.add_typer(messages.app, name="messages")


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"rainstead {__version__}")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which version this is.")
    ] = False,
) -> None:
    """Desk commands for a site on stored rainwater."""


def main() -> None:
    """Run; what a person can mend is one message and an exit code of `running`'s, never a traceback."""
    try:
        app()
    except HeldByAnother as error:
        _refuse(str(error), HELD_BY_ANOTHER)
    except RainsteadError as error:
        _refuse(str(error))
    except sqlite3.Error as error:
        _refuse(f"the log cannot be read now ({error}); try again, and check the disk if it stays so")
    except BrokenPipeError:
        # The reader of a pipe has gone, as `| head` does; there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _refuse(message: str, code: int = WANTS_MENDING) -> NoReturn:
    last_words("rainstead", message)
    sys.exit(code)
