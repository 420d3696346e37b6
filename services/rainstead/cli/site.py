"""What every reading command takes: which site, as of when, and how to print."""

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from rainstead.answers import Answer, read_time_ms, to_plain
from rainstead.clock import SystemClock
from rainstead.log import LogReader
from rainstead.settings import Settings, load_settings

__all__ = ["AsJson", "AsOf", "OpenSite", "SiteFolder", "console_for_people", "open_site", "show", "since_ms"]

SiteFolder = Annotated[
    Path, typer.Option("--site", envvar="RAINSTEAD_SITE", help="The site's folder, with site.toml and readings.db.")
]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of", metavar="TIME", help="Answer as if it were then: 2026-03-29, or with T14:30, or with a zone."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON, with documented keys that carry units.")]

Progress = Callable[[int], None]
_PIPE_WIDTH = 140
_SLOW_READINGS = 400_000
"""Fewer than this are worked out in under a second, and get no bar."""


@dataclass(frozen=True, slots=True)
class OpenSite:
    """A site's settings and log, and the time to answer for."""

    folder: Path
    settings: Settings
    reader: LogReader
    as_of_ms: int

    @property
    def zone(self) -> str:
        """The site's time zone."""
        return self.settings.site.time_zone

    @contextmanager
    def progress(self, what: str) -> Iterator[Progress | None]:
        """A bar on a terminal, for what takes longer than a second; otherwise nothing."""
        if not sys.stderr.isatty() or self.reader.most_readings() < _SLOW_READINGS:
            yield None
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed:,}"), TimeElapsedColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(what, total=self.reader.count(upto_ms=self.as_of_ms))
            yield lambda count: bar.advance(task, count)


@contextmanager
def open_site(folder: Path, as_of: str | None) -> Iterator[OpenSite]:
    """Settings first: a mistake there explains more than anything that the log could say."""
    settings = load_settings(folder / "site.toml", now_ms=SystemClock().wall_ms())
    as_of_ms = SystemClock().wall_ms() if as_of is None else read_time_ms(as_of, settings.site.time_zone, "--as-of")
    with LogReader(folder / "readings.db") as reader:
        yield OpenSite(folder, settings, reader, as_of_ms)


def since_ms(text: str | None, site: OpenSite) -> int | None:
    """A `--since` as a stamp: a date alone is its beginning."""
    return None if text is None else read_time_ms(text, site.zone, "--since", date_is_end=False)


def show(answer: Answer, as_json: bool, lay_out: Callable[[Any], Any]) -> None:
    """Print an answer, as JSON or laid out for people under a line that says for when it is."""
    if as_json:
        typer.echo(json.dumps(to_plain(answer), indent=2, ensure_ascii=False, allow_nan=False))
        return
    console = console_for_people()
    console.print(headline(answer), highlight=False)
    console.print(lay_out(answer), highlight=False)


def console_for_people() -> Any:
    """Colour and width of the terminal; through a pipe no colour and width enough for every number."""
    from rich.console import Console

    if sys.stdout.isatty():
        return Console(highlight=False)
    width = int(os.environ.get("COLUMNS", _PIPE_WIDTH)) if os.environ.get("COLUMNS", "").isdigit() else _PIPE_WIDTH
    return Console(highlight=False, width=max(width, _PIPE_WIDTH), no_color=True)


def headline(answer: Answer) -> str:
    """Site, time, and how old the newest reading is."""
    from .words import age, when

    line = f"[bold]{_plain(answer.site)}[/bold]  {when(answer.as_of_ms, answer.time_zone)}"
    if answer.last_reading_ms is None:
        return f"{line}\n[yellow]The log has no readings up to then.[/yellow]"
    assert answer.last_reading_age_s is not None
    told = f"newest reading {age(answer.last_reading_age_s)} old"
    if answer.last_reading_is_old:
        at = when(answer.last_reading_ms, answer.time_zone)
        return f"{line}\n[yellow]{told} ({at}): nothing here is newer than that[/yellow]"
    return f"{line}; {told}"


def _plain(text: str) -> str:
    from rich.markup import escape

    return escape(text)
