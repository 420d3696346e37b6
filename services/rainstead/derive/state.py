"""What the calculation carries from batch to batch."""

from dataclasses import dataclass

from rainstead import alarms, calc

__all__ = ["GaugeState", "MeterState", "State", "TankNow", "TankState"]


@dataclass(frozen=True, slots=True)
class TankNow:
    """A tank's newest good level, and what its ranger said last. None where there has been nothing yet."""

    t_ms: int | None = None
    depth_m: float | None = None
    depth_u_m: float | None = None
    volume_l: float | None = None
    volume_u_l: float | None = None
    freeboard_l: float | None = None
    usable_l: float | None = None
    last_ms: int | None = None
    last_quality: int | None = None


@dataclass(frozen=True, slots=True)
class TankState:
    """What is carried for one measured tank."""

    air: calc.HoldState
    blind: calc.BlindState
    median: calc.MedianState
    overflow: alarms.LimitState
    now: TankNow


@dataclass(frozen=True, slots=True)
class GaugeState:
    """What is carried for the gauge."""

    tip: calc.TipState
    storm: calc.StormState
    last_ms: int | None = None
    last_quality: int | None = None
    last_tip_ms: int | None = None
    intensity_mm_h: float | None = None


@dataclass(frozen=True, slots=True)
class MeterState:
    """What is carried for the flow meter."""

    flow: calc.FlowState
    run: calc.RunState
    last_ms: int | None = None
    flow_l_min: float | None = None


@dataclass(frozen=True, slots=True)
class State:
    """Everything that is carried from batch to batch. upto_ms: stamp of the newest reading taken in."""

    upto_ms: int | None
    tanks: tuple[TankState, ...]
    gauge: GaugeState | None
    meter: MeterState | None
    latest: calc.LatestState
    reserve: alarms.LimitState
    reserve_usable_l: float | None
    temperatures: tuple[tuple[str, int, float], ...]
    """Newest good value of each probe: name, stamp, degrees."""
