"""`rainstead forwarding` and `rainstead sites`: how sending goes, and all sites of a server side by side."""

import json
from pathlib import Path
from typing import Annotated

import typer

from rainstead.clock import SystemClock
from rainstead.errors import SettingsError

from .from_server import Asked, Bucket, Org, ServerUrl, TokenFile
from .site import AsJson, AsOf, SiteFolder, console_for_people, open_site, show

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command()(forwarding)
    app.command()(sites)


def forwarding(site: SiteFolder = Path(), as_of: AsOf = None, as_json: AsJson = False) -> None:
    """How sending to the server goes: what waits, what was refused and why, the server's last word."""
    from rainstead import answers

    from . import layout_servers

    with open_site(site, as_of) as opened:
        answer = answers.forwarding(opened.settings, opened.reader, opened.folder, opened.as_of_ms)
    show(answer, as_json, layout_servers.forwarding)


def sites(
    site: Annotated[
        Path | None,
        typer.Option("--site", envvar="RAINSTEAD_SITE", help="A site's folder, for the server that it forwards to."),
    ] = None,
    server_url: ServerUrl = None,
    org: Org = None,
    bucket: Bucket = None,
    token_file: TokenFile = None,
    as_of: AsOf = None,
    silent_after: Annotated[
        str, typer.Option("--silent-after", metavar="TIME", help="A site with nothing new for so long is silent.")
    ] = "1 h",
    as_json: AsJson = False,
) -> None:
    """All sites that forward to one bucket: litres, reserve, last seen, alarms. Needs no log here."""
    from rainstead import answers
    from rainstead.settings import load_settings
    from rainstead.units import DURATION_S, parse_quantity

    from . import layout_servers

    settings = None if site is None else load_settings(site / "site.toml")
    zone = "UTC" if settings is None else settings.site.time_zone
    as_of_ms = SystemClock().wall_ms() if as_of is None else answers.read_time_ms(as_of, zone, "--as-of")
    try:
        silent_after_s = parse_quantity(silent_after, DURATION_S)
    except ValueError as error:
        raise SettingsError(f"--silent-after {silent_after!r}: {error}") from None
    asked = Asked(server_url, org, bucket, token_file)
    with asked.connect(None if settings is None else settings.forward, site or Path()) as connection:
        answer = answers.sites(connection, as_of_ms, silent_after_s=silent_after_s)
    if as_json:
        typer.echo(json.dumps(answers.to_plain(answer), indent=2, ensure_ascii=False, allow_nan=False))
        return
    console = console_for_people()
    console.width = max(console.width, 140)
    console.print(layout_servers.sites(answer, zone), highlight=False)
