"""Where the ways of measuring a pump run disagree: what could explain it, the likeliest first.

Each cause says how large it would have to be to explain the gap by itself. A calibration's is also told in its own
standard uncertainties (`in_u`): one that needs four of them is hardly it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .agreement import Measure, Pair, best_of, pairs
from .estimate import Estimate, estimate

__all__ = ["METER", "RECEIVER", "SOURCE", "Cause", "Findings", "RunFacts", "explain"]

METER, SOURCE, RECEIVER = "meter", "source", "receiver"
"""Names of the three measures."""

_PHYSICAL_IN_U = 3.0
"""A leak or another draw is thought as likely as a calibration that is off by three standard uncertainties; common
practice: what was calibrated is doubted last."""


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What else is known of the run. still_l_h: litres an hour that a tank lost while the pump stood, if known."""

    hours: float
    pulses: int | None
    k_per_l: float | None
    source_at_suction: bool
    receiver_at_brim: bool
    rained: bool
    source_still_l_h: Estimate | None
    receiver_still_l_h: Estimate | None


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation.

    what: k_factor, meter_dead, air_in_meter, source_calibration, receiver_calibration, source_loses, source_gains,
    receiver_loses, receiver_gains, water_elsewhere, spilt. size_l: litres that it must account for. ratio: by how much
    the calibration would have to be off (0.05 is 5 % too large a reading); None for what is no calibration.
    right_k_per_l: the K-factor that would make the meter agree.
    """

    what: str
    size_l: Estimate
    ratio: float | None
    in_u: float | None
    right_k_per_l: Estimate | None


@dataclass(frozen=True, slots=True)
class Findings:
    """verdict: agree; odd_one_out (`odd` names it); two_disagree; none_agree; one_alone (nothing to compare)."""

    verdict: str
    odd: str | None
    pairs: tuple[Pair, ...]
    causes: tuple[Cause, ...]


def explain(measures: Sequence[Measure], facts: RunFacts) -> Findings:
    """Hold the measures of one run against each other; causes come in order of likelihood, none where they agree."""
    found = pairs(measures)
    bad = [pair for pair in found if not pair.agrees]
    if not found:
        return Findings("one_alone", None, found, ())
    if not bad:
        return Findings("agree", None, found, ())
    named = {measure.name: measure for measure in measures}
    odd = _odd_one(found, named)
    suspects = (odd,) if odd is not None else tuple(dict.fromkeys(n for pair in bad for n in (pair.first, pair.second)))
    causes: list[tuple[float, Cause]] = []
    for name in suspects:
        others = [m for m in measures if m.name != name]
        causes += _causes(named[name], others, facts)
    causes.sort(key=lambda ranked: ranked[0])
    verdict = "odd_one_out" if odd is not None else "two_disagree" if len(bad) == 1 else "none_agree"
    return Findings(verdict, odd, found, tuple(cause for _, cause in causes))


def _odd_one(found: tuple[Pair, ...], named: dict[str, Measure]) -> str | None:
    """Of three, the one that agrees with neither of two which agree with one another."""
    for name in named:
        own = [pair for pair in found if name in (pair.first, pair.second)]
        rest = [pair for pair in found if name not in (pair.first, pair.second)]
        if len(rest) == 1 and rest[0].agrees and not any(pair.agrees for pair in own):
            return name
    return None


def _causes(suspect: Measure, others: Sequence[Measure], facts: RunFacts) -> list[tuple[float, Cause]]:
    """What could be wrong with one measure, held against the best of the others; each with its rank."""
    best = best_of(others).estimate
    gap = estimate(suspect.value - best.value, math.hypot(suspect.u, best.u))
    if suspect.name == METER:
        return _meter_causes(suspect, best, gap, facts)
    calibration = _calibration(suspect, best, gap)
    ranked = [] if calibration is None else [calibration]
    if suspect.name == SOURCE:
        loses = gap.value > 0
        still = facts.source_still_l_h
        ranked.append(_by_water("source_loses" if loses else "source_gains", gap, facts, still, loses=loses))
        return ranked
    if gap.value > 0:
        ranked.append(_by_water("receiver_gains", gap, facts, facts.receiver_still_l_h, loses=False))
        return ranked
    if facts.receiver_at_brim:
        ranked.append((0.0, Cause("spilt", gap, None, None, None)))
    ranked.append((_PHYSICAL_IN_U, Cause("water_elsewhere", gap, None, None, None)))
    still = facts.receiver_still_l_h
    if still is not None and still.low > 0:
        ranked.append(_by_water("receiver_loses", gap, facts, still, loses=True))
    return ranked


def _meter_causes(meter: Measure, best: Estimate, gap: Estimate, facts: RunFacts) -> list[tuple[float, Cause]]:
    if facts.pulses is not None and (facts.pulses == 0 or meter.value < 0.1 * best.value):
        return [(0.0, Cause("meter_dead", gap, None, None, None))]
    ranked = []
    if gap.value > 0 and facts.source_at_suction:
        ranked.append((0.0, Cause("air_in_meter", gap, None, None, None)))
    # The meter's own part alone: the rest of the gap's uncertainty is the others'.
    k_u_ratio = next((abs(part.u) for part in meter.parts if part.name == "K-factor"), 0.0) / max(meter.value, 1e-9)
    if best.value > 0 and facts.k_per_l is not None:
        ratio = meter.value / best.value
        right = facts.k_per_l * ratio
        in_u = abs(ratio - 1) / k_u_ratio if k_u_ratio > 0 else math.inf
        right_k = estimate(right, right * best.u / best.value)
        ranked.append((in_u, Cause("k_factor", gap, ratio - 1, in_u if math.isfinite(in_u) else None, right_k)))
    return ranked


def _calibration(tank: Measure, best: Estimate, gap: Estimate) -> tuple[float, Cause] | None:
    own = next((abs(part.u) for part in tank.parts if part.name.endswith(" calibration")), 0.0)
    if best.value <= 0:
        return None
    in_u = abs(gap.value) / own if own > 0 else math.inf
    what = f"{tank.name}_calibration"
    ratio = tank.value / best.value - 1
    return in_u, Cause(what, gap, ratio, in_u if math.isfinite(in_u) else None, None)


def _by_water(
    what: str, gap: Estimate, facts: RunFacts, still_l_h: Estimate | None, *, loses: bool
) -> tuple[float, Cause]:
    """Water that came or went by itself. Likeliest of all where the tank did the same while the pump stood."""
    rank = _PHYSICAL_IN_U
    if still_l_h is not None:
        goes = still_l_h.low > 0 if loses else still_l_h.high is not None and still_l_h.high < 0
        enough = abs(still_l_h.value) * facts.hours > 0.5 * abs(gap.value)
        if goes and enough:
            rank = 0.0
    if not loses and facts.rained:
        rank = min(rank, 1.0)
    return rank, Cause(what, gap, None, None, None)
