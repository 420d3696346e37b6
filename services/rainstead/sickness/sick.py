"""What is told of one sensor that is sick."""

from dataclasses import dataclass

__all__ = ["Sickness"]


@dataclass(frozen=True, slots=True)
class Sickness:
    """state: frozen, jumped, swapped, no_value; no_rain of a gauge; odd_pulses, no_draw of a meter. since_ms: since
    when; None where it was so all the time looked at."""

    state: str
    since_ms: int | None
    because: str
