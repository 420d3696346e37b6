"""What every reading command takes: which site, as of when, and how to print."""

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rainstead.clock import SystemClock
from rainstead.errors import SettingsError

from .from_server import asked

if TYPE_CHECKING:
    from rainstead.answers import Answer
    from rainstead.log import ReadingSource
    from rainstead.settings import Settings

__all__ = [
    "AsJson",
    "AsOf",
    "OpenSite",
    "SiteFolder",
    "console_for_people",
    "open_site",
    "show",
    "since_ms",
    "tell_of_clock",
    "time_for",
]

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
_SLOW_MS = 1000
_as_of_because: ContextVar[str | None] = ContextVar("as_of_because", default=None)
"""Of the command that runs: see Answer."""


@dataclass(frozen=True, slots=True)
class OpenSite:
    """A site's settings and log, and the time to answer for."""

    folder: Path
    settings: "Settings"
    reader: "ReadingSource"
    as_of_ms: int

    @property
    def zone(self) -> str:
        """The site's time zone."""
        return self.settings.site.time_zone

    @contextmanager
    def progress(self, what: str, *, whole: bool = False) -> Iterator[Progress | None]:
        """A bar on a terminal, for what takes longer than a second; otherwise nothing.

        whole: all of the log is read, so that the end can be told beforehand.
        """
        if not sys.stderr.isatty():
            yield None
            return
        late = _LateBar(what, self if whole else None)
        try:
            yield late.advance
        finally:
            late.close()


class _LateBar:
    """Comes up only once the work has taken a second."""

    def __init__(self, what: str, whole: OpenSite | None) -> None:
        self._what, self._whole = what, whole
        self._clock = SystemClock()
        self._begun_ms = self._clock.boot_ms()
        self._done = 0
        self._bar: Any = None
        self._task: Any = None

    def advance(self, count: int) -> None:
        """So many readings more."""
        self._done += count
        if self._bar is None and self._clock.boot_ms() - self._begun_ms > _SLOW_MS:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            told = TextColumn("{task.completed:,} readings")
            columns = (TextColumn("{task.description}"), BarColumn(), told, TimeElapsedColumn())
            self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
            total = None if self._whole is None else self._whole.reader.count(upto_ms=self._whole.as_of_ms)
            self._task = self._bar.add_task(self._what, total=total)
            self._bar.start()
        if self._bar is not None:
            self._bar.update(self._task, completed=self._done)

    def close(self) -> None:
        """Take it away again."""
        if self._bar is not None:
            self._bar.stop()


@contextmanager
def open_site(folder: Path, as_of: str | None) -> Iterator[OpenSite]:
    """Settings first: a mistake there explains more than anything that the log could say."""
    from rainstead.answers import read_time_ms
    from rainstead.log import LogReader
    from rainstead.settings import load_settings

    if not folder.is_dir():
        raise SettingsError(f"{folder}: there is no such folder; name the site's folder with --site or RAINSTEAD_SITE")
    settings = load_settings(folder / "site.toml", now_ms=SystemClock().wall_ms())
    typed_ms = None if as_of is None else read_time_ms(as_of, settings.site.time_zone, "--as-of")
    server = asked()
    if server is not None:
        from rainstead.readback import ServerSource

        with server.connect(settings.forward, folder) as connection:
            source = ServerSource(connection, settings.site.name, tuple(sorted(settings.sensors)))
            yield OpenSite(folder, settings, source, time_for(typed_ms, source))
        return
    with LogReader(folder / "readings.db") as reader:
        yield OpenSite(folder, settings, reader, time_for(typed_ms, reader))
        if reader.damaged:
            print(
                "rainstead: damaged stretches of the log, left out here, of an hour or of far more: "
                f"{len(reader.damaged)}; "
                f"`rainstead verify --site {folder}` names them",
                file=sys.stderr,
            )


def time_for(typed_ms: int | None, reader: "ReadingSource") -> int:
    """The time that was typed, else now; why now is not by this machine's clock is shown with the answer."""
    from rainstead.moment import Moment, moment_of

    moment = moment_of(reader, SystemClock()) if typed_ms is None else Moment(typed_ms, None)
    _as_of_because.set(moment.because)
    return moment.t_ms


def tell_of_clock() -> None:
    """The same for commands that print no answer."""
    from .words import as_sentence

    because = _as_of_because.get()
    if because is not None:
        print(f"rainstead: {as_sentence(because)}", file=sys.stderr)


def since_ms(text: str | None, site: OpenSite) -> int | None:
    """A `--since` as a stamp: a date alone is its beginning."""
    from rainstead.answers import read_time_ms

    return None if text is None else read_time_ms(text, site.zone, "--since", date_is_end=False)


def show(answer: "Answer", as_json: bool, lay_out: Callable[[Any], Any]) -> None:
    """Print an answer, as JSON or laid out for people under a line that says for when it is."""
    answer = replace(answer, as_of_because=_as_of_because.get())
    if as_json:
        from rainstead.answers import to_plain

        typer.echo(json.dumps(to_plain(answer), indent=2, ensure_ascii=False, allow_nan=False))
        return
    console = console_for_people()
    laid_out = lay_out(answer)
    # A table wider than the screen is broken by the terminal, which loses no digit; rich would cut numbers short.
    console.width = max([console.width, *(_width(console, part) for part in laid_out.renderables)])
    console.print(headline(answer), highlight=False)
    console.print(laid_out, highlight=False)


def console_for_people() -> Any:
    """Colour and width of the terminal; through a pipe no colour and width enough for every number."""
    from rich.console import Console

    if sys.stdout.isatty():
        return Console(highlight=False)
    return Console(highlight=False, width=_PIPE_WIDTH, no_color=True, force_terminal=False)


def _width(console: Any, part: Any) -> int:
    from rich.measure import Measurement
    from rich.table import Table

    return (
        Measurement.get(console, console.options.update(max_width=1000), part).maximum if isinstance(part, Table) else 0
    )


def headline(answer: "Answer") -> str:
    """Site, time, and how old the newest reading is."""
    from .words import age, as_sentence, when

    line = f"[bold]{_plain(answer.site)}[/bold]  {when(answer.as_of_ms, answer.time_zone)}"
    if answer.as_of_because is not None:
        line += f"\n[yellow]{_plain(as_sentence(answer.as_of_because))}[/yellow]"
    if answer.last_reading_ms is None:
        return f"{line}\n[yellow]The log has no readings up to then.[/yellow]"
    assert answer.last_reading_age_s is not None
    told = f"newest reading {age(answer.last_reading_age_s)} old"
    if answer.last_reading_is_old:
        at = when(answer.last_reading_ms, answer.time_zone)
        return f"{line}\n[yellow]{told} ({at}): nothing here is newer than that[/yellow]"
    return f"{line}; {told}" if answer.as_of_because is None else f"{line}\n{told.capitalize()}"


def _plain(text: str) -> str:
    from rich.markup import escape

    return escape(text)
