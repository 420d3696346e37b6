"""The socket and the server behind it, with a bound on all that others could use up."""

import errno
import ipaddress
import logging
import socket
from collections.abc import Callable
from typing import TYPE_CHECKING

from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.server import create_server

from rainstead.errors import HeldByAnother, RainsteadError

if TYPE_CHECKING:
    from wsgiref.types import WSGIApplication

__all__ = ["CannotListen", "PortTaken", "listening_socket", "serve"]

_THREADS = 6
_MOST_CONNECTIONS = 500
_BACKLOG = 256
_PATIENCE_S = 10
"""A client that has not sent a whole request after this long is let go."""


class CannotListen(RainsteadError, OSError):
    """The address or the port cannot be had, and waiting would not help."""


class PortTaken(CannotListen, HeldByAnother):
    """Another program listens there; it may end."""


class _Channel(HTTPChannel):  # type: ignore[misc]
    """A connection whose patience begins with the request: a byte now and then does not prolong it."""

    last_activity: float

    def handle_read(self) -> None:
        begun = self.last_activity
        super().handle_read()
        if self.request is not None and not self.requests:
            self.last_activity = begun


def listening_socket(listen: str, port: int) -> socket.socket | None:
    """A socket that listens there; None where the machine has no such address, or not yet.

    Raises CannotListen; PortTaken where another program has the port.
    """
    address = ipaddress.ip_address(listen)
    family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
    try:
        found = socket.socket(family, socket.SOCK_STREAM)
    except OSError as error:
        raise CannotListen(
            f"page.listen = {listen}: this machine cannot use such an address ({error.strerror})"
        ) from None
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            found.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, int(not address.is_unspecified))
        found.bind((listen, port))
        found.listen(_BACKLOG)  # from here on nobody is turned away: the server behind it takes a moment more
    except OSError as error:
        found.close()
        if error.errno == errno.EADDRNOTAVAIL:
            return None
        if error.errno == errno.EADDRINUSE:
            told = "another program has it; choose another in page.port, or end that program"
            raise PortTaken(f"page.port = {port}: {told}") from None
        raise CannotListen(
            f"page.listen = {listen}, page.port = {port}: cannot be listened on ({error.strerror}); choose others"
        ) from None
    return found


def serve(
    page: "WSGIApplication",
    bound: socket.socket,
    stopped: Callable[[], bool],
    *,
    most_connections: int = _MOST_CONNECTIONS,
    patience_s: int = _PATIENCE_S,
) -> None:
    """Answer requests until stopped. The socket is closed at the end."""
    # A warning for each crowd would fill the journal at the pleasure of whoever makes the crowd.
    logging.getLogger("waitress").setLevel(logging.ERROR)
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    server = create_server(
        page,
        sockets=[bound],
        ident=None,
        threads=_THREADS,
        connection_limit=most_connections,
        backlog=_BACKLOG,
        channel_timeout=patience_s,
        cleanup_interval=1,
        max_request_header_size=8192,
        max_request_body_size=1024,
        recv_bytes=4096,
        asyncore_use_poll=True,
        # The sums that a client could make the server hold for it.
        inbuf_overflow=4096,
        outbuf_overflow=262_144,
        outbuf_high_watermark=262_144,
    )
    server.channel_class = _Channel
    try:
        while not stopped():
            wasyncore.loop(timeout=1.0, use_poll=True, map=server._map, count=1)
    finally:
        server.task_dispatcher.shutdown(timeout=2)
        wasyncore.close_all(server._map)
