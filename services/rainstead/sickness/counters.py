"""A gauge that tells no rain while tanks gain; a meter whose pulses are hardly water, or that counts without flow."""

from collections.abc import Mapping
from typing import Final

import numpy as np

from rainstead import calc
from rainstead.log import ReadingSource
from rainstead.settings import Settings

from .lasthours import LastHours, last_hours
from .meterdoubt import doubtful_words, doubts_of, idle_meter
from .sick import Sickness
from .silentgauge import silent_gauge

__all__ = ["sick_counters"]

ODD_TOLD_MS: Final = 3_600_000
FEWEST_ODD: Final = 5
"""Rows in doubt before a meter is called sick for them: a rotor may be knocked."""


def sick_counters(
    settings: Settings, reader: ReadingSource, as_of_ms: int, levels: Mapping[str, Sickness]
) -> dict[str, Sickness]:
    """Gauge and meter, held against the tanks; the levels that are sick themselves are no witnesses."""
    if settings.rain is None and (settings.pump is None or settings.pump.meter is None):
        return {}
    hours = last_hours(settings, reader, as_of_ms)
    found: dict[str, Sickness] = {}
    if (gauge := silent_gauge(settings, hours, levels)) is not None:
        told = (
            f"in {gauge.hours:g} h the tanks gained as {gauge.tanks_mm:.1f} mm of rain would make them, and it told "
            f"{gauge.gauge_mm:.1f} mm; is its funnel blocked, or its cable cut?"
        )
        found[gauge.gauge] = Sickness("no_rain", gauge.since_ms, told)
    if settings.pump is not None and settings.pump.meter is not None:
        if (sick := _odd_pulses(settings, hours, as_of_ms)) is not None:
            found[settings.pump.meter] = sick
        elif (idle := idle_meter(settings, hours, levels)) is not None:
            told = (
                f"in {idle.hours:g} h it told {idle.metered_l:.0f} L, and {idle.source}, which it draws from, fell by "
                f"{max(idle.fell_l, 0.0):.0f} L; does it count without flow, or was water let in?"
            )
            found[idle.meter] = Sickness("no_draw", idle.since_ms, told)
    return found


def _odd_pulses(settings: Settings, hours: LastHours, as_of_ms: int) -> Sickness | None:
    """Pulses of the last hour that may be no water."""
    recent = hours.flowed_ms > as_of_ms - ODD_TOLD_MS
    doubts = doubts_of(settings, hours.flow_began_ms, hours.flowed_ms, hours.pulses)
    odd = recent & (doubts != calc.PulseDoubt.NONE)
    words = doubtful_words(doubts[odd])
    if words is None or np.count_nonzero(odd) < FEWEST_ODD:
        return None
    told = f"{hours.flowed_l[odd].sum():.0f} L of the last hour are in doubt ({words})"
    return Sickness("odd_pulses", int(hours.flowed_ms[odd][0]), told)
