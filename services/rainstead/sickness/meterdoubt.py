"""A meter's litres that may be no water: by its pulses alone, and held against the tank that the pump draws from."""

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead import calc
from rainstead.calc import PulseDoubt
from rainstead.readings import F64, I64, U8
from rainstead.settings import FlowPulse, Settings, since_ms

from .lasthours import ROOF_LAG_MS, STEP_MS, WINDOWS, LastHours

__all__ = ["DOUBT_WORDS", "IdleMeter", "doubtful_words", "doubts_of", "idle_meter"]

DOUBT_WORDS: Final = {
    PulseDoubt.ROCKING: "too few pulses together for a flow: a rotor that rocks, or air",
    PulseDoubt.TOO_FAST: "more pulses than the meter can give: noise on its cable",
    PulseDoubt.HUM: "pulses as even as mains: hum on its cable",
}
DRAWN_RATIO: Final = 0.25
SURE_U: Final = 4.0


def doubts_of(settings: Settings, start_ms: I64, t_ms: I64, pulses: I64) -> U8:
    """A PulseDoubt for each row of the pump's meter, by the range of the calibration in force. The meter must be there.

    Where a calibration does not say the meter's range, only hum is seen.
    """
    assert settings.pump is not None and settings.pump.meter is not None
    meter = settings.sensors[settings.pump.meter]
    assert isinstance(meter, FlowPulse)
    zone = settings.site.time_zone
    dated = sorted(((since_ms(c.since, zone), c) for c in meter.calibrations), key=lambda pair: pair[0])
    period = calc.in_force(tuple(since for since, _ in dated), t_ms)
    k_per_l = np.array([one.k_factor_per_l for _, one in dated])[period]
    least = np.array([_or_nan(one.flow_min_l_min) for _, one in dated])[period]
    most = np.array([_or_nan(one.flow_max_l_min) for _, one in dated])[period]
    gap_ms = round(settings.pump.run_gap_s * 1000)
    return calc.pulse_doubts(start_ms, t_ms, pulses, k_per_l, least, most, gap_ms)


def doubtful_words(doubts: U8) -> str | None:
    """The most frequent doubt in words; None where there is none."""
    told = Counter(doubts[doubts != PulseDoubt.NONE].tolist())
    return DOUBT_WORDS[PulseDoubt(told.most_common(1)[0][0])] if told else None


@dataclass(frozen=True, slots=True)
class IdleMeter:
    """What the meter told, and by how much the tank fell that the pump draws from."""

    meter: str
    since_ms: int
    hours: float
    metered_l: float
    source: str
    fell_l: float


def idle_meter(settings: Settings, hours: LastHours, sick: Collection[str] = ()) -> IdleMeter | None:
    """Whether the meter told water that the tank it draws from did not lose. sick: level sensors.

    Not asked while it rains: the tank may gain as much as it gives.
    """
    pump = settings.pump
    if pump is None or pump.meter is None or pump.source not in hours.tanks:
        return None
    if settings.tanks[pump.source].sensor in sick:
        return None
    tank: F64 = hours.tanks[pump.source].volume_l
    for steps in WINDOWS:
        from_ms = int(hours.edges_ms[-1]) - steps * STEP_MS
        metered_l = hours.flow_since_l(from_ms)
        before_l, now_l, depth_m = tank[-steps - 1], tank[-1], hours.tanks[pump.source].depth_m[-1]
        if np.isnan(before_l) or np.isnan(now_l) or depth_m <= 0 or hours.rain_since_mm(from_ms - ROOF_LAG_MS) > 0:
            continue
        # Litres that the level's own uncertainty is worth, by the tank's mean area.
        u_l = now_l / depth_m * hours.tanks[pump.source].depth_u_m
        fell_l = float(before_l - now_l)
        if metered_l > SURE_U * u_l and fell_l < DRAWN_RATIO * metered_l:
            return IdleMeter(pump.meter, from_ms, steps * STEP_MS / 3.6e6, metered_l, pump.source, fell_l)
    return None


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value
