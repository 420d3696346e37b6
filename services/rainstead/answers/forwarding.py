"""How forwarding to a server goes: what waits, what was refused and why, and the last word of the server."""

from dataclasses import dataclass
from pathlib import Path

from rainstead.errors import SettingsError
from rainstead.forward import forwarder_runs, read_standing, server_name
from rainstead.log import ReadingSource
from rainstead.settings import Settings

from .answer import Answer, head

__all__ = ["ForwardingAnswer", "RefusedPoint", "forwarding"]


@dataclass(frozen=True, slots=True)
class RefusedPoint:
    """A point that was set aside, as it was sent, and the server's reason."""

    at_ms: int
    line: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ForwardingAnswer(Answer):
    """word: stored, later, forbidden; never_run where no forwarder has run here, silent where it has said nothing yet.

    is_running: whether a forwarder runs on this machine now; None where that cannot be seen. sent_upto_ms: all of the
    log up to there is on the server; None where nothing is.
    """

    server: str
    is_running: bool | None
    word: str
    because: str | None
    last_stored_ms: int | None
    last_stored_age_s: float | None
    sent_upto_ms: int | None
    lag_s: float | None
    backlog_s: float
    backlog_readings: int
    waiting_readings: int
    refused: int
    refused_points: tuple[RefusedPoint, ...]


def forwarding(settings: Settings, reader: ReadingSource, folder: Path, as_of_ms: int) -> ForwardingAnswer:
    """As it is now. lag_s: how much time the newest readings are behind; the rest of what waits is backlog.

    Raises SettingsError where the settings forward to nothing.
    """
    if settings.forward is None:
        raise SettingsError(
            f"{folder / 'site.toml'}: forward = nothing: this site sends to no server; add a [forward] table"
        )
    name = server_name(settings.forward)
    standing = read_standing(folder, name)
    last_ms = reader.last_before_ms(2**62)
    is_running = forwarder_runs(folder)
    because: str | None
    if standing is None and is_running:
        word, because = "silent", None  # it has only just begun
    elif standing is None:
        word, because = "never_run", "no forwarder has run for this site; start rainstead-forwarder"
    else:
        word, because = standing.told.get("word", "silent"), standing.told.get("reason") or None
    live_ms = None if standing is None else standing.cursor.live_ms
    stretches = () if standing is None else standing.cursor.stretches
    stored_ms = (
        None if standing is None or "last_stored_ms" not in standing.told else int(standing.told["last_stored_ms"])
    )
    return ForwardingAnswer(
        **head(settings, reader, as_of_ms),
        server=name,
        is_running=is_running,
        word="stored" if word == "silent" and stored_ms is not None else word,
        because=because,
        last_stored_ms=stored_ms,
        last_stored_age_s=None if stored_ms is None else (as_of_ms - stored_ms) / 1000,
        sent_upto_ms=None if standing is None else standing.cursor.forwarded_upto_ms(),
        lag_s=None if last_ms is None or live_ms is None else max(last_ms - live_ms, 0) / 1000,
        backlog_s=sum(upto - after for after, upto in stretches) / 1000,
        backlog_readings=sum(reader.count(after_ms=after, upto_ms=upto) for after, upto in stretches),
        waiting_readings=reader.count(after_ms=live_ms),
        refused=0 if standing is None else standing.refused_count,
        refused_points=()
        if standing is None
        else tuple(RefusedPoint(at_ms, one.line, one.reason) for at_ms, one in standing.refused),
    )
