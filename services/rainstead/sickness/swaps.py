"""Level sensors that have changed places: plugs in each other's ports, or names that were given out anew."""

from collections.abc import Mapping
from itertools import combinations
from typing import Final

from rainstead import calc
from rainstead.readings import F64, I64

__all__ = ["LEAST_MM", "swapped"]

LEAST_MM: Final = 100.0
"""Tanks whose levels are nearer to one another cannot be told apart by them."""
WITHIN_MM: Final = 30.0
"""So much may the water have moved while the plugs were out. Common practice."""
APART_MS: Final = 900_000
"""The one plug may be moved so long after the other."""


def swapped(series: Mapping[str, tuple[I64, F64]]) -> dict[str, tuple[str, int]]:
    """For each sensor that is in another's place, that other and since when.

    series: stamps and usable raw ranges of each sensor. A refill or a draw while nobody looked moves one tank, or two
    to levels of their own: only two that have exactly changed places are told.
    """
    steps = {name: calc.lasting_steps(t_ms, value, LEAST_MM) for name, (t_ms, value) in series.items()}
    found: dict[str, tuple[str, int]] = {}
    for one, other in combinations(steps, 2):
        since_ms = calc.crossed_since_ms(steps[one], steps[other], WITHIN_MM, APART_MS)
        if since_ms is not None:
            found[one], found[other] = (other, since_ms), (one, since_ms)
    return found
