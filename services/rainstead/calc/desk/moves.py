"""Water known to have gone into a tank or out of it between two times: carted, pumped, poured."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["WaterMove", "moved_l"]


@dataclass(frozen=True, slots=True)
class WaterMove:
    """Litres into the tank; out of it where they are negative. what: in one word, for people."""

    tank: str
    from_ms: int
    upto_ms: int
    volume_l: float
    volume_u_l: float
    what: str

    def touches(self, from_ms: int, upto_ms: int) -> bool:
        """Whether any of it happened between the times."""
        return self.from_ms < upto_ms and self.upto_ms > from_ms


def moved_l(moves: Iterable[WaterMove], tank: str, from_ms: int, upto_ms: int) -> tuple[float, float]:
    """Litres moved into one tank between the times, and their standard uncertainty; each move went evenly."""
    total_l = u2 = 0.0
    for move in moves:
        if move.tank == tank and move.touches(from_ms, upto_ms):
            lasted_ms = max(move.upto_ms - move.from_ms, 1)
            part = (min(move.upto_ms, upto_ms) - max(move.from_ms, from_ms)) / lasted_ms
            total_l += part * move.volume_l
            u2 += (part * move.volume_u_l) ** 2
    return total_l, math.sqrt(u2)
