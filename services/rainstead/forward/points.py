"""What a server gets: measurements, their tags and fields. Dashboards and tasks are made from this description.

Fields are floats, always: a server refuses an integer in a field that had a float. The two that are words, `unit` and
`reason` of an alarm, are words always. Stamps are milliseconds. A point written again is the same point: measurement,
tags and stamp name it.
"""

from dataclasses import dataclass

__all__ = ["MEASUREMENTS", "SCHEMA_VERSION", "Field", "Measurement", "measurement"]

SCHEMA_VERSION = 1
"""Raised when a measurement, tag or field changes its name or its meaning."""


@dataclass(frozen=True, slots=True)
class Field:
    """One number of a point, or words. unit: empty for a count, a code or a ratio."""

    name: str
    unit: str
    meaning: str
    is_text: bool = False


@dataclass(frozen=True, slots=True)
class Measurement:
    """Points of one kind. tags: beside `site`, which every point has. derived: worked out, with a calibration."""

    name: str
    tags: tuple[str, ...]
    fields: tuple[Field, ...]
    meaning: str
    derived: bool


_QUALITY = Field("quality", "", "0 for a good reading, else why there is none; the numbers are those of the log")
_SINCE = Field("calibration_since_s", "s", "from when on the calibration is in force, seconds since 1970; 0: always")

MEASUREMENTS = (
    Measurement(
        "level",
        ("sensor",),
        (
            Field("range_mm", "mm", "from the ranger's face to the water, as it said"),
            Field("spread_mm", "mm", "scatter of the burst of echoes"),
            _QUALITY,
        ),
        "what a level ranger said",
        derived=False,
    ),
    Measurement(
        "tip",
        ("sensor",),
        (Field("tips", "", "tips since the point before"), _QUALITY),
        "what a rain gauge said",
        derived=False,
    ),
    Measurement(
        "pulse",
        ("sensor",),
        (Field("pulses", "", "pulses since the point before"), _QUALITY),
        "what a flow meter said",
        derived=False,
    ),
    Measurement(
        "temperature",
        ("sensor",),
        (Field("temperature_c", "degC", "as the probe said, without its offset"), _QUALITY),
        "what a temperature probe said",
        derived=False,
    ),
    Measurement(
        "tank",
        ("tank",),
        (
            Field("depth_m", "m", "above the floor datum"),
            Field("depth_u_m", "m", "standard uncertainty"),
            Field("volume_l", "L", "in the tank"),
            Field("volume_u_l", "L", "standard uncertainty"),
            Field("freeboard_l", "L", "to go before the brim"),
            Field("usable_l", "L", "above the outlet"),
            _SINCE,
        ),
        "water in a tank, for each good level",
        derived=True,
    ),
    Measurement(
        "rain",
        ("gauge",),
        (
            Field("rain_mm", "mm", "since the point before"),
            Field("intensity_mm_h", "mm/h", "over the time since the tip before"),
            _SINCE,
        ),
        "rain, for each report of the gauge",
        derived=True,
    ),
    Measurement(
        "flow",
        ("meter",),
        (
            Field("volume_l", "L", "through the meter since the point before"),
            Field("flow_l_min", "L/min", "mean over that time"),
            _SINCE,
        ),
        "flow, for each report of the meter",
        derived=True,
    ),
    Measurement(
        "storm",
        ("gauge",),
        (
            Field("rain_mm", "mm", "of the whole storm"),
            Field("rain_u_mm", "mm", "standard uncertainty"),
            Field("duration_s", "s", "first tip to last"),
            Field("tips", "", "tips"),
        ),
        "a storm that is over, stamped at its first tip",
        derived=True,
    ),
    Measurement(
        "pump_run",
        ("meter",),
        (
            Field("volume_l", "L", "of the whole run"),
            Field("volume_u_l", "L", "standard uncertainty"),
            Field("flow_l_min", "L/min", "mean"),
            Field("duration_s", "s", "length"),
        ),
        "a pump run that is over, stamped at its start",
        derived=True,
    ),
    Measurement(
        "alarm",
        ("alarm", "subject", "state"),
        (
            Field("value", "", "what it was judged by"),
            Field("limit", "", "against what"),
            Field("unit", "", "of both", is_text=True),
            Field("reason", "", "why, in words", is_text=True),
        ),
        "an alarm changed its state",
        derived=True,
    ),
    Measurement(
        "site",
        (),
        (
            Field("fire_reserve_l", "L", "litres that must stay, by the settings"),
            Field("usable_l", "L", "usable litres of the reserve's tanks"),
            Field("capacity_l", "L", "of all tanks together, at their brims"),
            Field("schema", "", "version of this description"),
        ),
        "the site as a whole, once for each batch of live readings",
        derived=True,
    ),
)


def measurement(name: str) -> Measurement:
    """By name."""
    return next(one for one in MEASUREMENTS if one.name == name)
