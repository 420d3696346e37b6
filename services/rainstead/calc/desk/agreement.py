"""One quantity measured in several ways: the weighted best value, and whether the ways agree.

A measure's error is a sum of independent parts, each with a name. Parts of the same name in two measures are one error:
the sign says which way it moves each of them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .estimate import Estimate, estimate

__all__ = ["Best", "Measure", "Pair", "Part", "best_of", "pairs"]


@dataclass(frozen=True, slots=True)
class Part:
    """One source of error. u: what one standard uncertainty of it adds to the measured value, with its sign."""

    name: str
    u: float


@dataclass(frozen=True, slots=True)
class Measure:
    """One way's value of the quantity."""

    name: str
    value: float
    parts: tuple[Part, ...]

    @property
    def u(self) -> float:
        """All parts together."""
        return math.sqrt(math.fsum(part.u**2 for part in self.parts))

    @property
    def estimate(self) -> Estimate:
        """With its 95 % interval."""
        return estimate(self.value, self.u)


@dataclass(frozen=True, slots=True)
class Best:
    """The value of least uncertainty, and each measure's weight in it; weights add up to 1."""

    estimate: Estimate
    weights: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two measures held against each other. difference: first less second. en: normalised error."""

    first: str
    second: str
    difference: Estimate
    en: float

    @property
    def agrees(self) -> bool:
        """|En| of at most 1 is agreement."""
        return abs(self.en) <= 1


def covariance(measures: Sequence[Measure]) -> F64:
    """Of the measures' errors, by the parts that they share."""
    names = sorted({part.name for measure in measures for part in measure.parts})
    by_part = np.zeros((len(measures), len(names)))
    for row, measure in enumerate(measures):
        for part in measure.parts:
            by_part[row, names.index(part.name)] += part.u
    shared: F64 = by_part @ by_part.T
    return shared


def best_of(measures: Sequence[Measure]) -> Best:
    """The best linear unbiased combination of at least one measure.

    Weights are those of least variance, (1' C^-1) / (1' C^-1 1); without shared parts, inverse variances.
    A measure of no uncertainty at all takes all the weight.
    Source: generalised least squares (Aitken 1935); JCGM 100:2008, 5.2 for C.
    """
    c = covariance(measures)
    scale = float(np.max(np.diag(c)))
    ones = np.ones(len(measures))
    # The smallest ridge keeps two ways with one and the same error, or with none, from being a division by nought.
    solved = np.linalg.solve(c + np.eye(len(measures)) * (1e-12 * scale or 1.0), ones)
    weights = solved / solved.sum()
    value = float(weights @ np.array([measure.value for measure in measures]))
    u = math.sqrt(max(float(weights @ c @ weights), 0.0))
    return Best(
        estimate(value, u), tuple((measure.name, float(w)) for measure, w in zip(measures, weights, strict=True))
    )


def pairs(measures: Sequence[Measure]) -> tuple[Pair, ...]:
    """Each two measures by En = (x - y) / U(x - y), expanded with k = 2; shared parts cancel in the difference.

    Source: ISO 13528:2015, 9.7 and ISO/IEC 17043, annex B (from memory), with the covariance of JCGM 100:2008, eq. 16.
    """
    found = []
    for first, second in ((a, b) for k, a in enumerate(measures) for b in measures[k + 1 :]):
        c = covariance((first, second))
        u = math.sqrt(max(float(c[0, 0] + c[1, 1] - 2 * c[0, 1]), 0.0))
        gap = first.value - second.value
        en = gap / (2 * u) if u > 0 else math.copysign(math.inf, gap) if gap else 0.0
        found.append(Pair(first.name, second.name, estimate(gap, u), en))
    return tuple(found)
