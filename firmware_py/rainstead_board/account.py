"""How the logger is, told three ways of the same facts: a lamp, a line for the service manager, a file for who asks."""

import os
import sqlite3
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Any

from rainstead import __version__
from rainstead.boardhealth import HEALTH_FILE, read_board_health
from rainstead.log import wal_bytes

from .boardwatch import Facts
from .drivers import Channel
from .health import Counting, board_facts, open_files, resident_bytes, written_bytes
from .keeper import UNKNOWN_BOOT, Keeper
from .lamp import LampSays
from .logless import Logless

__all__ = ["as_data", "as_lamp", "as_line", "pending_alarms"]


def as_lamp(facts: Facts, active: Collection[tuple[str, str]]) -> LampSays:
    """active: alarm and subject of the board's alarms that stand, but for those that only wait to be called over."""
    if facts.disk_trouble is not None:
        return LampSays.DISK
    if any(facts.troubles.values()) or set(active) - {("clock_unset", "site")}:
        return LampSays.TROUBLE
    return LampSays.WELL if facts.clock_is_trusted else LampSays.CLOCK


def as_line(facts: Facts) -> str:
    """What is wrong, the worst first; else that all is well."""
    told = [f"{name}: {why}" for name, why in facts.troubles.items() if why is not None]
    if facts.disk_trouble is not None:
        told.insert(0, f"readings cannot be stored ({facts.disk_trouble}), {facts.waiting} wait in memory")
    if facts.supply_is_low:
        told.append("the board's supply is low")
    if facts.spare_room == "used":
        told.append("the disk was full and the room kept for that is used")
    if facts.backup.is_bad:
        told.append("there is no new backup")
    if facts.check.is_bad:
        told.append("a part of the log cannot be read")
    if not facts.clock_is_trusted:
        told.append("the clock is not set")
    if facts.settings_refused is not None:
        told.append("site.toml cannot be used, so the last good settings are in force")
    if facts.calculation_failed is not None:
        told.append("the calculation fails: alarms are not watched")
    return "; ".join(told) or f"{len(facts.troubles)} sensors, all well"


def as_data(
    facts: Facts,
    keeper: Keeper | Logless,
    channels: Iterable[Channel],
    *,
    site: str,
    log: Path,
    started_ms: int,
    boot_uuid: str,
    pending: list[dict[str, Any]],
) -> dict[str, object]:
    """For `write_health`. started_ms: boot clock; log: its write-ahead log is weighed. pending: see Turns."""
    return {
        "version": __version__,
        "site": site,
        "process": os.getpid(),
        "boot_uuid": boot_uuid,
        "pending_alarms": pending,
        "written_ms": facts.t_ms,
        "boot_ms": facts.boot_ms,
        "uptime_s": (facts.boot_ms - started_ms) / 1000,
        "clock_is_trusted": facts.clock_is_trusted,
        "last_commit_age_s": None if keeper.last_commit_ms is None else (facts.boot_ms - keeper.last_commit_ms) / 1000,
        "slowest_commit_s": keeper.slowest_commit_ms / 1000,
        "disk_trouble": facts.disk_trouble,
        "free_mb": facts.free_mb,
        "waiting": facts.waiting,
        "dropped": facts.dropped,
        "calculation_failed": facts.calculation_failed,
        "resident_bytes": resident_bytes(),
        "open_files": open_files(),
        "written_bytes": written_bytes(),
        "wal_bytes": wal_bytes(log),
        "sqlite_version": sqlite3.sqlite_version,
        **board_facts(),
        "supply_low_age_s": facts.supply_low_age_s,
        "began": facts.began,
        "spare_room": facts.spare_room,
        "sensors": [
            {
                "name": channel.name,
                "trouble": facts.troubles[channel.name],
                "counts": dict(channel.counts()) if isinstance(channel, Counting) else {},
            }
            for channel in channels
        ],
    }


def pending_alarms(health_path: Path | None, site: str, boot_uuid: str) -> object:
    """What the process before left of alarms that were on their way, if it was in this boot; see Turns."""
    if health_path is None or health_path.name != HEALTH_FILE or boot_uuid == UNKNOWN_BOOT:
        return None
    told = read_board_health(health_path.parent, site, health_path.parent) or {}
    return told.get("pending_alarms") if told.get("boot_uuid") == boot_uuid else None
