"""What is exported: tables, their columns with units, and chunks of rows on their way into a file."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np
import numpy.typing as npt

__all__ = [
    "BOOK",
    "BOOK_AMOUNTS",
    "MINUTES",
    "NO_TIME",
    "READINGS",
    "RUNS",
    "STORMS",
    "TABLES",
    "THINNED",
    "Chunk",
    "Column",
    "Table",
    "Type",
]

Chunk = Mapping[str, npt.NDArray[Any]]
"""Rows as columns of one length, by name. Missing: NaN in numbers, None in text, NO_TIME in times."""

NO_TIME: Final = int(np.iinfo(np.int64).min)
"""Stands for a time where there is none."""

_MONTH: Final = "month of `utc`"


class Type(StrEnum):
    """What a column holds, and as what its array comes."""

    TIME = "time"
    """int64, UTC milliseconds; NO_TIME where there is none."""
    DATE = "date"
    """datetime64[D]."""
    TEXT = "text"
    """Objects: str or None."""
    NUMBER = "number"
    """float64."""
    COUNT = "count"
    """int64, or float64 with NaN where there is none."""
    YES_NO = "yes_no"
    """bool."""


@dataclass(frozen=True, slots=True)
class Column:
    """unit: empty where there is none."""

    name: str
    type: Type
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Table:
    """month: what the month in the folder's name is."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    month: str = _MONTH


def _time(name: str, meaning: str) -> Column:
    return Column(name, Type.TIME, "UTC", meaning)


def _text(name: str, meaning: str) -> Column:
    return Column(name, Type.TEXT, "", meaning)


def _number(name: str, unit: str, meaning: str) -> Column:
    return Column(name, Type.NUMBER, unit, meaning)


def _count(name: str, meaning: str) -> Column:
    return Column(name, Type.COUNT, "", meaning)


def _yes_no(name: str, meaning: str) -> Column:
    return Column(name, Type.YES_NO, "", meaning)


_SINCE = _time("calibration_from_utc", "from when on the calibration in force then holds; empty: it always did")
_QUALITY = "0 for a good reading, else why there is none; the numbers are those of the log"

READINGS = Table(
    "readings",
    "what each sensor said, raw, before anything was worked out from it",
    (
        _time("utc", "when"),
        _text("sensor", "its name in the settings"),
        _text("kind", "level, tip, pulse or temperature"),
        _number("value", "by `unit`", "raw; empty where there is none; tips and pulses are since the row before"),
        _text("unit", "of value and spread: mm from the sensor's face to the water, tips, pulses, degC"),
        _count("quality", _QUALITY),
        _number("spread", "by `unit`", "robust standard deviation of the burst"),
        _count("echoes", "echoes behind the value"),
        _yes_no("clock_trusted", "whether the stamp is by a clock that was known to be right"),
    ),
)

THINNED = Table(
    "thinned",
    "minutes of raw readings whose full resolution the log has let go (log.keep_days, log.keep_mb)",
    (
        _time("utc", "when the minute begins"),
        _text("sensor", "its name in the settings"),
        _text("unit", "of lowest, highest and mean"),
        _count("readings", "usable readings in the minute"),
        _number("lowest", "by `unit`", "smallest raw value"),
        _number("highest", "by `unit`", "largest raw value"),
        _number("mean", "by `unit`", "to a hundredth"),
        _count("unusable", "readings without a value or of another quality than 0"),
    ),
)

