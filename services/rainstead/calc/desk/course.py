"""Water over time as a running total, with its errors as running totals too: so that any cut into periods adds up.

An error that goes on with one sign (a roof's yield, a meter's K-factor) is a total of its own, in litres for one
standard uncertainty; periods and kinds of water that share it add or cancel with their signs. What is new in each
moment (draws that come when they come) is a running variance.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from rainstead.calc.arrays import F64, I64

from .estimate import Estimate, estimate

__all__ = ["Amount", "Course", "Kind", "amount_of", "steps_course", "straight_course", "sum_of"]


@dataclass(frozen=True, slots=True)
class Course:
    """A running total: straight between marks, level before the first and after the last. t_ms ascends."""

    t_ms: I64
    total: F64

    def between(self, from_ms: int, upto_ms: int) -> float:
        """What was added later than from_ms and up to upto_ms."""
        if not len(self.t_ms):
            return 0.0
        low, high = np.interp([from_ms, upto_ms], self.t_ms, self.total)
        return float(high - low)

    def at(self, t_ms: I64) -> F64:
        """The total at each time."""
        return np.interp(t_ms, self.t_ms, self.total) if len(self.t_ms) else np.zeros(len(t_ms))

    def times(self, factor: float) -> "Course":
        """Each total times a factor."""
        return Course(self.t_ms, factor * self.total)


def steps_course(t_ms: I64, added: F64) -> Course:
    """What came all at once at each time; t_ms ascends and may repeat. A step at a bound belongs before it."""
    if not len(t_ms):
        return Course(t_ms, added)
    at_ms, first = np.unique(t_ms, return_index=True)
    after = np.cumsum(np.add.reduceat(added, first))
    # A millisecond is the log's own grain, so a step is a line of that length.
    marks, place = np.unique(np.concatenate([at_ms, at_ms - 1]), return_index=True)
    return Course(marks, np.concatenate([after, np.concatenate([[0.0], after[:-1]])])[place])


def straight_course(from_ms: int, upto_ms: int, added: float) -> Course:
    """What came evenly between two times; at once where they are one."""
    return Course(np.array([min(from_ms, upto_ms - 1), upto_ms], dtype=np.int64), np.array([0.0, added]))


def sum_of(courses: Iterable[Course]) -> Course:
    """All of them together."""
    some = [course for course in courses if len(course.t_ms)]
    if not some:
        return Course(np.zeros(0, dtype=np.int64), np.zeros(0))
    marks = np.unique(np.concatenate([course.t_ms for course in some]))
    total = np.zeros(len(marks))
    for course in some:
        total = total + course.at(marks)
    return Course(marks, total)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of water of one tank: litres, errors by their source's name, and the variance that is new."""

    litres: Course
    errors: Mapping[str, Course] = field(default_factory=dict)
    variance: Course | None = None


@dataclass(frozen=True, slots=True)
class Amount:
    """Litres with the parts of their uncertainty: by source, signed, and the variance that nothing else shares."""

    litres: float
    errors: Mapping[str, float]
    variance: float

    @property
    def u_l(self) -> float:
        """All parts together. Source: JCGM 100:2008, eq. 13: what one source does is added before it is squared."""
        return math.sqrt(math.fsum(part * part for part in self.errors.values()) + max(self.variance, 0.0))

    @property
    def estimate(self) -> Estimate:
        """With its 95 % interval."""
        return estimate(self.litres, self.u_l)

    def plus(self, other: "Amount", sign: float = 1.0) -> "Amount":
        """Both, or with sign=-1 this less the other; errors of one name are one error."""
        errors = dict(self.errors)
        for name, part in other.errors.items():
            errors[name] = errors.get(name, 0.0) + sign * part
        return Amount(self.litres + sign * other.litres, errors, self.variance + other.variance)


def amount_of(kinds: Iterable[Kind], from_ms: int, upto_ms: int) -> Amount:
    """What came of them in a period."""
    total = Amount(0.0, {}, 0.0)
    for kind in kinds:
        errors = {name: course.between(from_ms, upto_ms) for name, course in kind.errors.items()}
        variance = 0.0 if kind.variance is None else kind.variance.between(from_ms, upto_ms)
        total = total.plus(Amount(kind.litres.between(from_ms, upto_ms), errors, variance))
    return total
