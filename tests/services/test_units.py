"""Units that people type.

Factors: international yard and pound agreement 1959 (1 yd = 0.9144 m exactly, so 1 ft = 0.3048 m and 1 in = 25.4 mm);
US gallon = 231 in³; imperial gallon = 4.54609 L; acre = 4840 yd². All exact by definition.
"""

import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead import units
from rainstead.units import parse_quantity

YARD_M = Fraction("0.9144")
FOOT_M = YARD_M / 3
INCH_M = FOOT_M / 12
US_GALLON_L = 231 * (INCH_M * 10) ** 3
IMPERIAL_GALLON_L = Fraction("4.54609")
ACRE_M2 = 4840 * YARD_M**2

EXACT = {
    "LENGTH_M": {
        "m": Fraction(1),
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
        "ft": FOOT_M,
        "in": INCH_M,
    },
    "DEPTH_MM": {"mm": Fraction(1), "cm": Fraction(10), "in": INCH_M * 1000},
    "AREA_M2": {
        "m2": Fraction(1),
        "m²": Fraction(1),
        "ha": Fraction(10_000),
        "ft2": FOOT_M**2,
        "acre": ACRE_M2,
        "acres": ACRE_M2,
    },
    "VOLUME_L": {
        "L": Fraction(1),
        "mL": Fraction(1, 1000),
        "ml": Fraction(1, 1000),
        "kL": Fraction(1000),
        "ML": Fraction(1_000_000),
        "m3": Fraction(1000),
        "m³": Fraction(1000),
        "us gal": US_GALLON_L,
        "imp gal": IMPERIAL_GALLON_L,
    },
    "DURATION_S": {
        "s": Fraction(1),
        "ms": Fraction(1, 1000),
        "min": Fraction(60),
        "h": Fraction(3600),
        "d": Fraction(86_400),
    },
    "FUEL_L_H": {
        "L/h": Fraction(1),
        "mL/min": Fraction(60, 1000),
        "us gal/h": US_GALLON_L,
        "imp gal/h": IMPERIAL_GALLON_L,
    },
}
PAIRS = [(table, unit) for table, exact in EXACT.items() for unit in exact]


def test_every_unit_that_can_be_typed_has_an_exact_factor_here() -> None:
    for table, exact in EXACT.items():
        assert getattr(units, table).keys() == exact.keys()


@pytest.mark.parametrize(("table", "unit"), PAIRS)
def test_one_of_a_unit_is_its_defined_factor_to_the_last_bit_but_one(table: str, unit: str) -> None:
    exact = EXACT[table][unit]
    assert abs(Fraction(parse_quantity(f"1 {unit}", getattr(units, table))) / exact - 1) <= Fraction(1, 2**52)


@pytest.mark.parametrize(
    ("text", "table", "expected"),
    [
        # check-values "Exact conversions": definitions as in this file's first lines
        ("1 in", units.DEPTH_MM, 25.4),
        ("1 ft", units.LENGTH_M, 0.3048),
        ("1 us gal", units.VOLUME_L, 3.785411784),
        ("1 imp gal", units.VOLUME_L, 4.54609),
        ("1 acre", units.AREA_M2, 4046.8564224),
        ("1 ha", units.AREA_M2, 10_000),
        ("12 ft", units.LENGTH_M, 3.6576),
        ("0.5 acres", units.AREA_M2, 2023.4282112),
        ("1 ML", units.VOLUME_L, 1e6),
    ],
)
def test_typed_quantities_come_out_in_si(text: str, table: units.UnitTable, expected: float) -> None:
    assert parse_quantity(text, table) == pytest.approx(expected, rel=1e-15)


@given(number=st.floats(min_value=-1e12, max_value=1e12), pair=st.sampled_from(PAIRS))
def test_any_number_with_any_unit_is_number_times_factor(number: float, pair: tuple[str, str]) -> None:
    table, unit = pair
    got = parse_quantity(f"{number!r} {unit}", getattr(units, table))
    exact = Fraction(number) * EXACT[table][unit]
    assert abs(Fraction(got) - exact) <= abs(exact) / 2**51 + Fraction(5e-324)


@pytest.mark.parametrize("text", ["7ft", " 7 ft ", "7.0 ft", "+7 FT", "0.7e1 ft", "7\u00a0ft", "7. ft"])
def test_spacing_and_capitals_do_not_matter(text: str) -> None:
    assert parse_quantity(text, units.LENGTH_M) == 7 * 0.3048


def test_words_of_a_unit_may_be_spaced_at_will() -> None:
    assert parse_quantity("2 US  gal", units.VOLUME_L) == 2 * 3.785411784


@pytest.mark.parametrize("text", ["5 mL", "5 ml"])
def test_a_millilitre_is_not_a_megalitre(text: str) -> None:
    assert parse_quantity(text, units.VOLUME_L) == 0.005


def test_capitals_that_could_mean_either_are_refused() -> None:
    with pytest.raises(ValueError, match="unknown unit 'Ml'"):
        parse_quantity("5 Ml", units.VOLUME_L)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2.1", "has no unit; add one of: m, cm, mm, ft, in; or leave the quotes out"),
        ("2,1 m", "has a comma"),
        ("1,200 m", "has a comma"),
        ("", "is not a number with a unit; use one of: m"),
        ("ft", "is not a number with a unit"),
        ("two ft", "is not a number with a unit"),
        ("2.1.3 m", "is not a number with a unit"),
        ("nan m", "is not a number with a unit"),
        ("12 ft 6 in", "unknown unit 'ft 6 in'; use one of: m, cm, mm, ft, in"),
        ("2 furlong", "unknown unit 'furlong'; use one of: m, cm, mm, ft, in"),
        ("5 L", "unknown unit 'L'"),
        ("٣ m", "is not a number with a unit"),
    ],
)
def test_what_is_no_quantity_is_refused_with_the_units_that_would_do(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        parse_quantity(text, units.LENGTH_M)


def test_a_bare_gallon_is_refused_and_both_gallons_are_named() -> None:
    with pytest.raises(ValueError, match="us gal, imp gal"):
        parse_quantity("500 gal", units.VOLUME_L)


@given(st.text())
def test_any_text_is_a_number_or_a_value_error(text: str) -> None:
    for table in EXACT:
        try:
            assert isinstance(parse_quantity(text, getattr(units, table)), float)
        except ValueError as error:
            assert type(error) is ValueError
