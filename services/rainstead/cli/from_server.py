"""`--from influx`: the reading commands' answers from a server's copy of the log instead of the log itself."""

import functools
import inspect
from collections.abc import Callable, Collection
from contextvars import ContextVar
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rainstead.readback import Connection
    from rainstead.settings import Forward

__all__ = ["Asked", "Bucket", "From", "Org", "ServerUrl", "TokenFile", "asked", "offer"]


class From(StrEnum):
    """Where readings come from."""

    LOG = "log"
    INFLUX = "influx"


ServerUrl = Annotated[
    str | None, typer.Option("--server-url", help="The server's address; by default that of [forward] in site.toml.")
]
Org = Annotated[str | None, typer.Option("--server-org", help="Its organisation; likewise.")]
Bucket = Annotated[str | None, typer.Option("--server-bucket", help="Its bucket; likewise.")]
TokenFile = Annotated[
    Path | None, typer.Option("--server-token-file", help="File with a token that may read the bucket; likewise.")
]
_OPTIONS: dict[str, tuple[Any, Any]] = {
    "from_": (
        Annotated[From, typer.Option("--from", help="The log here, or a server's copy of it (InfluxDB 2 interface).")],
        From.LOG,
    ),
    "server_url": (ServerUrl, None),
    "server_org": (Org, None),
    "server_bucket": (Bucket, None),
    "server_token_file": (TokenFile, None),
}


@dataclass(frozen=True, slots=True)
class Asked:
    """The server that was asked for."""

    server_url: str | None
    org: str | None
    bucket: str | None
    token_file: Path | None

    def connect(self, forward: "Forward | None", folder: Path) -> "Connection":
        """See readback.connect."""
        from rainstead.readback import connect

        return connect(
            forward, folder, url=self.server_url, org=self.org, bucket=self.bucket, token_file=self.token_file
        )


_asked: ContextVar[Asked | None] = ContextVar("asked", default=None)


def asked() -> Asked | None:
    """The server to read from in this command; None: the log."""
    return _asked.get()


def offer(app: typer.Typer, but: Collection[str] = ()) -> None:
    """Give the options to all commands that the app has by now, except some."""
    for info in app.registered_commands:
        assert info.callback is not None
        if (info.name or info.callback.__name__) not in but:
            info.callback = _with_source(info.callback)


def _with_source(command: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(command)
    def run(*args: Any, **given: Any) -> Any:
        from_, *place = (given.pop(name, default) for name, (_, default) in _OPTIONS.items())
        mark = _asked.set(Asked(*place) if from_ is From.INFLUX else None)
        try:
            return command(*args, **given)
        finally:
            _asked.reset(mark)

    shape = inspect.signature(command)
    more = [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind)
        for name, (kind, default) in _OPTIONS.items()
    ]
    run.__signature__ = shape.replace(parameters=[*shape.parameters.values(), *more])  # type: ignore[attr-defined]
    run.__annotations__ = {**command.__annotations__, **{name: kind for name, (kind, _) in _OPTIONS.items()}}
    return run
