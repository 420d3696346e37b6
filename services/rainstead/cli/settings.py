"""`rainstead settings`: check a settings file, show its schema, write one to start from."""

import json
from pathlib import Path
from typing import Annotated

import typer

from rainstead.clock import SystemClock
from rainstead.errors import SettingsError

app = typer.Typer(help="Check, describe and begin a site's settings.", no_args_is_help=True)


@app.command()
def check(file: Annotated[Path, typer.Argument(help="The settings file.")]) -> None:
    """Say whether a settings file is good, or list every mistake in it; advice is no mistake."""
    from rainstead.settings import advice, load_settings

    settings = load_settings(file, now_ms=SystemClock().wall_ms())
    parts = [
        _counted(len(settings.tanks), "tank"),
        _counted(len(settings.sensors), "sensor"),
        _counted(len(settings.catchments), "catchment"),
        _counted(len(settings.overflows), "overflow link"),
    ]
    watched = [name.replace("_", " ") for name, alarm in settings.alarms if alarm is not None]
    typer.echo(f"{file} is good: {', '.join(parts)}; alarms watched: {', '.join(watched) or 'none'}.")
    for line in advice(settings, file.absolute().parent):
        typer.echo(f"Advice: {line}.")


@app.command()
def schema() -> None:
    """Print the settings' JSON Schema, for editors and other programs."""
    from rainstead.settings import Settings

    typer.echo(json.dumps(Settings.model_json_schema(), indent=2))


@app.command()
def new(file: Annotated[Path, typer.Argument(help="Where to write it; must not exist yet.")]) -> None:
    """Write a settings file to start from, with every line explained."""
    from rainstead.settings import starter

    try:
        with file.open("x", encoding="utf-8") as out:
            out.write(starter())
    except FileExistsError:
        raise SettingsError(f"{file}: is there already, and is left as it is; name another file") from None
    except OSError as error:
        raise SettingsError(f"{file}: cannot be written ({error.strerror}); does its folder exist?") from None
    typer.echo(f"Wrote {file}. It describes an invented site: put your own figures in, then run")
    typer.echo(f"  rainstead settings check {file}")


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"
