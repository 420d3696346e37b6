"""What desk questions are answered from: the log worked out by the shared calculation, with the notes."""

from dataclasses import dataclass

from rainstead import calc
from rainstead.calc.desk import Network, TankMinutes
from rainstead.notebook import Notes
from rainstead.readings import F64, I64

__all__ = ["Evidence", "FlowEvidence", "RainEvidence", "TemperatureMinutes"]


@dataclass(frozen=True, slots=True)
class RainEvidence:
    """Every row with tips: its stamp, tips, and rain in mm; and stamps at which it was not heard
    (see Unheard).

    u_ratio: the gauge's relative standard uncertainty, one unknown error for all of it.
    """

    gauge: str
    t_ms: I64
    tips: I64
    rain_mm: F64
    depth_per_tip_mm: float
    u_ratio: float
    dead_time_s: float
    deaf_ms: I64


@dataclass(frozen=True, slots=True)
class FlowEvidence:
    """Every report of the meter, with and without pulses: what passed from start_ms to t_ms.

    u_ratio: the K-factor's relative standard uncertainty, one unknown error for all of it.
    """

    meter: str
    start_ms: I64
    t_ms: I64
    pulses: I64
    volume_l: F64
    flow_l_min: F64
    k_per_l: float
    u_ratio: float


@dataclass(frozen=True, slots=True)
class TemperatureMinutes:
    """A probe's readings, NaN taken out."""

    sensor: str
    t_ms: I64
    temperature_c: F64


@dataclass(frozen=True, slots=True)
class Evidence:
    """All of it with from_ms < t_ms <= upto_ms. rain, flow are None where the site has no gauge or meter.

    storms and runs: those that ended in the time, then the one that may go on (complete=False). A storm or run that
    began before from_ms is whole. tanks: the measured ones by name.
    """

    from_ms: int
    upto_ms: int
    network: Network
    tanks: dict[str, TankMinutes]
    rain: RainEvidence | None
    storms: tuple[calc.Storm, ...]
    flow: FlowEvidence | None
    runs: tuple[calc.PumpRun, ...]
    temperatures: dict[str, TemperatureMinutes]
    notes: Notes
