"""Which of a site's sensors are sick."""

from rainstead.log import ReadingSource
from rainstead.settings import Settings

from .counters import sick_counters
from .levels import sick_levels
from .sick import Sickness

__all__ = ["find_sickness"]


def find_sickness(settings: Settings, reader: ReadingSource, as_of_ms: int) -> dict[str, Sickness]:
    """What the last hours of the log say of each sensor that is sick at a time."""
    found = sick_levels(settings, reader, as_of_ms)
    return found | sick_counters(settings, reader, as_of_ms, found)