MINUTES = Table(
    "minutes",
    "water in each measured tank by the minute, by the calibration in force: the median of the minute's readings",
    (
        _time("utc", "when the minute begins; it takes in what is later than that, up to its end"),
        _text("tank", "its name in the settings"),
        _count("readings", "readings behind the row; 0: the water was too near the sensor, and stood at the brim"),
        _number("depth_m", "m", "above the floor datum"),
        _number("depth_noise_u_m", "m", "standard uncertainty that is new in each minute; scatter as of this month"),
        _number("depth_zero_u_m", "m", "standard uncertainty of the sensor's height and zero, shared by all rows"),
        _number("depth_sound_u_m", "m", "standard uncertainty by the air's temperature, shared for hours"),
        _number("depth_u_m", "m", "all of that together"),
        _number("volume_l", "L", "in the tank"),
        _number("noise_u_l", "L", "as depth_noise_u_m, in litres"),
        _number("zero_u_l", "L", "as depth_zero_u_m, in litres"),
        _number("sound_u_l", "L", "as depth_sound_u_m, in litres"),
        _number("scale_u_l", "L", "standard uncertainty of the calibration's litres, shared by all rows"),
        _number("volume_u_l", "L", "all of that together"),
        _yes_no("at_brim", "the water stood at the brim, so that more may have spilt"),
        _SINCE,
    ),
)

STORMS = Table(
    "storms",
    "rain with no dry gap longer than rain.storm_gap",
    (
        _time("utc", "its first tip"),
        _time("end_utc", "its last tip"),
        _text("gauge", "its name in the settings"),
        _number("duration_s", "s", "first tip to last"),
        _count("tips", "tips"),
        _number("rain_mm", "mm", "of the whole storm"),
        _number("rain_u_mm", "mm", "standard uncertainty"),
        _yes_no("complete", "whether it was over; if not, it is as it stood"),
        _SINCE,
    ),
)

RUNS = Table(
    "runs",
    "pump runs: flow without a pause longer than pump.run_gap",
    (
        _time("utc", "its start"),
        _time("end_utc", "its end"),
        _text("meter", "its name in the settings"),
        _text("source", "the tank that the pump draws from"),
        _number("duration_s", "s", "start to end"),
        _count("pulses", "pulses"),
        _number("volume_l", "L", "of the whole run"),
        _number("volume_u_l", "L", "standard uncertainty"),
        _number("flow_l_min", "L/min", "mean; empty for a run without length"),
        _number("flow_u_l_min", "L/min", "standard uncertainty"),
        _yes_no("complete", "whether it was over; if not, it is as it stood"),
        _SINCE,
    ),
)

BOOK_AMOUNTS = {
    "opening": "in the tank at the day's begin",
    "rain": "off the roofs",
    "direct": "rain into the open tank",
    "carted": "delivered",
    "pumped_in": "pumped into it",
    "overflow_in": "spilt into it by other tanks",
    "pumped_out": "pumped out of it",
    "draw": "drawn by the household",
    "evaporation": "evaporated",
    "seepage": "seeped",
    "spill": "spilt",
    "closing": "in the tank at the day's end",
    "rest": "what nothing explains: opening + all that came - all that went + rest = closing",
}


def _amount(name: str, meaning: str) -> tuple[Column, ...]:
    return (
        _number(f"{name}_l", "L", meaning),
        _number(f"{name}_u_l", "L", "its standard uncertainty"),
        _number(f"{name}_low_l", "L", "lower end of its 95 % interval"),
        _number(f"{name}_high_l", "L", "upper end of its 95 % interval; empty beside a value: at least that much"),
    )


BOOK = Table(
    "book",
    "the water book by rain day; each month as `rainstead book` tells it at the end of the month's last rain day",
    (
        Column("day", Type.DATE, "", "the date on which the rain day ends, at the site"),
        _time("from_utc", "when it begins, or the log does"),
        _time("upto_utc", "when it ends, or the log does"),
        _text("tank", "its name in the settings; (all): all measured tanks together"),
        _yes_no("is_whole", "neither the log's begin nor its end cuts the day"),
        _yes_no("gauge_was_deaf", "for some of it the gauge could not count: its rain is a lower bound"),
        *(column for name, meaning in BOOK_AMOUNTS.items() for column in _amount(name, meaning)),
        _text("finding", "of the rest: explained, came, went or unknown"),
        _text("because", "why, where something of the day is unknown"),
    ),
    month="month of `day`",
)

TABLES = {table.name: table for table in (READINGS, THINNED, MINUTES, STORMS, RUNS, BOOK)}
