"""How the logger and its sensors are: what the log shows, and what the logger says of itself."""

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from rainstead.boardhealth import RUN_FOLDER, account_age_ms, read_board_health
from rainstead.derive import Deriver, State
from rainstead.errors import LogError
from rainstead.log import (
    LONG_WAL_BYTES,
    LogReader,
    ReadingSource,
    brought_in_again,
    damaged_logs,
    has_reset_fault,
    has_writer,
)
from rainstead.messages import messenger_runs
from rainstead.replay import state_at
from rainstead.settings import Settings
from rainstead.sickness import find_sickness

from .alarms import AlarmStanding, standing
from .answer import Answer, head
from .forwarding import forwarding
from .messaging import MessageChannelLine, messages
from .rangeradvice import ranger_advice
from .sensors import SensorHealth, last_rows, sensor_health
from .upkeep import BackupHealth, CheckHealth, backup_health, check_health

__all__ = ["BoardHealth", "Count", "ForwarderHealth", "HealthAnswer", "MessengerHealth", "SensorReport", "health"]

Number = float | int | None
LONG_ENOUGH_S: Final = 3600
"""A logger writes more in its first minutes than later."""
LATE_S: Final = 60.0
"""A logger that lives leaves an account each ten seconds."""
_SOON_MS: Final = -60_000
"""It may have been written after the time was taken that is answered for."""


@dataclass(frozen=True, slots=True)
class Count:
    """So many of something since the logger began: bounces, bad_bytes, opened_anew and the like."""

    what: str
    number: int


@dataclass(frozen=True, slots=True)
class SensorReport:
    """One sensor. health: by the log. logger_says: what is wrong in the logger's own words, while something is.

    advice: what the last week of a level sensor suggests, where that was asked for.
    """

    health: SensorHealth
    logger_says: str | None
    counts: tuple[Count, ...]
    advice: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BoardHealth:
    """The logger's own account, and how old it is; None where the board does not tell.

    is_late: there should be a newer one, for a logger runs.
    sqlite_wants_one_writer: this version may damage a log that two programs write, which rainstead does not let them.
    written_mb_a_day: what it gives to the disk, since it began, if that is an hour ago or more. advice: about the board
    and the log, in the owner's words.
    """

    written_ms: int
    age_s: float
    is_late: bool
    version: str
    uptime_s: Number
    clock_is_trusted: bool | None
    last_commit_age_s: Number
    slowest_commit_s: Number
    disk_trouble: str | None
    free_mb: Number
    waiting: Number
    dropped: Number
    calculation_failed: str | None
    resident_bytes: Number
    board_temperature_c: Number
    supply_is_low: bool | None
    supply_low_age_s: Number
    began: str | None
    spare_room: str | None
    open_files: Number
    written_mb_a_day: Number
    wal_bytes: Number
    sqlite_version: str | None
    sqlite_wants_one_writer: bool | None
    advice: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ForwarderHealth:
    """As in `forwarding`; word is also unknown, where its file cannot be read. waiting_readings: with the backlog."""

    is_running: bool | None
    word: str
    because: str | None
    last_stored_age_s: float | None
    lag_s: float | None
    waiting_readings: int | None


