"""The parts of a pump run's sheet: a line for each measure, pair, cause and nozzle setting."""

from dataclasses import dataclass

from rainstead.calc import desk

__all__ = [
    "CauseLine",
    "LeftOutLine",
    "MeasureLine",
    "NozzleLine",
    "PairLine",
    "PartLine",
    "RunPoint",
    "RunWork",
]


@dataclass(frozen=True, slots=True)
class MeasureLine:
    """One way of measuring the run's litres. name: meter, source, receiver. by: the meter's or the tank's name.

    weight_ratio: its weight in the best value.
    """

    name: str
    by: str
    volume_l: desk.Estimate
    weight_ratio: float | None
    parts: tuple["PartLine", ...]


@dataclass(frozen=True, slots=True)
class PartLine:
    """One source of a measure's uncertainty."""

    name: str
    u_l: float


@dataclass(frozen=True, slots=True)
class LeftOutLine:
    """A measure that gives no value, and why; at_least_l where it is a bound."""

    name: str
    by: str
    because: str
    at_least_l: desk.Estimate | None


@dataclass(frozen=True, slots=True)
class PairLine:
    """Two measures against each other. en: normalised error; at most 1 either way is agreement."""

    first: str
    second: str
    difference_l: desk.Estimate
    en: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class CauseLine:
    """What could explain a disagreement; see calc.desk.Cause. said: the same in a sentence."""

    what: str
    said: str
    size_l: desk.Estimate
    off_ratio: float | None
    in_u: float | None
    right_k_per_l: desk.Estimate | None


@dataclass(frozen=True, slots=True)
class NozzleLine:
    """All runs at one setting; nozzle is None for runs of which nobody noted one."""

    nozzle: str | None
    runs: int
    last_ms: int
    next_flow_l_min: desk.Answered


@dataclass(frozen=True, slots=True)
class RunWork:
    """Work done on the water at a pressure that was typed."""

    pressure_kpa: float
    power_w: float
    kwh_per_fuel_l: desk.Answered
    rating_ratio: float | None


@dataclass(frozen=True, slots=True)
class RunPoint:
    """Litres since the run began, by each measure; for the picture."""

    t_ms: int
    meter_l: float | None
    source_l: float | None
    receiver_l: float | None
