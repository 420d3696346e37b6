"""How often intervals held the truth, how wide they were, and how far off their values were on average."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise

import numpy as np
from scipy import stats

from rainstead.calc.desk import Answered, Unknown

__all__ = ["Asked", "Row", "as_dicts", "asked", "markdown", "row", "rows"]

LEAST_IN_BAND, MOST_IN_BAND = 0.93, 0.97
_PARTS = ("all", "spilt under 10 %", "spilt 10-25 %", "spilt 25-45 %", "spilt over 45 %")


@dataclass(frozen=True, slots=True)
class Asked:
    """One question put to one site. value is None where the answer was that there is not enough to say."""

    quantity: str
    unit: str
    seed: int
    truth: float
    value: float | None
    u: float | None
    low: float | None
    high: float | None
    because: str | None
    spilt_ratio: float

    @property
    def is_two_sided(self) -> bool:
        """Whether there is an interval; a bound has but one end."""
        return self.value is not None and self.high is not None

    @property
    def holds(self) -> bool:
        """Whether the interval, or the bound, holds the truth."""
        return self.low is not None and self.low <= self.truth and (self.high is None or self.truth <= self.high)


def asked(quantity: str, unit: str, seed: int, truth: float, answer: Answered, spilt_ratio: float) -> Asked:
    """An answer beside the truth."""
    if isinstance(answer, Unknown):
        return Asked(quantity, unit, seed, truth, None, None, None, None, answer.because, spilt_ratio)
    numbers = (answer.value, answer.u, answer.low)
    if not all(math.isfinite(number) for number in numbers) or (answer.high is not None and math.isnan(answer.high)):
        raise AssertionError(f"{quantity} of site {seed}: {answer} has no basis")
    return Asked(quantity, unit, seed, truth, *numbers, answer.high, None, spilt_ratio)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table.

    coverage_low to coverage_high: 95 % interval of the coverage itself (Clopper and Pearson). half_width: its median
    over the truth. bias: mean of (value - truth) / truth, with its standard error. Where the truth can be nought both
    are in the unit instead, and is_absolute says so. z_mean, z_spread: of (value - truth) / u; a spread of 1 is honest.
    """

    quantity: str
    unit: str
    part: str
    asked: int
    unanswered: int
    bounds: int
    bounds_held: float | None
    answered: int
    coverage: float | None
    coverage_low: float | None
    coverage_high: float | None
    missed_low: int
    missed_high: int
    is_absolute: bool
    half_width: float | None
    bias: float | None
    bias_u: float | None
    z_mean: float | None
    z_spread: float | None

    @property
    def is_in_band(self) -> bool:
        """Whether the coverage that was found lies within what is asked for."""
        return self.coverage is not None and LEAST_IN_BAND <= self.coverage <= MOST_IN_BAND


def row(part: str, some: Sequence[Asked], *, absolute: bool = False) -> Row:
    """One line from answers to the same question."""
    told = [one for one in some if one.is_two_sided]
    bounds = [one for one in some if one.value is not None and one.high is None]
    first = some[0]
    base = {
        "quantity": first.quantity,
        "unit": first.unit,
        "part": part,
        "asked": len(some),
        "unanswered": len(some) - len(told) - len(bounds),
        "bounds": len(bounds),
        "bounds_held": sum(one.holds for one in bounds) / len(bounds) if bounds else None,
        "answered": len(told),
        "is_absolute": absolute,
    }
    if not told:
        nothing = dict.fromkeys(
            ("coverage", "coverage_low", "coverage_high", "half_width", "bias", "bias_u", "z_mean", "z_spread")
        )
        return Row(**base, **nothing, missed_low=0, missed_high=0)  # type: ignore[arg-type]
    n, held = len(told), sum(one.holds for one in told)
    truth = np.array([one.truth for one in told])
    value = np.array([one.value for one in told], dtype=np.float64)
    u = np.array([one.u for one in told], dtype=np.float64)
    low = np.array([one.low for one in told], dtype=np.float64)
    high = np.array([one.high for one in told], dtype=np.float64)
    scale = np.ones(n) if absolute else truth
    off = (value - truth) / scale
    z = (value - truth) / np.maximum(u, 1e-12)
    return Row(
        **base,  # type: ignore[arg-type]
        coverage=held / n,
        coverage_low=float(stats.beta.ppf(0.025, held, n - held + 1)) if held else 0.0,
        coverage_high=float(stats.beta.ppf(0.975, held + 1, n - held)) if held < n else 1.0,
        missed_low=int(np.sum(truth < low)),
        missed_high=int(np.sum(truth > high)),
        half_width=float(np.median((high - low) / 2 / scale)),
        bias=float(np.mean(off)),
        bias_u=float(np.std(off, ddof=1) / math.sqrt(n)) if n > 1 else math.inf,
        z_mean=float(np.mean(z)),
        z_spread=float(np.std(z)),
    )


def rows(everything: Sequence[Asked], absolute: frozenset[str]) -> list[Row]:
    """A line for each quantity, and one for each part of the sites by how many of their storms spilt."""
    quantities = list(dict.fromkeys(one.quantity for one in everything))
    table = []
    for quantity in quantities:
        of_it = [one for one in everything if one.quantity == quantity]
        for part, some in zip(_PARTS, (of_it, *_by_spill(of_it)), strict=True):
            if some:
                table.append(row(part, some, absolute=quantity in absolute))
    return table


def _by_spill(some: Sequence[Asked]) -> tuple[list[Asked], ...]:
    edges = (-0.01, 0.10, 0.25, 0.45, 1.0)
    return tuple([one for one in some if low < one.spilt_ratio <= high] for low, high in pairwise(edges))


def markdown(table: Sequence[Row]) -> str:
    """The lines as a table to read."""
    lines = [
        "| quantity | sites | asked | not enough | bounds (held) | given | hold the truth | half width | bias | z |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for line in table:
        bounds = f"{line.bounds} ({line.bounds_held:.1%})" if line.bounds_held is not None else "0"
        if line.coverage is None:
            lines.append(f"| {line.quantity} | {line.part} | {line.asked} | {line.unanswered} | {bounds} | 0 | | | | |")
            continue
        assert line.half_width is not None and line.bias is not None and line.bias_u is not None
        if line.is_absolute:
            wide, bias = f"{line.half_width:.3g} {line.unit}", f"{line.bias:+.2g} ± {line.bias_u:.1g} {line.unit}"
        else:
            wide, bias = f"{line.half_width:.1%}", f"{line.bias:+.2%} ± {line.bias_u:.2%}"
        lines.append(
            f"| {line.quantity} | {line.part} | {line.asked} | {line.unanswered} | {bounds} | {line.answered} "
            f"| {line.coverage:.1%} ({line.coverage_low:.1%}–{line.coverage_high:.1%}) | {wide} | {bias} "
            f"| {line.z_mean:+.2f} ± {line.z_spread:.2f} |"
        )
    return "\n".join(lines) + "\n"


def as_dicts(table: Sequence[Row]) -> list[dict[str, object]]:
    """For a file."""
    return [asdict(line) for line in table]
