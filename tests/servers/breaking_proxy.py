"""A proxy on loopback that stands before a real server and breaks things on purpose."""

import http.client
import socket
import ssl
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import urlsplit

__all__ = ["CUT", "DEAF", "FORWARD", "HALF", "HANG", "RESET", "BreakingProxy", "Mood", "slow", "status"]


@dataclass(frozen=True, slots=True)
class Mood:
    """What to do with one write. forward: hand it to the server. answer: say this status instead of the server's.

    wait_s: before that. cut: end the connection with no answer; reset: by a reset; half: half-way through an answer.
    """

    forward: bool = True
    answer: int | None = None
    headers: tuple[tuple[str, str], ...] = ()
    wait_s: float = 0.0
    cut: str = ""


FORWARD = Mood()
CUT = Mood(forward=False, cut="close")
RESET = Mood(forward=False, cut="reset")
DEAF = Mood(forward=True, cut="reset")
"""The server stores it, and the forwarder is never told."""
HALF = Mood(forward=True, cut="half")
HANG = Mood(forward=False, wait_s=3.0, cut="close")


def status(code: int, **headers: str) -> Mood:
    """An answer of the proxy's own; the server sees nothing."""
    told = tuple((name.replace("_", "-"), value) for name, value in headers.items())
    return Mood(forward=False, answer=code, headers=told)


def slow(seconds: float) -> Mood:
    """All is well, and takes its time."""
    return Mood(wait_s=seconds)


class BreakingProxy:
    """`mood` is asked before each write, with the body as it came; other requests pass. prefix: a path it is under."""

    def __init__(
        self,
        behind: str,
        mood: Callable[[bytes], Mood] = lambda _: FORWARD,
        *,
        prefix: str = "",
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.mood, self.prefix = mood, prefix
        self.writes = 0
        self.encodings: set[str] = set()
        self._behind = urlsplit(behind)
        proxy = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def _all(self) -> None:
                proxy._serve(self)

            do_GET = do_POST = do_DELETE = _all  # noqa: N815

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        # Clients that leave in the middle are what this is for; nothing of it belongs on the screen.
        self._server.handle_error = lambda *_: None  # type: ignore[method-assign]
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        self.url = f"http{'s' if tls else ''}://127.0.0.1:{self._server.server_address[1]}{prefix}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def _serve(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers.get("Content-Length") or 0))
        path = request.path
        if self.prefix:
            if not path.startswith(self.prefix + "/"):
                _answer(request, 404, b'{"message": "not under the prefix"}')
                return
            path = path[len(self.prefix) :]
        is_write = "/write" in path
        if is_write:
            self.writes += 1
            self.encodings.add(request.headers.get("Content-Encoding", ""))
        mood = self.mood(body) if is_write else FORWARD
        if mood.wait_s:
            time.sleep(mood.wait_s)
        code, said = 204, b""
        headers: list[tuple[str, str]] = []
        if mood.forward:
            code, said, headers = self._forwarded(request, path, body)
        if mood.cut:
            _cut(request, mood.cut)
            return
        if mood.answer is not None:
            _answer(request, mood.answer, b'{"code": "made up", "message": "as the test asked"}', mood.headers)
            return
        _answer(request, code, said, headers)

    def _forwarded(
        self, request: BaseHTTPRequestHandler, path: str, body: bytes
    ) -> tuple[int, bytes, list[tuple[str, str]]]:
        behind = http.client.HTTPConnection(self._behind.hostname or "", self._behind.port, timeout=30)
        try:
            headers = {k: v for k, v in request.headers.items() if k.lower() not in ("host", "connection")}
            behind.request(request.command, self._behind.path + path, body, headers)
            answer = behind.getresponse()
            said = answer.read()
            kept = [(k, v) for k, v in answer.getheaders() if k.lower() in ("content-type", "content-encoding")]
        except OSError:
            return 502, b"", []
        else:
            return answer.status, said, kept
        finally:
            behind.close()


def _answer(
    request: BaseHTTPRequestHandler, code: int, body: bytes, headers: Any = (("Content-Type", "application/json"),)
) -> None:
    request.send_response(code)
    for name, value in headers:
        request.send_header(name, value)
    if code != 204:
        request.send_header("Content-Length", str(len(body)))
    request.end_headers()
    if code != 204:
        request.wfile.write(body)


def _cut(request: BaseHTTPRequestHandler, how: str) -> None:
    if how == "half":
        request.wfile.write(b"HTTP/1.")
        request.wfile.flush()
    if how == "reset":
        request.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    request.close_connection = True
    # The file objects hold the socket open as well: only a shutdown ends it for the other side now.
    if how == "reset":
        request.connection.close()
        request.rfile.close()
        request.wfile.close()
    else:
        request.connection.shutdown(socket.SHUT_RDWR)
