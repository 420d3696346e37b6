"""Questions to a server with the InfluxDB 2 HTTP API, in Flux, through influxdb-client's query interface."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from rainstead.errors import RainsteadError
from rainstead.forward import body_words, server_client, trouble_words

__all__ = ["Connection", "ServerUnreadable", "flux_text", "flux_time", "stamps_ms"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LAST_MS = 9_223_372_036_854
"""A server's stamps are nanoseconds in 64 bits."""


class ServerUnreadable(RainsteadError):
    """The server does not answer, or not this question."""


class Connection:
    """One bucket. Rows come as they are read: an answer of any length takes no room."""

    def __init__(
        self,
        *,
        url: str,
        org: str,
        bucket: str,
        token: str,
        timeout_s: float = 120.0,
        ca_file: str | None = None,
        proxy: str | None = None,
    ) -> None:
        from influxdb_client.domain.dialect import Dialect

        dialect_of: Any = Dialect

        self.name, self.bucket = f"{url.rstrip('/')}, bucket {bucket}", bucket
        self._dialect: Any = dialect_of(header=True, annotations=[])
        self._client: Any = server_client(
            url=url, org=org, token=token, timeout_s=timeout_s, ca_file=ca_file, proxy=proxy, retries=True
        )

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()

    def __enter__(self) -> "Connection":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def tables(self, steps: str, *, from_ms: int, upto_ms: int) -> Iterator[tuple[list[str], list[list[str]]]]:
        """What the bucket has with from_ms <= stamp <= upto_ms, after some steps of Flux: columns and rows, by table.

        Raises ServerUnreadable.
        """
        start, stop = flux_time(from_ms), flux_time(upto_ms + 1)
        flux = f"from(bucket: {flux_text(self.bucket)}) |> range(start: {start}, stop: {stop})\n{steps}"
        columns: list[str] = []
        rows: list[list[str]] = []
        table = ""
        for row in self._rows(flux):
            if row[1:2] == ["error"]:
                raise ServerUnreadable(f"{self.name}: the server broke off its answer; try again")
            if row[1:2] == ["result"]:
                if rows:
                    yield columns, rows
                columns, rows = row, []
                continue
            if rows and row[2] != table:
                yield columns, rows
                rows = []
            table = row[2]
            rows.append(row)
        if rows:
            yield columns, rows

    def _rows(self, flux: str) -> Iterator[list[str]]:
        import urllib3
        from influxdb_client.rest import ApiException

        try:
            yield from self._client.query_api().query_csv(flux, dialect=self._dialect)
        except ApiException as error:
            raise ServerUnreadable(f"{self.name}: {_advice(error)}") from None
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise ServerUnreadable(
                f"{self.name}: the server does not answer ({trouble_words(error)}); check the address and the network"
            ) from None


def _advice(error: Any) -> str:
    said = body_words(error.body, error.reason)
    if error.status == 400 and re.search(r"organi[sz]ation .*not found", said):
        return f"there is no such organisation; check forward.org, or --server-org ({said})"
    match error.status:
        case 401:
            return (
                f"the token is not accepted; put a valid one into forward.token_file, or --server-token-file ({said})"
            )
        case 403:
            return f"the token may not read this bucket; give it the right, or use another token ({said})"
        case 404:
            return (
                "there is no such organisation or bucket, or the address is wrong; "
                f"check forward.url, org and bucket, or --server-url, -org and -bucket ({said})"
            )
        case _:
            return f"the server does not answer this question: {error.status} ({said})"


def flux_text(text: str) -> str:
    """Quoted for Flux, with nothing in it that Flux would work out."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${")
    return f'"{plain}"'


def flux_time(t_ms: int) -> str:
    """A stamp in Flux, held within what a server can know."""
    when = _EPOCH + timedelta(milliseconds=min(max(t_ms, 0), _LAST_MS))
    return when.strftime("%Y-%m-%dT%H:%M:%S.") + f"{when.microsecond // 1000:03d}Z"


def stamps_ms(texts: list[str]) -> Any:
    """Stamps of an answer as an int64 array of milliseconds."""
    import numpy as np

    return np.array([text.removesuffix("Z") for text in texts], dtype="datetime64[ms]").astype(np.int64)
