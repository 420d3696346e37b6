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
    "PRESSURE_KPA",
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
    "L": 1.0,
    "mL": 0.001,
    "ml": 0.001,
    "kL": 1000.0,
    "ML": 1_000_000.0,  # a dam's megalitre: capitals decide between it and a millilitre
    "m3": 1000.0,
    "m³": 1000.0,
    "us gal": US_GALLON_L,
    "imp gal": IMPERIAL_GALLON_L,
}
DURATION_S: Final[UnitTable] = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0, "d": 86_400.0}
FUEL_L_H: Final[UnitTable] = {
    "L/h": 1.0,
    "mL/min": 0.06,
    "us gal/h": US_GALLON_L,
    "imp gal/h": IMPERIAL_GALLON_L,
}

FLOW_L_MIN: Final[UnitTable] = {
    "L/min": 1.0,
    "L/s": 60.0,
    "L/h": 1 / 60,
    "m3/h": 1000 / 60,
    "us gal/min": US_GALLON_L,
    "imp gal/min": IMPERIAL_GALLON_L,
}
PRESSURE_KPA: Final[UnitTable] = {
    "kPa": 1.0,
    "bar": 100.0,
    "psi": 0.45359237 * 9.80665 / INCH_M**2 / 1000,
    "m": 9.80665,  # of water, 1000 kg in a cubic metre
}

_TYPED = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([^\W\d_].*)")


def parse_quantity(text: str, table: UnitTable) -> float:
    """A number with its unit, as typed (`"12 ft"`), in the table's base unit.

    Capitals matter only where they tell two units apart (mL, ML).
    Raises ValueError, naming the units that would do, where there is no number, no unit or a foreign unit.
    """
    units = ", ".join(table)
    match = _TYPED.fullmatch(text.strip())
    if match is None and re.fullmatch(r"\s*[+-]?[0-9.]+\s*", text):
        raise ValueError(f"has no unit; add one of: {units}; or leave the quotes out")
    if match is None and re.match(r"\s*[+-]?[0-9]+,[0-9]", text):
        raise ValueError("has a comma; write a point for decimals and nothing between thousands")
    if match is None:
        raise ValueError(f"is not a number with a unit; use one of: {units}")
    number, unit = match.groups()
    unit = " ".join(unit.split())
    factors = {table[unit]} if unit in table else {f for one, f in table.items() if one.lower() == unit.lower()}
    if len(factors) != 1:
        raise ValueError(f"unknown unit {unit!r}; use one of: {units}")
    return float(number) * factors.pop()
