"""Which server and which bucket to read from: what was typed, else what the site's settings forward to."""

from pathlib import Path

from rainstead.errors import SettingsError
from rainstead.forward import read_token
from rainstead.settings import Forward

from .connection import Connection

__all__ = ["connect"]


def connect(
    forward: Forward | None,
    folder: Path,
    *,
    url: str | None = None,
    org: str | None = None,
    bucket: str | None = None,
    token_file: Path | None = None,
) -> Connection:
    """Nothing is asked yet. Raises SettingsError, naming what is missing."""
    typed = {"--server-url": url, "--server-org": org, "--server-bucket": bucket}
    if forward is not None:
        given = (forward.url, forward.org, forward.bucket)
        typed = {name: value or other for (name, value), other in zip(typed.items(), given, strict=True)}
        token_file = token_file or folder / forward.token_file
    missing = [name for name, value in {**typed, "--server-token-file": token_file}.items() if not value]
    if missing or token_file is None:
        raise SettingsError(
            f"{', '.join(missing)}: not given, so there is no server to read from; "
            "give it, or put a [forward] table into site.toml"
        )
    at, of, into = (value or "" for value in typed.values())
    if not at.startswith(("http://", "https://")):
        raise SettingsError(f"--server-url {at}: must begin with http:// or https://")
    ca_file = None if forward is None or forward.ca_file is None else str(folder / forward.ca_file)
    proxy = None if forward is None else forward.proxy
    return Connection(
        url=at, org=of, bucket=into, token=read_token(token_file, "--server-token-file"), ca_file=ca_file, proxy=proxy
    )
