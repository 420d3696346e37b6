"""`rainstead import`: readings made elsewhere."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from rainstead.clock import SystemClock

from .site import SiteFolder

__all__ = ["import_file"]


def import_file(
    file: Annotated[Path, typer.Argument(help="CSV with the columns utc,sensor,value.")], site: SiteFolder = Path()
) -> None:
    """Take raw readings from a CSV file: all of it, or nothing."""
    from rich.console import Console

    from rainstead.importing import import_readings
    from rainstead.settings import load_settings

    settings = load_settings(site / "site.toml", now_ms=SystemClock().wall_ms())
    console = Console(stderr=True)
    if sys.stderr.isatty():
        with console.status(f"reading {file}"):
            result = import_readings(site, file, settings)
    else:
        result = import_readings(site, file, settings)
    typer.echo(f"{result.added:,} readings added, {result.known:,} were known already.")
