"""Numbers and times as people read them, at the desk and on the page."""

from typing import TYPE_CHECKING

from rainstead.localtime import local

if TYPE_CHECKING:
    from rainstead.answers import MessageChannelLine, TankLevel, Total

__all__ = [
    "age",
    "channel_wait",
    "litres",
    "moment",
    "span",
    "spread",
    "state_mark",
    "state_words",
    "when",
]


def when(t_ms: int, zone: str) -> str:
    """Date and time of the site."""
    here = local(t_ms, zone)
    return f"{here:%Y-%m-%d %H:%M} {here.tzname() or ''}".rstrip()


def moment(t_ms: int, zone: str) -> str:
    """The same for a cell of a table: with the zone only where clocks went back and the hour came twice."""
    here = local(t_ms, zone)
    twice = here.replace(fold=0).utcoffset() != here.replace(fold=1).utcoffset()
    return f"{here:%Y-%m-%d %H:%M} {here.tzname()}" if twice else f"{here:%Y-%m-%d %H:%M}"


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


def channel_wait(one: "MessageChannelLine", as_of_ms: int, zone: str) -> str:
    """What waits for a channel, why, and until when."""
    told = f"{one.name}: 1 message waits" if one.waiting == 1 else f"{one.name}: {one.waiting:,} messages wait"
    if one.waits_because is not None:
        told += f", because {one.waits_because}"
    if one.next_try_ms is None:
        return told
    if one.next_try_ms <= as_of_ms:
        return f"{told}; it is tried now"
    return f"{told}; the next try is about {moment(one.next_try_ms, zone)}"
