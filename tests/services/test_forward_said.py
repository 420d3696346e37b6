"""What a server or a network says of itself is told without the objects of the client."""

import socket

import pytest
import urllib3
from influxdb_client.rest import ApiException

from rainstead.forward import body_words, trouble_words
from rainstead.readback.connection import _advice


def no_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@pytest.mark.parametrize("retries", [False, 1])
def test_a_server_that_is_away_is_told_in_words(retries: bool | int) -> None:
    with pytest.raises(urllib3.exceptions.HTTPError) as raised:
        urllib3.PoolManager(retries=retries).request("GET", f"http://127.0.0.1:{no_port()}/", timeout=5)
    assert trouble_words(raised.value) == "Failed to establish a new connection: Connection refused"


def test_trouble_without_words_is_told_by_its_kind() -> None:
    assert trouble_words(TimeoutError()) == "TimeoutError"


@pytest.mark.parametrize(
    ("body", "told"),
    [
        (b'{"code":"unauthorized","message":"unauthorized\\n access"}', "unauthorized access"),
        ('{"error":"no such database"}', "no such database"),
        ("<html>\n away</html>", "<html> away</html>"),
        ("[1]", "[1]"),
        (None, "Not Found"),
    ],
)
def test_of_an_answer_its_message_alone_is_told(body: bytes | str | None, told: str) -> None:
    assert body_words(body, "Not Found") == told


@pytest.mark.parametrize(
    ("status", "said", "remedy"),
    [
        (400, 'failed to decode request body: organization name "x" not found', "check forward.org, or --server-org"),
        (400, "type error 1:1", "does not answer this question: 400"),
        (401, "unauthorized access", "forward.token_file, or --server-token-file"),
        (404, 'could not find bucket "x"', "check forward.url, org and bucket, or --server-url"),
    ],
)
def test_a_no_to_a_question_names_its_remedy(status: int, said: str, remedy: str) -> None:
    error = ApiException(status=status, reason="")  # type: ignore[no-untyped-call]
    error.body = ('{"message":"' + said.replace('"', '\\"') + '"}').encode()
    assert remedy in _advice(error)
    assert _advice(error).endswith(f"({said})")
