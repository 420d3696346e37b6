"""`rainstead dashboards`: what a time-series server shows of what is sent to it."""

from pathlib import Path
from typing import Annotated

import typer

from rainstead.clock import SystemClock
from rainstead.errors import SettingsError

from .site import SiteFolder

__all__ = ["dashboards"]


def dashboards(
    bucket: Annotated[
        str | None,
        typer.Option("--bucket", help="Where the points are; else rainstead, or with --send that of [forward]."),
    ] = None,
    send: Annotated[bool, typer.Option("--send", help="Put them into the server that [forward] names.")] = False,
    token_file: Annotated[
        Path | None,
        typer.Option("--token-file", metavar="FILE", help="A token that may make dashboards; else that of [forward]."),
    ] = None,
    site: SiteFolder = Path(),
) -> None:
    """Dashboards, rollups and a dead-man check as one importable template: printed, or with --send put in place."""
    from rainstead import dashboards as made

    if not send:
        typer.echo(made.template_text(bucket or made.BUCKET), nl=False)
        return
    from rainstead.forward import read_token
    from rainstead.settings import load_settings

    forward = load_settings(site / "site.toml", now_ms=SystemClock().wall_ms()).forward
    if forward is None:
        raise SettingsError(
            f"{site / 'site.toml'}: forward = nothing: there is no server to send to; add a [forward] table"
        )
    if token_file is None:
        token = read_token(site / forward.token_file, "forward.token_file")
    else:
        token = read_token(token_file, "--token-file")
    ca_file = None if forward.ca_file is None else str(site / forward.ca_file)
    chosen = forward if bucket is None else forward.model_copy(update={"bucket": bucket})
    for name in made.send(chosen, token, ca_file):
        typer.echo(f"{forward.url}: {name}")
