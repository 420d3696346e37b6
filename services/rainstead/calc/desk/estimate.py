"""A number that a decision rests on, with its uncertainty; or the reason why there is none."""

import math
from dataclasses import dataclass

from .latescipy import scipy

__all__ = ["Answered", "Estimate", "Unknown", "estimate", "lower_bound"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and 95 % interval. high is None for a bound: it was at least `value`."""

    value: float
    u: float
    low: float
    high: float | None

    @property
    def is_at_least(self) -> bool:
        """Whether only a lower bound is known."""
        return self.high is None


@dataclass(frozen=True, slots=True)
class Unknown:
    """There is not enough to say, and why, in words that follow `because`."""

    because: str


Answered = Estimate | Unknown


def estimate(value: float, u: float, *, dof: float = math.inf, floor: float = -math.inf) -> Estimate:
    """Value and 95 % interval; with finite degrees of freedom by Student's t. No end of it lies below `floor`.

    Source: JCGM 100:2008, G.3.2 (t), G.6.4 (k by effective degrees of freedom).
    """
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0 and dof > 0):
        raise ValueError(f"no estimate can be made of value {value}, uncertainty {u}, {dof} degrees of freedom")
    k = float(scipy.stats.norm.ppf(0.975)) if math.isinf(dof) else float(scipy.stats.t.ppf(0.975, dof))
    return Estimate(value, u, max(value - k * u, floor), max(value + k * u, floor))


def lower_bound(value: float, u: float) -> Estimate:
    """At least `value`, which is itself known to `u`: `low` is what it exceeds with 95 % confidence, one-sided."""
    return Estimate(value, u, value - float(scipy.stats.norm.ppf(0.95)) * u, None)