@dataclass(frozen=True, slots=True)
class MessengerHealth:
    """Whether alarms go out. channels: those for which something waits, as in `messages`.

    because: why what it has to tell is not known; waiting and given_up are None then, and has_run too.
    """

    is_running: bool | None
    has_run: bool | None
    because: str | None
    waiting: int | None
    given_up: int | None
    channels: tuple[MessageChannelLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthAnswer(Answer):
    """logger_is_running: whether a process writes the log on this machine now; None where that cannot be seen.

    logger is None, with logger_because, where it left no account of itself. damaged_logs: names of logs in the
    site's folder that were moved aside for damage. forwarder is None where the site sends to no server,
    messenger where it tells nobody; backup and check where none has been noted.
    """

    clock_is_trusted: bool
    logger_is_running: bool | None
    logger: BoardHealth | None
    logger_because: str | None
    forwarder: ForwarderHealth | None
    messenger: MessengerHealth | None
    backup: BackupHealth | None
    check: CheckHealth | None
    damaged_logs: tuple[str, ...]
    brought_in: tuple[str, ...]
    sensors: tuple[SensorReport, ...]
    alarms: tuple[AlarmStanding, ...]


def health(
    settings: Settings,
    reader: ReadingSource,
    as_of_ms: int,
    *,
    site: Path,
    run_folder: Path = RUN_FOLDER,
    state: State | None = None,
    look_back: bool = False,
) -> HealthAnswer:
    """How sensors, clock, disk and queue are. The logger's account is of now; an earlier time has none.

    state: of that time, where it is carried already. look_back: also read a week of level sensors for advice.
    """
    deriver = Deriver(settings)
    run = reader.newest_run() if isinstance(reader, LogReader) else None
    told = read_board_health(site, settings.site.name, run_folder, boot_uuid=None if run is None else run.boot_uuid)
    age_ms = 0 if told is None else account_age_ms(told, as_of_ms, run)
    told = told if age_ms >= _SOON_MS else None
    is_running = has_writer(site / "readings.db")
    if state is None:
        state = state_at(reader, deriver, upto_ms=as_of_ms)
    sick = find_sickness(settings, reader, as_of_ms)
    advice = ranger_advice(settings, reader, as_of_ms) if look_back else {}
    said = {} if told is None else {one["name"]: one for one in told.get("sensors", []) if isinstance(one, dict)}
    rows = sensor_health(settings, last_rows(settings, reader, deriver, state, as_of_ms), as_of_ms, sick)
    return HealthAnswer(
        **head(settings, reader, as_of_ms),
        clock_is_trusted=reader.clock_is_trusted(),
        logger_is_running=is_running,
        logger=None if told is None else _board(told, max(age_ms, 0) / 1000, is_running=is_running),
        logger_because=None if told is not None else "it left no account of itself that can be read from here",
        forwarder=_forwarder(settings, reader, site, as_of_ms),
        messenger=_messenger(settings, reader, site, as_of_ms),
        backup=backup_health(site, as_of_ms, clock_is_trusted=reader.clock_is_trusted()),
        check=check_health(site, as_of_ms, clock_is_trusted=reader.clock_is_trusted()),
        damaged_logs=tuple(path.name for path in damaged_logs(site)),
        brought_in=tuple(path.name for path in brought_in_again(site)),
        sensors=tuple(
            SensorReport(
                _never_heard(one) if said.get(one.name, {}).get("trouble") else one,
                said.get(one.name, {}).get("trouble"),
                _counts(said.get(one.name, {})),
                advice.get(one.name, ()),
            )
            for one in rows
        ),
        alarms=standing(settings, reader.events(upto_ms=as_of_ms)),
    )


def _never_heard(one: SensorHealth) -> SensorHealth:
    """Of a sensor that the logger has trouble with: one that was never heard is not well for having said nothing."""
    return replace(one, state="never", is_in_trouble=True) if one.state == "ok" and one.last_ms is None else one


def _counts(said: Mapping[str, Any]) -> tuple[Count, ...]:
    return tuple(Count(what, number) for what, number in sorted(said.get("counts", {}).items()))


def _forwarder(settings: Settings, reader: ReadingSource, site: Path, as_of_ms: int) -> ForwarderHealth | None:
    if settings.forward is None:
        return None
    try:
        told = forwarding(settings, reader, site, as_of_ms)
    except sqlite3.Error as error:
        return ForwarderHealth(None, "unknown", f"its file cannot be read ({error})", None, None, None)
    return ForwarderHealth(
        told.is_running,
        told.word,
        told.because,
        told.last_stored_age_s,
        told.lag_s,
        told.waiting_readings + told.backlog_readings,
    )


def _messenger(settings: Settings, reader: ReadingSource, site: Path, as_of_ms: int) -> MessengerHealth | None:
    if settings.messages is None:
        return None
    try:
        told = messages(settings, reader, site, as_of_ms)
    except LogError as error:
        return MessengerHealth(messenger_runs(site), None, str(error), None, None, ())
    return MessengerHealth(
        told.is_running,
        told.has_run,
        None,
        sum(one.waiting for one in told.channels),
        sum(one.given_up for one in told.channels),
        tuple(one for one in told.channels if one.waiting),
    )


def _board(told: Mapping[str, Any], age_s: float, *, is_running: bool | None) -> BoardHealth:
    def get(key: str) -> Any:
        return told.get(key)

    return BoardHealth(
        written_ms=told["written_ms"],
        age_s=age_s,
        is_late=is_running is True and age_s > LATE_S,
        version=str(get("version")),
        uptime_s=get("uptime_s"),
        clock_is_trusted=get("clock_is_trusted"),
        last_commit_age_s=get("last_commit_age_s"),
        slowest_commit_s=get("slowest_commit_s"),
        disk_trouble=get("disk_trouble"),
        free_mb=get("free_mb"),
        waiting=get("waiting"),
        dropped=get("dropped"),
        calculation_failed=get("calculation_failed"),
        resident_bytes=get("resident_bytes"),
        board_temperature_c=get("board_temperature_c"),
        supply_is_low=get("supply_is_low"),
        supply_low_age_s=get("supply_low_age_s"),
        began=get("began"),
        spare_room=get("spare_room"),
        open_files=get("open_files"),
        written_mb_a_day=_a_day(get("written_bytes"), get("uptime_s")),
        wal_bytes=get("wal_bytes"),
        sqlite_version=get("sqlite_version"),
        sqlite_wants_one_writer=_has_reset_fault(get("sqlite_version")),
        advice=tuple(_advice(get("wal_bytes"))),
    )


def _a_day(written_bytes: Number, uptime_s: Number) -> float | None:
    if written_bytes is None or uptime_s is None or uptime_s < LONG_ENOUGH_S:
        return None
    return written_bytes / 1e6 * 86_400 / uptime_s


def _advice(wal: Number) -> Iterator[str]:
    if wal is not None and wal > LONG_WAL_BYTES:
        yield (
            f"readings.db-wal has {wal / 1e6:.0f} MB, because a program that reads the log does not let go of it, and "
            "the disk fills; find it with `fuser readings.db` and end it"
        )


def _has_reset_fault(version: str | None) -> bool | None:
    numbers = (version or "").split(".")
    if len(numbers) < 3 or not all(part.isdecimal() for part in numbers):
        return None
    return has_reset_fault(tuple(map(int, numbers)))
