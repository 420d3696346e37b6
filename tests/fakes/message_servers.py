"""Servers on loopback that fail where a test wants: for mail, for the web, and a broker."""

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["Broker", "MailServer", "WebServer", "mail_server", "mqtt_broker", "web_server"]

Fault = Literal["hang", "drop", "4", "5"]
_LONGEST_S = 20.0


class _Server:
    """Serves each connection in a thread until closed."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self.ending = threading.Event()
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                connection.settimeout(_LONGEST_S)
                self._open.append(connection)
                threading.Thread(target=self._guarded, args=(connection,), daemon=True).start()

    def _guarded(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError), connection:
            self.serve(connection)

    def serve(self, connection: socket.socket) -> None:
        """One connection."""
        raise NotImplementedError

    def close(self) -> None:
        """End all."""
        self.ending.set()
        # A listener that is only closed stays in its accept.
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for one in self._open:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()


class MailServer(_Server):
    """fault: at which verb (BANNER, EHLO, MAIL, RCPT, DATA, TEXT: after the text), and what it does there."""

    def __init__(self, verb: str = "", fault: Fault = "drop") -> None:
        self.verb, self.fault = verb, fault
        self.mails: list[str] = []
        self.reached: set[str] = set()
        super().__init__()

    def serve(self, connection: socket.socket) -> None:
        """See _Server."""
        file = connection.makefile("rb")
        if not self._answer(connection, "BANNER", "220 loopback ESMTP"):
            return
        while line := file.readline().decode():
            verb = line.split()[0].upper()
            if verb in ("HELO", "EHLO"):
                verb = "EHLO"
            if verb == "QUIT":
                connection.sendall(b"221 bye\r\n")
                return
            if not self._answer(connection, verb, "354 go on" if verb == "DATA" else "250 ok"):
                return
            if verb == "DATA" and not (self.verb == "DATA" and self.fault in ("4", "5")):
                text = b""
                while not text.endswith(b"\r\n.\r\n"):
                    more = file.readline()
                    if not more:
                        return
                    text += more
                self.mails.append(text.decode())
                if not self._answer(connection, "TEXT", "250 taken"):
                    return

    def _answer(self, connection: socket.socket, verb: str, good: str) -> bool:
        self.reached.add(verb)
        if verb != self.verb:
            connection.sendall(good.encode() + b"\r\n")
            return True
        if self.fault == "hang":
            self.ending.wait(_LONGEST_S)
        if self.fault in ("hang", "drop"):
            return False
        connection.sendall(f"{self.fault}50 not now\r\n".encode())
        return True


class WebServer(_Server):
    """answer: 200, 500; "hang"; "portal": a redirect to a page that says yes to everybody."""

    def __init__(self, answer: str = "200") -> None:
        self.answer = answer
        self.bodies: list[str] = []
        self.pages = 0
        super().__init__()

    def serve(self, connection: socket.socket) -> None:
        """See _Server."""
        file = connection.makefile("rb")
        method, path, _ = file.readline().decode().split()
        length = 0
        while (line := file.readline().strip()) != b"":
            name, _, value = line.partition(b":")
            if name.lower() == b"content-length":
                length = int(value)
        body = file.read(length).decode()
        if path.startswith("/sign-in"):
            self.pages += 1
            connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 7\r\nConnection: close\r\n\r\nwelcome")
            return
        if self.answer == "hang":
            self.ending.wait(_LONGEST_S)
            return
        if self.answer == "portal":
            place = f"http://127.0.0.1:{self.port}/sign-in"
            head = f"HTTP/1.1 302 Found\r\nLocation: {place}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
            connection.sendall(head.encode())
            return
        if self.answer == "200" and method == "POST":
            self.bodies.append(body)
        connection.sendall(f"HTTP/1.1 {self.answer} so\r\nContent-Length: 0\r\nConnection: close\r\n\r\n".encode())


_PACKETS = {1: "CONNECT", 3: "PUBLISH", 4: "PUBACK", 12: "PINGREQ", 14: "DISCONNECT"}


@dataclass
class Published:
    """What a client published."""

    topic: str
    payload: str
    retain: bool


@dataclass
class _Session:
    will: Published | None = None
    said_goodbye: bool = False
    heard: list[str] = field(default_factory=list)


class Broker(_Server):
    """A broker of MQTT 3.1.1 that only takes. drop: the packet at which it drops a client, `count` times.

    CONNECT and PUBLISH: before it answers; CONNACK and PUBACK: within its own answer. refuse: it refuses the login.
    """

    def __init__(self, drop: str = "", count: int = 1, *, refuse: bool = False) -> None:
        self.drop, self.left, self.refuse = drop, count, refuse
        self.published: list[Published] = []
        self.retained: dict[str, str] = {}
        self.wills = 0
        self.connected = 0
        self.logins: list[tuple[str, str]] = []
        super().__init__()

    def _drops(self, packet: str) -> bool:
        if packet != self.drop or self.left <= 0:
            return False
        self.left -= 1
        return True

    def serve(self, connection: socket.socket) -> None:
        """See _Server."""
        session = _Session()
        connection.settimeout(120.0)  # a client that only pings is well
        try:
            self._session(connection, session)
        finally:
            if session.will is not None and not session.said_goodbye and not self.ending.is_set():
                self.retained[session.will.topic] = session.will.payload
                self.wills += 1

    def _session(self, connection: socket.socket, session: _Session) -> None:
        file = connection.makefile("rb")

        def take(count: int) -> bytes:
            data = file.read(count)
            if len(data) < count:
                raise EOFError
            return data

        while True:
            first = take(1)[0]
            length, shift = 0, 0
            while True:
                byte = take(1)[0]
                length |= (byte & 127) << shift
                shift += 7
                if byte < 128:
                    break
            body = take(length)
            packet = _PACKETS.get(first >> 4, "OTHER")
            if self._drops(packet):
                return
            if packet == "CONNECT":
                session.will, login = _connect(body)
                self.logins.append(login)
                if self._drops("CONNACK"):
                    connection.sendall(b"\x20\x02")
                    return
                connection.sendall(b"\x20\x02\x00" + (b"\x05" if self.refuse else b"\x00"))
                if self.refuse:
                    session.will = None
                    return
                self.connected += 1
            elif packet == "PUBLISH":
                size = int.from_bytes(body[:2])
                topic, rest = body[2 : 2 + size].decode(), body[2 + size :]
                number, payload = rest[:2], rest[2:].decode()
                one = Published(topic, payload, bool(first & 1))
                self.published.append(one)
                if one.retain:
                    self.retained[topic] = payload
                if self._drops("PUBACK"):
                    connection.sendall(b"\x40\x02")
                    return
                connection.sendall(b"\x40\x02" + number)
            elif packet == "PINGREQ":
                connection.sendall(b"\xd0\x00")
            elif packet == "DISCONNECT":
                session.said_goodbye = True
                return


def _connect(body: bytes) -> tuple[Published | None, tuple[str, str]]:
    flags, rest, texts = body[7], body[10:], []
    while rest:
        size = int.from_bytes(rest[:2])
        texts.append(rest[2 : 2 + size].decode())
        rest = rest[2 + size :]
    texts.pop(0)  # who it says it is
    will = Published(texts.pop(0), texts.pop(0), bool(flags & 32)) if flags & 4 else None
    user = texts.pop(0) if flags & 128 else ""
    return will, (user, texts.pop(0) if flags & 64 else "")


@contextlib.contextmanager
def _served(made: Callable[[], _Server]) -> Iterator[_Server]:
    server = made()
    try:
        yield server
    finally:
        server.close()


@contextlib.contextmanager
def mail_server(verb: str = "", fault: Fault = "drop") -> Iterator[MailServer]:
    """See MailServer."""
    with _served(lambda: MailServer(verb, fault)) as server:
        assert isinstance(server, MailServer)
        yield server


@contextlib.contextmanager
def web_server(answer: str = "200") -> Iterator[WebServer]:
    """See WebServer."""
    with _served(lambda: WebServer(answer)) as server:
        assert isinstance(server, WebServer)
        yield server


@contextlib.contextmanager
def mqtt_broker(drop: str = "", count: int = 1, *, refuse: bool = False) -> Iterator[Broker]:
    """See Broker."""
    with _served(lambda: Broker(drop, count, refuse=refuse)) as server:
        assert isinstance(server, Broker)
        yield server
