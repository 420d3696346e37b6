"""What people know and no sensor says. Times are UTC milliseconds; every `_u_` is a standard uncertainty."""

from dataclasses import dataclass

__all__ = ["Delivery", "Dip", "Entry", "Forecast", "FuelFill", "KnownVolume", "Notes", "RunNote"]


@dataclass(frozen=True, slots=True)
class Dip:
    """A depth measured by hand, above the tank's floor datum."""

    t_ms: int
    tank: str
    depth_m: float
    depth_u_m: float


@dataclass(frozen=True, slots=True)
class Delivery:
    """Carted water let into a tank between two times."""

    from_ms: int
    upto_ms: int
    tank: str
    volume_l: float
    volume_u_l: float


@dataclass(frozen=True, slots=True)
class KnownVolume:
    """A volume known from outside that went into a tank (negative: out of it) between two times: for calibration."""

    from_ms: int
    upto_ms: int
    tank: str
    volume_l: float
    volume_u_l: float


@dataclass(frozen=True, slots=True)
class FuelFill:
    """Petrol that filled the pump's tank up again to the same mark."""

    t_ms: int
    fuel_l: float
    fuel_u_l: float


@dataclass(frozen=True, slots=True)
class RunNote:
    """What the owner says of the pump run at that time: the nozzle's setting, and where the water went.

    to: a tank's name, `ground`, or None where the settings' own is right.
    """

    t_ms: int
    nozzle: str | None
    to: str | None


@dataclass(frozen=True, slots=True)
class Forecast:
    """Rain expected between two times, as low, likely and high (10, 50 and 90 % quantiles)."""

    t_ms: int
    from_ms: int
    upto_ms: int
    low_mm: float
    likely_mm: float
    high_mm: float


Entry = Dip | Delivery | KnownVolume | FuelFill | RunNote | Forecast


@dataclass(frozen=True, slots=True)
class Notes:
    """All entries of each kind that hold at some time, in order of time."""

    dips: tuple[Dip, ...] = ()
    deliveries: tuple[Delivery, ...] = ()
    known_volumes: tuple[KnownVolume, ...] = ()
    fuel_fills: tuple[FuelFill, ...] = ()
    run_notes: tuple[RunNote, ...] = ()
    forecasts: tuple[Forecast, ...] = ()
