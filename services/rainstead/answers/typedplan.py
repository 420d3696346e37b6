"""What is typed for the outlook and for sizing."""

from rainstead.units import VOLUME_L

from .typed import Refused, read_quantity

__all__ = ["read_draw", "read_horizons"]

_FARTHEST_DAYS = 730
_MOST_HORIZONS = 12


def read_horizons(text: str) -> tuple[int, ...]:
    """Numbers of days, rising, each once."""
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isdecimal() for part in parts):
        raise Refused(f"--days {text!r}: write whole numbers of days with commas between them, as in 30,60,90")
    days = sorted({int(part) for part in parts})
    if not 1 <= days[0] <= days[-1] <= _FARTHEST_DAYS or len(days) > _MOST_HORIZONS:
        raise Refused(f"--days {text!r}: give at most {_MOST_HORIZONS} numbers between 1 and {_FARTHEST_DAYS}")
    return tuple(days)


def read_draw(text: str | None) -> float | None:
    """Litres a day."""
    if text is None:
        return None
    litres = read_quantity(text.removesuffix("/day").removesuffix("/d"), VOLUME_L, "--draw")
    if not 0 <= litres <= 1e6:
        raise Refused(f"--draw {text!r}: a house draws between 0 and 1,000,000 L a day")
    return litres
