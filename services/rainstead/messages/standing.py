"""How the messenger stands, for whoever only looks."""

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rainstead.holding import is_held

from .store import MESSAGES_FILE, RUNNING_FILE

__all__ = ["ChannelStanding", "GivenUp", "MessagesStanding", "messenger_runs", "read_messages"]


@dataclass(frozen=True, slots=True)
class ChannelStanding:
    """One channel as the messenger kept it. waiting: queued; held: for another channel to take it first.

    next_try_ms: what is queued is not tried before then, about; waits_because: why not; None for what is new.
    """

    name: str
    waiting: int
    held: int
    tries: int
    given_up: int
    last_handed_over_ms: int | None
    last_error_ms: int | None
    last_error: str | None
    last_heartbeat_ms: int | None
    next_try_ms: int | None = None
    waits_because: str | None = None


@dataclass(frozen=True, slots=True)
class GivenUp:
    """A message that a channel has not taken."""

    at_ms: int
    channel: str
    title: str
    because: str | None


@dataclass(frozen=True, slots=True)
class MessagesStanding:
    """All channels that the messenger has known, and what was given up, newest first."""

    channels: tuple[ChannelStanding, ...]
    given_up: tuple[GivenUp, ...]
    last_test_ms: int | None


def read_messages(folder: Path, *, most: int = 20) -> MessagesStanding | None:
    """From a site's folder; None where no messenger has ever run. Writes nothing. Raises sqlite3.Error."""
    path = folder / MESSAGES_FILE
    if not path.exists():
        return None
    with _opened(path) as db:
        if db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'delivery'").fetchone() is None:
            return None
        counts: dict[str, dict[str, int]] = {}
        tries: dict[str, int] = {}
        for channel, state, count, most_tries in db.execute(
            "SELECT channel, state, count(*), max(tries) FROM delivery GROUP BY channel, state"
        ):
            counts.setdefault(channel, {})[state] = count
            if state == "queued":
                tries[channel] = most_tries
        kept = {
            name: {"last_handed_over_ms": handed_ms, "last_error_ms": error_ms, "last_error": error}
            for name, handed_ms, error_ms, error in db.execute(
                "SELECT name, last_handed_over_ms, last_error_ms, last_error FROM channel"
            )
        }
        noted: dict[str, Any] = {key: json.loads(value) for key, value in db.execute("SELECT key, value FROM noted")}
        given_up = db.execute(
            "SELECT at_ms, channel, title, because FROM delivery JOIN message USING (number)"
            " WHERE state = 'given_up' ORDER BY number DESC, channel LIMIT ?",
            (most,),
        ).fetchall()
    return MessagesStanding(
        tuple(
            ChannelStanding(
                name,
                counts.get(name, {}).get("queued", 0),
                counts.get(name, {}).get("held", 0),
                tries.get(name, 0),
                counts.get(name, {}).get("given_up", 0),
                **kept.get(name, {"last_handed_over_ms": None, "last_error_ms": None, "last_error": None}),
                last_heartbeat_ms=noted.get(f"beat {name}"),
                next_try_ms=(noted.get(f"wait {name}") or {}).get("until_ms"),
                waits_because=(noted.get(f"wait {name}") or {}).get("because"),
            )
            for name in sorted(counts.keys() | kept.keys())
        ),
        tuple(GivenUp(*row) for row in given_up),
        noted.get("test"),
    )


def messenger_runs(folder: Path) -> bool | None:
    """Whether a messenger of this site runs on this machine; None where we may not look."""
    return is_held(folder / RUNNING_FILE)


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=5)
    try:
        db.execute("BEGIN")
        yield db
    finally:
        db.close()
