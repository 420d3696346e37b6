"""Handing a message over, bounded in time: by a process that is ended when its time is over."""

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

from .address import Address

__all__ = ["LIMIT_MS", "BrokerCarrier", "Carrier", "Job", "OnceCarrier", "Outcome", "check_address"]

LIMIT_MS: Final = 30_000
"""No try takes longer, once the libraries are loaded."""
LOADING_MS: Final = 120_000
"""A slow board that is busy needs a good part of this to load them."""
_PROGRAM: Final = str(Path(__file__).with_name("carry.py"))


@dataclass(frozen=True, slots=True)
class Job:
    """What to hand over. publish: topic below the channel's own, and what is to stay there."""

    kind: str
    title: str
    body: str
    publish: tuple[tuple[str, str, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """because: in our own words, without any part of an address."""

    ok: bool
    because: str | None = None


class Carrier(Protocol):
    """One channel's way out. One job at a time."""

    def begin(self, job: Job, boot_ms: int) -> None:
        """Start a try."""

    def outcome(self, boot_ms: int) -> Outcome | None:
        """How the try ended; None while it goes on. It ends by itself after LIMIT_MS."""

    @property
    def has_dropped(self) -> bool:
        """Whether a connection that is kept between jobs is gone."""

    def close(self) -> None:
        """End whatever runs."""


def _started(mode: str) -> subprocess.Popen[bytes]:
    # Isolated, and without the environment: what stands there is not the libraries' business.
    environment = {
        key: os.environ[key]
        for key in ("LANG", "LC_ALL", "PATH", "TZ", "SSL_CERT_FILE", "REQUESTS_CA_BUNDLE")
        if key in os.environ
    }
    return subprocess.Popen(
        [sys.executable, "-I", _PROGRAM, mode],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment | {"MALLOC_ARENA_MAX": "2"},
        cwd="/",
    )


class _Child:
    """A process of `carry`, and the lines it says."""

    def __init__(self, mode: str, job: Mapping[str, Any]) -> None:
        self._process = _started(mode)
        assert self._process.stdin is not None and self._process.stdout is not None
        self._stdin, self._stdout = self._process.stdin, self._process.stdout
        os.set_blocking(self._stdout.fileno(), False)
        self._rest = b""
        self._loaded_ms: int | None = None
        self.send(job)

    def send(self, job: object) -> None:
        """A line to it; one that is dead is found out by `said`."""
        with contextlib.suppress(OSError):
            self._stdin.write(json.dumps(job).encode() + b"\n")
            self._stdin.flush()

    def said(self) -> dict[str, Any] | None:
        """The next line of it; None where there is none yet. What ended without a word has failed."""
        ended = self._process.poll() is not None
        with contextlib.suppress(BlockingIOError):
            while more := os.read(self._stdout.fileno(), 65_536):
                self._rest += more
        if b"\n" in self._rest:
            line, self._rest = self._rest.split(b"\n", 1)
            with contextlib.suppress(ValueError):
                told = json.loads(line)
                if isinstance(told, dict):
                    return told
            return {"ok": False, "reason": "the program that hands over failed"}
        return {"ok": False, "reason": "the program that hands over ended"} if ended else None

    def ended(self, begun_ms: int, boot_ms: int, limit_ms: int) -> tuple[bool, dict[str, Any] | None]:
        """Whether a try that began then is over, and what was said; None where its time was over first."""
        told = self.said()
        if told is not None and told.get("loaded"):
            self._loaded_ms, told = boot_ms, self.said()
        if told is not None:
            return True, told
        if self._loaded_ms is None:
            return boot_ms - begun_ms >= LOADING_MS, None
        return boot_ms - max(begun_ms, self._loaded_ms) >= limit_ms, None

    @property
    def is_alive(self) -> bool:
        """Whether it runs."""
        return self._process.poll() is None

    def end(self) -> None:
        """Kill it, and wait for its end."""
        with contextlib.suppress(OSError):
            self._process.kill()
        self._process.wait()
        with contextlib.suppress(OSError):
            self._stdin.close()
        self._stdout.close()


class OnceCarrier:
    """Mail, push and web addresses: a process for each try, so that at rest nothing is held in memory."""

    def __init__(self, address: Address, *, limit_ms: int = LIMIT_MS) -> None:
        self._address, self._limit_ms = address, limit_ms
        self._child: _Child | None = None
        self._begun_ms = 0

    def begin(self, job: Job, boot_ms: int) -> None:
        """See Carrier."""
        self.close()
        words = {"address": self._address.secret, "kind": job.kind, "title": job.title, "body": job.body}
        self._child, self._begun_ms = _Child("once", words), boot_ms

    def outcome(self, boot_ms: int) -> Outcome | None:
        """See Carrier."""
        if self._child is None:
            return None
        is_over, told = self._child.ended(self._begun_ms, boot_ms, self._limit_ms)
        if not is_over:
            return None
        self.close()
        return _outcome(told, self._limit_ms)

    @property
    def has_dropped(self) -> bool:
        """See Carrier: none is kept."""
        return False

    def close(self) -> None:
        """See Carrier."""
        if self._child is not None:
            self._child.end()
            self._child = None


class BrokerCarrier:
    """One connection to a broker, kept so that its last will is told when this process ends, however it ends."""

    def __init__(self, address: Address, will: str, *, limit_ms: int = LIMIT_MS) -> None:
        self._address, self._will, self._limit_ms = address, will, limit_ms
        self._child: _Child | None = None
        self._begun_ms: int | None = None

    def begin(self, job: Job, boot_ms: int) -> None:
        """See Carrier."""
        if self._child is not None and (not self._child.is_alive or self._child.said() is not None):
            self.close()
        if self._child is None:
            broker = self._address.broker()
            self._child = _Child(
                "broker",
                {
                    "host": broker.host,
                    "port": broker.port,
                    "tls": broker.tls,
                    "user": broker.user,
                    "password": broker.password,
                    "client_id": broker.client_id,
                    "will_topic": f"{broker.topic}/messenger",
                    "will": self._will,
                },
            )
        topic = self._address.broker().topic
        self._child.send(
            [{"topic": f"{topic}/{at}", "payload": text, "retain": stays} for at, text, stays in job.publish]
        )
        self._begun_ms = boot_ms

    def outcome(self, boot_ms: int) -> Outcome | None:
        """See Carrier."""
        if self._begun_ms is None or self._child is None:
            return None
        is_over, told = self._child.ended(self._begun_ms, boot_ms, self._limit_ms)
        if not is_over:
            return None
        self._begun_ms = None
        if told is None or not told.get("ok"):
            self.close()
        return _outcome(told, self._limit_ms)

    @property
    def has_dropped(self) -> bool:
        """See Carrier. The broker has then told the last will."""
        return self._begun_ms is None and self._child is not None and not self._child.is_alive

    def close(self) -> None:
        """See Carrier. Without a farewell to the broker."""
        if self._child is not None:
            self._child.end()
            self._child, self._begun_ms = None, None


def check_address(address: Address, *, limit_s: float = LIMIT_MS / 1000) -> dict[str, Any] | None:
    """What the library says of an address, without using it: ok, unusable, missing. None: it did not say in time."""
    if address.is_broker:
        words: dict[str, Any] = {"ok": True}
        code = "import importlib.util as u, sys; sys.exit(u.find_spec('paho') is None)"
        with contextlib.suppress(subprocess.TimeoutExpired):
            if subprocess.run([sys.executable, "-I", "-c", code], check=False, timeout=limit_s).returncode:
                words = {"ok": False, "missing": "paho"}
        return words
    process = _started("once")
    try:
        out, _ = process.communicate(json.dumps({"address": address.secret, "check": True}).encode() + b"\n", limit_s)
        told = json.loads(out)
    except (subprocess.TimeoutExpired, ValueError):
        return None
    finally:
        process.kill()
        process.wait()
    return told if isinstance(told, dict) else None


def _outcome(told: dict[str, Any] | None, limit_ms: int) -> Outcome:
    if told is None:
        return Outcome(False, f"it has not taken it within {limit_ms / 1000:.0f} s")
    if told.get("ok"):
        return Outcome(True)
    return Outcome(False, str(told.get("reason") or "it has not taken it"))
