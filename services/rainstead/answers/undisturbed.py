"""When something is known to go into a tank or out of it, so that its fall says nothing of what it loses."""

import numpy as np

from rainstead.calc.desk import Network, Spans
from rainstead.evidence import Evidence
from rainstead.notebook import Delivery, KnownVolume
from rainstead.readings import I64
from rainstead.settings import Settings

from .days import day_start_ms, local_date

__all__ = ["DAWN_HOURS", "NIGHT_HOURS", "disturbed", "windows"]

_MINUTE_MS = 60_000
_BEFORE_TIP_MS = 60 * _MINUTE_MS
"""Rain had begun before it tipped."""
_DRAINS_MS = 180 * _MINUTE_MS
"""Gutters and pipes drip for so long after the last tip (common practice)."""
_SETTLES_MS = 15 * _MINUTE_MS
_RIPPLES_MS = 2 * _MINUTE_MS

DAWN_HOURS = (2.0, 5.0)
"""No sun has been on the gap for long, and hardly anybody draws."""
NIGHT_HOURS = (-1.0, 5.0)
"""Of a household's tank: from eleven in the evening."""


def disturbed(settings: Settings, evidence: Evidence, tank: str) -> Spans:
    """Times of rain, pump runs, carted and known water at this tank, or at one that overflows into it."""
    above = _above(evidence.network, tank)
    parts: list[tuple[I64, I64]] = []
    if evidence.rain is not None:
        wet_ms = np.concatenate([evidence.rain.t_ms, evidence.rain.deaf_ms])
        parts.append((wet_ms - _BEFORE_TIP_MS, wet_ms + _DRAINS_MS))
    pumped = {settings.pump.source, settings.pump.to} if settings.pump is not None else set()
    named = {note.to for note in evidence.notes.run_notes}
    if above & (pumped | named):
        parts.append(
            (
                np.array([run.start_ms - _RIPPLES_MS for run in evidence.runs], dtype=np.int64),
                np.array([run.end_ms + _SETTLES_MS for run in evidence.runs], dtype=np.int64),
            )
        )
    told: list[Delivery | KnownVolume] = [*evidence.notes.deliveries, *evidence.notes.known_volumes]
    moved = [one for one in told if one.tank in above]
    parts.append(
        (
            np.array([one.from_ms - _RIPPLES_MS for one in moved], dtype=np.int64),
            np.array([one.upto_ms + _SETTLES_MS for one in moved], dtype=np.int64),
        )
    )
    return Spans(np.concatenate([one for one, _ in parts]), np.concatenate([one for _, one in parts]))


def windows(settings: Settings, evidence: Evidence, hours: tuple[float, float]) -> Spans:
    """One window a day between two hours, counted from local midnight of the first day and then by whole days of 24 h:
    like is compared with like, and the sun knows no summer time."""
    zone = settings.site.time_zone
    first = local_date(evidence.from_ms + 1, zone)
    count = (local_date(evidence.upto_ms, zone) - first).days + 1
    from_ms = day_start_ms(first, zone) + np.arange(count, dtype=np.int64) * 86_400_000
    return Spans(from_ms + round(hours[0] * 3_600_000), from_ms + round(hours[1] * 3_600_000))


def _above(network: Network, tank: str) -> set[str]:
    """The tank itself and all whose overflow ends up in it."""
    return {one.name for one in network.tanks if tank in network.chain(one.name)}
