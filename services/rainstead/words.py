"""Numbers and times as people read them, at the desk and on the page."""

from typing import TYPE_CHECKING

from rainstead.localtime import local

if TYPE_CHECKING:
    from rainstead.answers import BackupHealth, BoardHealth, CheckHealth, LastTime, MessageChannelLine, TankLevel, Total

__all__ = [
    "age",
    "as_sentence",
    "channel_wait",
    "late_account",
    "litres",
    "moment",
    "span",
    "spread",
    "state_mark",
    "state_words",
    "upkeep_lines",
    "when",
]


_NO_CLOCK_MS = 7_258_118_400_000
"""The year 2200: damage without known bounds has them far beyond, and far before 1970."""


def when(t_ms: int, zone: str) -> str:
    """Date and time of the site."""
    here = local(t_ms, zone)
    return f"{here:%Y-%m-%d %H:%M} {here.tzname() or ''}".rstrip()


def moment(t_ms: int, zone: str) -> str:
    """The same for a cell of a table: with the zone only where clocks went back and the hour came twice."""
    here = local(t_ms, zone)
    twice = here.replace(fold=0).utcoffset() != here.replace(fold=1).utcoffset()
    return f"{here:%Y-%m-%d %H:%M} {here.tzname()}" if twice else f"{here:%Y-%m-%d %H:%M}"


def as_sentence(told: str) -> str:
    """With a capital and a full stop, whatever else is in it."""
    return f"{told[:1].upper()}{told[1:]}."


def age(seconds: float) -> str:
    """How long ago, to two figures or so."""
    if seconds < 0:
        return "not yet"
    return span(seconds)


def span(seconds: float) -> str:
    """A length of time."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    if seconds < 100 * 60:
        return f"{seconds / 60:.0f} min"
    if seconds < 48 * 3600:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86_400:.1f} d"


def litres(value: float | None) -> str:
    """Whole litres."""
    return "unknown" if value is None else f"{value:z,.0f} L"


def spread(level: "TankLevel | Total") -> str:
    """The 95 % interval as ±, or what stands in its place."""
    if level.is_at_least:
        return "or more"
    if level.volume_l is None or level.volume_u_l is None:
        return ""
    return f"±{1.96 * level.volume_u_l:z,.0f}"


def state_mark(level: "TankLevel") -> str:
    """One word beside the litres, so that an old level is never taken for the present one."""
    return {
        "measured": "",
        "at_least_brim": "at brim",
        "last_known": "OLD",
        "doubtful": "DOUBTFUL",
        "no_sensor": "no sensor",
    }.get(level.state, level.state)


def state_words(level: "TankLevel") -> str:
    """Whether a level is to be trusted as the present one, and why not."""
    match level.state:
        case "measured":
            return ""
        case "at_least_brim":
            return f"at the brim or over: {level.because}"
        case "last_known":
            told = f"last known, {age(level.age_s)} old" if level.age_s is not None else "last known"
            return f"{told}: {level.because}"
        case "doubtful":
            return f"doubtful: {level.because}"
        case "no_sensor":
            return "no sensor"
        case _:
            return f"unknown: {level.because}"


def late_account(board: "BoardHealth", zone: str) -> str:
    """What is wrong where a logger runs and its account of itself is old."""
    return (
        f"A logger runs, but it could not write its account since {when(board.written_ms, zone)} "
        f"({age(board.age_s)} ago), or it hangs: what it said then stands below."
    )


def channel_wait(one: "MessageChannelLine", as_of_ms: int) -> str:
    """What waits for a channel, why, and for how long yet."""
    told = f"{one.name}: 1 message waits" if one.waiting == 1 else f"{one.name}: {one.waiting:,} messages wait"
    if one.waits_because is not None:
        told += f", because {one.waits_because}"
    if one.next_try_ms is None:
        return told
    if one.next_try_ms <= as_of_ms:
        return f"{told}; it is tried now"
    return f"{told}; the next try is in about {span((one.next_try_ms - as_of_ms) / 1000)}"


def upkeep_lines(backup: "BackupHealth | None", check: "CheckHealth | None", zone: str) -> list[tuple[str, str]]:
    """Of the last backup and the last check: a sentence each, and how it looks: `well`, `doubtful` or `bad`."""
    lines = []
    if backup is not None:
        if backup.unreadable is not None:
            why = f"their account cannot be read ({backup.unreadable})"
            lines.append(("doubtful", f"How backups go is not known: {why}."))
        elif backup.is_failing and backup.failed is not None:
            good = "none is known there"
            if backup.well is not None:
                good = f"the last that was made, {backup.well.said}, is of {_ago(backup.well, zone)}"
            lines.append(("bad", f"The backup failed {_ago(backup.failed, zone)} ({backup.failed.said}); {good}."))
        elif backup.well is not None:
            same = ". It is on the log's own disk, and is lost with it" if backup.is_on_log_disk else ""
            looks = "doubtful" if backup.well.age_s is None else "well"
            said = f"The last backup was made {_ago(backup.well, zone)}: {backup.place}/{backup.well.said}{same}."
            lines.append((looks, said))
    if check is not None:
        if check.unreadable is not None:
            why = f"its account cannot be read ({check.unreadable})"
            lines.append(("doubtful", f"How the last check went is not known: {why}."))
        if check.done is not None and check.is_whole:
            looks = "doubtful" if check.done.age_s is None else "well"
            lines.append((looks, f"The last check found the log whole, {_ago(check.done, zone)}."))
        elif check.done is not None:
            lines.append(("bad", f"The last check, {_ago(check.done, zone)}, found damage: {_damage(check, zone)}."))
        if check.is_failing and check.failed is not None:
            said = f"The check came to no end {_ago(check.failed, zone)}: {check.failed.said}."
            lines.append(("doubtful", said))
    return lines


def _ago(last: "LastTime", zone: str) -> str:
    if last.age_s is not None:
        return f"{age(last.age_s)} ago"
    return f"at {when(last.t_ms, zone)} (by a clock that was not set, or does not agree with the clock of now)"


def _stamp(t_ms: int, zone: str, far: str) -> str:
    """far: what is said for a stamp that no clock showed: the damage has no known bound, or the stamp is damaged."""
    return when(t_ms, zone) if 0 <= t_ms < _NO_CLOCK_MS else far


def _damage(check: "CheckHealth", zone: str) -> str:
    told = []
    if check.damaged:
        lost = f"{check.lost_readings:,} readings" if check.lost_readings else "an unknown number of readings"
        parts = "a part" if check.damaged == 1 else f"{check.damaged:,} parts"
        spans = [
            f"{_stamp(one.first_ms, zone, 'the beginning')} to {_stamp(one.last_ms, zone, 'the end')}"
            for one in check.spans[:3]
        ]
        more = f" and {check.damaged - len(spans):,} more" if check.damaged > len(spans) else ""
        told.append(f"{parts} of the log cannot be read, with {lost}: {', '.join(spans)}{more}")
    told += check.faults[:3]
    return "; ".join(told) + ". `rainstead verify` tells it whole, and a backup from before may have the rest"
