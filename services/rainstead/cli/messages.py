"""`rainstead messages`: how alarms go out, and a test of it."""

from pathlib import Path
from typing import Annotated

import typer

from rainstead.errors import SettingsError

from .folder import open_folder
from .site import AsJson, AsOf, SiteFolder, show

__all__ = ["app"]

app = typer.Typer(help="How alarms go out by mail, push, web and MQTT: channels, what waits, what was given up.")


@app.callback(invoke_without_command=True)
def messages(context: typer.Context, site: SiteFolder = Path(), as_of: AsOf = None, as_json: AsJson = False) -> None:
    """How alarms go out: channels, what waits, what was handed over last, what was given up."""
    if context.invoked_subcommand is not None:
        return
    from rainstead import answers

    from . import layout_messages

    here = open_folder(site, as_of)
    with here.reader() as reader:
        answer = answers.messages(here.settings, reader, here.path, here.as_of_ms)
    show(answer, as_json, layout_messages.messages)


@app.command()
def test(
    channel: Annotated[str | None, typer.Argument(help="One channel; all where it is left out.")] = None,
    site: SiteFolder = Path(),
) -> None:
    """Ask the messenger for a test message. It goes the way that alarms go."""
    from rainstead import answers
    from rainstead.messages import ask_for_test, messenger_runs

    here = open_folder(site)
    names = answers.messages_channels(here.settings, here.path)
    if channel is not None and channel not in names:
        raise SettingsError(f"{channel}: there is no such channel; the settings have {', '.join(names)}")
    asked = names if channel is None else (channel,)
    ask_for_test(here.path, asked)
    then = "No messenger runs on this machine now: start rainstead-messenger, which sends it then"
    if messenger_runs(here.path) is not False:
        then = "A messenger that runs sends it within seconds"
    typer.echo(
        f"Asked for: a test to {', '.join(asked)}. {then}; `rainstead messages` "
        "shows whether it was taken, and only the receiver can say that it came."
    )
