"""The program that hands over: one try and its end, or one connection to a broker; run by `carrier`, never imported.

It imports nothing of ours, so that it is small; and it is a process of its own, so that whatever a library does (hangs
in a look-up, dies in a callback, keeps memory), it can be ended from outside. What is secret comes by standard input;
what goes out is in our own words, for a library's may hold an address.
"""

import contextlib
import json
import logging
import os
import re
import select
import sys
from typing import Any

REASONS = (
    (r"timed? ?out", "it did not answer in time"),
    (
        r"Name or service not known|getaddrinfo|name resolution|NameResolution|nodename|No address",
        "its name cannot be looked up now",
    ),
    (
        r"certificate|SSL|TLS",
        "its certificate or encryption is not accepted here; a clock that is not set does that too",
    ),
    (r"refused", "it takes no connection"),
    (r"unreachable|No route", "there is no way to it now"),
    (r"authentication|Authentication|error=401|error=403|\b535\b", "it refuses the login"),
    (
        r"Connection unexpectedly closed|RemoteDisconnected|reset by peer|aborted|broken pipe|Broken pipe",
        "it broke off",
    ),
)


def say(**words: Any) -> None:
    sys.stdout.write(json.dumps(words) + "\n")
    sys.stdout.flush()


def why(told: str) -> str:
    """A reason in our own words, by what a library told."""
    for pattern, words in REASONS:
        if re.search(pattern, told):
            return words
    code = re.search(r"error[=:] ?(\d{3})\b|\((\d{3}), b?['\"]", told)
    return f"it answered {code.group(1) or code.group(2)}" if code else "it has not taken it"


class Heard(logging.Handler):
    """What a library logs, for the reason alone."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.text = ""

    def emit(self, record: logging.LogRecord) -> None:
        with contextlib.suppress(Exception):
            self.text = (self.text + "\n" + record.getMessage())[-20_000:]


def once(job: dict[str, Any]) -> None:
    """One message through the one library for mail, push and web addresses."""
    import apprise

    heard = Heard()
    for name in ("apprise", "urllib3", "requests"):
        library = logging.getLogger(name)
        library.setLevel(logging.DEBUG)
        library.addHandler(heard)
        library.propagate = False
    # A page of a captive portal, reached by a redirect, must not pass for the receiver's yes.
    asset = apprise.AppriseAsset(app_id="rainstead", app_desc="rainstead", http_redirects=False, async_mode=False)
    target = apprise.Apprise.instantiate(job["address"], asset=asset, suppress_exceptions=True)
    if target is None:
        say(ok=False, unusable=True, reason="it is no address that can be used")
        return
    if job.get("check"):
        say(ok=True)
        return
    target.redirects = False
    # Some services refuse a long text; refused for good, it would hold up all that is behind it.
    target.overflow_mode = apprise.OverflowMode.SPLIT
    sender = apprise.Apprise(asset=asset)
    sender.add(target)
    say(loaded=True)
    kinds = {"alarm": "warning", "cleared": "success", "test": "info"}
    try:
        ok = bool(
            sender.notify(
                title=job["title"], body=job["body"], body_format="text", notify_type=kinds.get(job["kind"], "info")
            )
        )
    except Exception as error:
        heard.text += f"\n{type(error).__name__} {error}"
        ok = False
    say(ok=bool(ok), reason=None if ok else why(heard.text))


def broker(job: dict[str, Any]) -> None:
    """One connection to a broker until standard input ends; a line is a job, done once all of it is acknowledged.

    The library's own thread is not used: what fails here ends the process, and that is seen. It ends without a
    farewell, so that the broker tells the last will.
    """
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=job["client_id"], clean_session=True)
    if job["user"]:
        client.username_pw_set(job["user"], job["password"])
    if job["tls"]:
        client.tls_set()
    client.will_set(job["will_topic"], job["will"], qos=1, retain=True)
    client.connect_timeout = 15.0
    refused: list[bool] = []
    connected: list[bool] = []

    def on_connect(_client: Any, _data: Any, _flags: Any, code: Any, _properties: Any) -> None:
        (refused if code.is_failure else connected).append(True)

    client.on_connect = on_connect
    say(loaded=True)
    try:
        client.connect(job["host"], job["port"], keepalive=60)
    except Exception as error:
        say(ok=False, reason=why(f"{type(error).__name__} {error}"))
        return
    _serve(client, refused, connected)


def _serve(client: Any, refused: list[bool], connected: list[bool]) -> None:
    """Jobs and acknowledgements, until something ends it."""
    import paho.mqtt.client as mqtt

    waiting: list[Any] = []
    busy = False
    rest = b""
    os.set_blocking(0, False)
    while True:
        socket = client.socket()
        if socket is None:
            say(ok=False, reason="it broke off")
            return
        files: list[Any] = [0, socket]
        can_read, can_write, _ = select.select(files, [socket] if client.want_write() else [], [], 1.0)
        code = mqtt.MQTT_ERR_SUCCESS
        if socket in can_read or getattr(socket, "pending", int)():
            code = client.loop_read()
        if socket in can_write and not code:
            code = client.loop_write()
        code = code or client.loop_misc()
        if refused:
            say(ok=False, reason="it refuses the login")
            return
        if code:
            say(ok=False, reason="it broke off")
            return
        if 0 in can_read:
            more = os.read(0, 65_536)
            if not more:
                return
            rest += more
        if connected and not busy and b"\n" in rest:
            line, rest = rest.split(b"\n", 1)
            busy = True
            for one in json.loads(line):
                waiting.append(client.publish(one["topic"], one["payload"], qos=1, retain=one["retain"]))
        waiting = [one for one in waiting if not one.is_published()]
        if busy and not waiting:
            busy = False
            say(ok=True)


def main() -> None:
    # A traceback may hold an address.
    sys.excepthook = lambda *_: None
    # Byte by byte: what is read ahead would be missed by whoever waits for the next line.
    line = b""
    while not line.endswith(b"\n"):
        byte = os.read(0, 1)
        if not byte:
            return
        line += byte
    job = json.loads(line)
    try:
        (broker if sys.argv[1] == "broker" else once)(job)
    except ModuleNotFoundError as error:
        say(ok=False, missing=(error.name or "").partition(".")[0], reason="a library is not installed")


if __name__ == "__main__":
    main()
