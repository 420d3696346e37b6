"""Units that people type, and their factors into SI. The only place where a conversion factor stands.

Inside there is one system: metres, square metres, litres, millimetres of rain, degrees Celsius.
Factors are exact by definition (international yard and pound agreement 1959; US and imperial gallon).
"""

import re
from typing import Final

__all__ = [
    "AREA_M2",
    "DEPTH_MM",
    "DURATION_S",
    "FLOW_L_MIN",
    "FUEL_L_H",
    "LENGTH_M",
    "VOLUME_L",
    "UnitTable",
    "parse_quantity",
]

UnitTable = dict[str, float]

FOOT_M: Final = 0.3048
INCH_M: Final = 0.0254
ACRE_M2: Final = 4046.8564224
US_GALLON_L: Final = 3.785411784
IMPERIAL_GALLON_L: Final = 4.54609

LENGTH_M: Final[UnitTable] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "ft": FOOT_M,
    "in": INCH_M,
}
DEPTH_MM: Final[UnitTable] = {"mm": 1.0, "cm": 10.0, "in": 25.4}
AREA_M2: Final[UnitTable] = {"m2": 1.0, "m²": 1.0, "ha": 10_000.0, "ft2": FOOT_M**2, "acre": ACRE_M2, "acres": ACRE_M2}
VOLUME_L: Final[UnitTable] = {
    "l": 1.0,
    "ml": 0.001,
    "kl": 1000.0,
    "m3": 1000.0,
    "m³": 1000.0,
    "us gal": US_GALLON_L,
    "imp gal": IMPERIAL_GALLON_L,
}
DURATION_S: Final[UnitTable] = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0, "d": 86_400.0}
FLOW_L_MIN: Final[UnitTable] = {"l/min": 1.0, "l/s": 60.0, "l/h": 1 / 60, "m3/h": 1000 / 60}
FUEL_L_H: Final[UnitTable] = {"l/h": 1.0, "ml/min": 0.06}

_TYPED = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)\s*\Z")


def parse_quantity(text: str, table: UnitTable) -> float:
    """A number with its unit, as typed (`"12 ft"`), in the table's base unit.

    Raises ValueError, naming the units that would do, where there is no number, no unit or a foreign unit.
    """
    units = ", ".join(table)
    match = _TYPED.match(text)
    if match is None:
        raise ValueError(f"{text!r} is not a number with a unit; use one of: {units}")
    number, unit = match.groups()
    factor = table.get(unit.lower() if unit.lower() in table else unit)
    if factor is None:
        raise ValueError(f"unknown unit {unit!r} in {text!r}; use one of: {units}")
    return float(number) * factor
