"""What follows from readings, as rows: one for each reading, storm, run and alarm event."""

from dataclasses import dataclass

from rainstead import calc
from rainstead.events import AlarmEvent
from rainstead.readings import F64, I64, U8

__all__ = ["Derived", "FlowRows", "LevelRows", "RainRows", "TemperatureRows"]


@dataclass(frozen=True, slots=True)
class LevelRows:
    """One row for each reading of a tank's ranger; NaN where the reading gives no level, and `quality` says why.

    depth_u_m is all of the standard uncertainty, depth_noise_u_m the part that is new in each reading: the rest is
    shared by all readings of the tank and cancels in a difference. The same holds for litres.
    """

    tank: str
    t_ms: I64
    quality: U8
    air_c: F64
    depth_m: F64
    depth_u_m: F64
    depth_noise_u_m: F64
    volume_l: F64
    volume_u_l: F64
    volume_noise_u_l: F64
    freeboard_l: F64
    usable_l: F64


@dataclass(frozen=True, slots=True)
class RainRows:
    """One row for each reading of the gauge. intensity_mm_h is by the time since the tip before; NaN for the first."""

    gauge: str
    t_ms: I64
    tips: I64
    rain_mm: F64
    intensity_mm_h: F64


@dataclass(frozen=True, slots=True)
class FlowRows:
    """One row for each report of the meter: what passed from start_ms to t_ms."""

    meter: str
    start_ms: I64
    t_ms: I64
    pulses: I64
    volume_l: F64
    flow_l_min: F64


@dataclass(frozen=True, slots=True)
class TemperatureRows:
    """A probe's readings with its offset added; NaN where it gave none."""

    sensor: str
    t_ms: I64
    temperature_c: F64


@dataclass(frozen=True, slots=True)
class Derived:
    """All that followed from one batch."""

    levels: tuple[LevelRows, ...] = ()
    rain: tuple[RainRows, ...] = ()
    flow: tuple[FlowRows, ...] = ()
    temperatures: tuple[TemperatureRows, ...] = ()
    storms: tuple[calc.Storm, ...] = ()
    runs: tuple[calc.PumpRun, ...] = ()
    events: tuple[AlarmEvent, ...] = ()
