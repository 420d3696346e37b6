"""Numbers and times as people read them."""

from rainstead.answers import TankLevel, Total, local

__all__ = ["age", "litres", "span", "spread", "state_words", "when"]


def when(t_ms: int, zone: str) -> str:
    """Date and time of the site."""
    moment = local(t_ms, zone)
    return f"{moment:%Y-%m-%d %H:%M} {moment.tzname() or ''}".rstrip()


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
    return "unknown" if value is None else f"{value:,.0f} L"


def spread(level: TankLevel | Total) -> str:
    """The 95 % interval as ±, or what stands in its place."""
    if level.is_at_least:
        return "or more"
    if level.volume_l is None or level.volume_u_l is None:
        return ""
    return f"±{1.96 * level.volume_u_l:,.0f}"


def state_words(level: TankLevel) -> str:
    """Whether a level is to be trusted as the present one, and why not."""
    match level.state:
        case "measured":
            return ""
        case "at_least_brim":
            return f"at the brim or over: {level.because}"
        case "last_known":
            told = f"last known, {age(level.age_s)} old" if level.age_s is not None else "last known"
            return f"{told}: {level.because}"
        case "no_sensor":
            return "no sensor"
        case _:
            return f"unknown: {level.because}"
