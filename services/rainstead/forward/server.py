"""The server at the other end: one write at a time, and what its answer means."""

import email.utils
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from functools import partial
from typing import Any, Protocol

from .client import server_client
from .said import body_words, trouble_words

__all__ = ["Answer", "InfluxServer", "Server", "Word", "meaning", "wait_s"]


class Word(Enum):
    """What became of a write."""

    STORED = "stored"
    REFUSED = "refused"
    """Something in it will never be taken; what else was in it may be stored or not."""
    TOO_LARGE = "too large"
    LATER = "later"
    """The server is away, busy or broken: the same again, later."""
    FORBIDDEN = "forbidden"
    """Wrong token, organisation, bucket or address: nothing will be taken until a person mends it."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The server's word, its reason in words, and how long it asked to be left alone.

    in_time: False where the time allowed for one write was over before there was an answer. Where nothing could be
    sent, because there was no connection in time, it is True: a smaller write would fare no better.
    """

    word: Word
    reason: str = ""
    wait_s: float | None = None
    status: int | None = None
    in_time: bool = True


class Server(Protocol):
    """What the forwarder asks of a server."""

    name: str
    """Address, organisation and bucket: the cursor belongs to them."""

    def write(self, lines: Sequence[str]) -> Answer:
        """Store these lines; waits for the answer, never raises for what the network does."""

    def delete(self, site: str, from_ms: int, upto_ms: int, only: Sequence[str] = ()) -> Answer:
        """Take away a site's points with from_ms <= stamp <= upto_ms, of these measurements or of all.

        REFUSED: this server cannot do it.
        """


_ADVICE = {
    401: "the token is not accepted; put a valid one into forward.token_file",
    403: "the token may not write to this bucket; give it the right, or use another token",
    404: "there is no such organisation or bucket, or the address is wrong; check forward.url, org and bucket",
}


class InfluxServer:
    """A server with the InfluxDB 2 HTTP API, through influxdb-client's synchronous writes.

    Its own batching and its own retries are not used: both give up and forget, and the log is the queue.
    """

    def __init__(
        self,
        *,
        url: str,
        org: str,
        bucket: str,
        token: str,
        timeout_s: float = 20.0,
        ca_file: str | None = None,
        proxy: str | None = None,
    ) -> None:
        from influxdb_client.client.write_api import SYNCHRONOUS
        from influxdb_client.domain.write_precision import WritePrecision

        self.name = f"{url.rstrip('/')} {org} {bucket}"
        self._org, self._bucket = org, bucket
        self._ms: Any = WritePrecision.MS
        self._client: Any = server_client(
            url=url, org=org, token=token, timeout_s=timeout_s, ca_file=ca_file, proxy=proxy, retries=False
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()

    def write(self, lines: Sequence[str]) -> Answer:
        """See Server."""
        return _asked(
            lambda: self._write.write(
                bucket=self._bucket, org=self._org, record="\n".join(lines), write_precision=self._ms
            )
        )

    def delete(self, site: str, from_ms: int, upto_ms: int, only: Sequence[str] = ()) -> Answer:
        """See Server."""
        start, stop = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (from_ms, upto_ms + 1))
        wanted = 'site="{}"'.format(site.replace("\\", "\\\\").replace('"', '\\"'))
        for one in only or ("",):
            predicate = f'_measurement="{one}" AND {wanted}' if one else wanted
            answer = _asked(partial(self._delete, start, stop, predicate))
            if answer.status in (404, 405, 501):
                # Not there: the interface, or a bucket, which then holds nothing that could be wrong.
                return Answer(Word.REFUSED, answer.reason)
            if answer.word is not Word.STORED:
                return answer
        return answer

    def _delete(self, start: datetime, stop: datetime, predicate: str) -> None:
        self._client.delete_api().delete(start, stop, predicate, bucket=self._bucket, org=self._org)


def _asked(ask: Any) -> Answer:
    import urllib3
    from influxdb_client.rest import ApiException

    try:
        ask()
    except ApiException as error:
        headers: Any = error.headers or {}
        return meaning(
            error.status, body_words(error.body, error.reason), wait_s(headers.get("Retry-After"), headers.get("Date"))
        )
    except (urllib3.exceptions.HTTPError, OSError) as error:
        return Answer(
            Word.LATER, f"the server does not answer: {trouble_words(error)}", in_time=not _ran_out_of_time(error)
        )
    return Answer(Word.STORED)


def _ran_out_of_time(error: BaseException) -> bool:
    """A body that does not get out in time comes wrapped, an answer that does not get in does not."""
    import urllib3

    wrapped = [error, *error.args]
    if any(isinstance(one, urllib3.exceptions.ConnectTimeoutError) for one in wrapped):
        return False
    return any(isinstance(one, urllib3.exceptions.TimeoutError | TimeoutError) for one in wrapped)


def meaning(status: int | None, said: str, wait_s: float | None = None) -> Answer:
    """What an HTTP status means for the points that were sent."""
    if status in (400, 422):
        return Answer(Word.REFUSED, said, status=status)
    if status == 413:
        return Answer(Word.TOO_LARGE, said, status=status)
    if status in _ADVICE:
        return Answer(Word.FORBIDDEN, f"{status}: {_ADVICE[status]} ({said})", wait_s, status)
    return Answer(Word.LATER, f"{status}: {said}", wait_s, status)


def wait_s(retry_after: str | None, date: str | None) -> float | None:
    """`Retry-After` is a number of seconds or a date (RFC 9110, 10.2.3), which the server's own `Date` makes a wait."""
    if retry_after is None:
        return None
    if retry_after.strip().isdigit():
        return float(retry_after)
    try:
        until, now = (email.utils.parsedate_to_datetime(text or "") for text in (retry_after, date))
        return max((until - now).total_seconds(), 0.0)
    except (TypeError, ValueError):
        return None
