"""By how much each tank has fallen on the dry days of late: draw, evaporation and seepage together."""

from collections.abc import Callable
from datetime import timedelta
from itertools import pairwise

import numpy as np

from rainstead.calc.desk import Answered, Unknown, daily_fall, level_mean, volume_change
from rainstead.evidence import Evidence, gather
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.settings import Settings

from .days import day_start_ms, local_date

__all__ = ["LOOK_BACK_DAYS", "dry_falls"]

Progress = Callable[[int], None]
LOOK_BACK_DAYS = 45
_MINUTE_MS = 60_000
_AROUND_MS = 20 * _MINUTE_MS
"""A level at midnight is the mean of so long before and after it."""
_DRIP_MS = 6 * 60 * _MINUTE_MS
"""Gutters drip for so long after the last tip."""


def dry_falls(
    settings: Settings, reader: ReadingSource, notes: Notes, as_of_ms: int, *, progress: Progress | None = None
) -> dict[str, Answered]:
    """Litres a day for each measured tank, over whole local days without rain, pump run, delivery or full tank."""
    zone = settings.site.time_zone
    last = local_date(as_of_ms, zone)
    midnights = [day_start_ms(last - timedelta(days=back), zone) for back in reversed(range(LOOK_BACK_DAYS))]
    evidence = gather(settings, reader, notes, from_ms=midnights[0] - _DRIP_MS, upto_ms=as_of_ms, progress=progress)
    if evidence.rain is None:
        because = Unknown("the site has no rain gauge, so that a dry day cannot be told")
        return dict.fromkeys(evidence.tanks, because)
    return {name: _fall(evidence, name, midnights) for name in evidence.tanks}


def _fall(evidence: Evidence, tank: str, midnights: list[int]) -> Answered:
    minutes = evidence.tanks[tank]
    levels = [level_mean(minutes, at - _AROUND_MS, at + _AROUND_MS) for at in midnights]
    falls, us, scales = [], [], []
    for (begin, first), (end, then) in pairwise(zip(midnights, levels, strict=True)):
        change = volume_change(first, then)
        if isinstance(change, Unknown) or isinstance(first, Unknown) or isinstance(then, Unknown):
            continue
        if first.at_brim or then.at_brim or _is_disturbed(evidence, tank, begin, end):
            continue
        falls.append(-change.value)
        us.append(change.u)
        scales.append(first.scale_u_l / max(first.volume_l, 1.0))
    return daily_fall(np.array(falls), np.array(us), float(np.median(scales)) if scales else 0.0)


def _is_disturbed(evidence: Evidence, tank: str, begin_ms: int, end_ms: int) -> bool:
    rain, notes = evidence.rain, evidence.notes
    assert rain is not None
    wet = (rain.t_ms > begin_ms - _DRIP_MS) & (rain.t_ms <= end_ms)
    deaf = (rain.deaf_ms > begin_ms) & (rain.deaf_ms <= end_ms)
    pumped = any(run.start_ms <= end_ms and run.end_ms >= begin_ms for run in evidence.runs)
    brought = [(note.tank, note.from_ms, note.upto_ms) for note in notes.deliveries]
    brought += [(note.tank, note.from_ms, note.upto_ms) for note in notes.known_volumes]
    carted = any(to == tank and first <= end_ms and last >= begin_ms for to, first, last in brought)
    return bool(wet.any() or deaf.any() or pumped or carted)
