"""What is typed into the notebook: what is understood, and what is refused with which remedy."""

from collections.abc import Callable

import pytest
from small_site import SETTINGS, utc_ms

from rainstead.answers import (
    delivery_entry,
    dip_entry,
    forecast_entry,
    fuel_entry,
    known_volume_entry,
    notes,
    run_entry,
)
from rainstead.errors import RainsteadError
from rainstead.notebook import Delivery, Dip, Entry, Forecast, FuelFill, Kept, KnownVolume, RunNote
from rainstead.settings import parse_settings

SITE = parse_settings(SETTINGS, "site.toml")
NOW = utc_ms("2026-03-28T15:00:00")
HOUR = 3_600_000


def test_units_are_read_and_what_is_left_out_is_filled_in() -> None:
    assert dip_entry(SITE, NOW, "house", "150 cm") == Dip(NOW, "house", 1.5, 0.005)
    assert dip_entry(SITE, NOW, "house", "1.5 m", at="14:30", u="2 mm") == Dip(NOW - HOUR // 2, "house", 1.5, 0.002)
    assert delivery_entry(SITE, NOW, "pool", "9 kL") == Delivery(NOW - HOUR, NOW, "pool", 9000.0, 180.0)
    assert known_volume_entry(
        SITE, NOW, "house", "-200 L", begun="2026-03-28T12:00", ended="2026-03-28T13:00Z", u="1 L"
    ) == KnownVolume(NOW - 3 * HOUR, NOW - 2 * HOUR, "house", -200.0, 1.0)
    assert fuel_entry(SITE, NOW, "650 mL") == FuelFill(NOW, 0.65, 0.03)
    assert run_entry(SITE, NOW, nozzle=" fog  8 ", to="House") == RunNote(NOW, "fog 8", "house")
    assert run_entry(SITE, NOW, to="Ground") == RunNote(NOW, None, "ground")
    assert forecast_entry(SITE, NOW, "0 mm", "4 mm", "1 in", ends="2026-03-29T09:00Z") == Forecast(
        NOW, NOW, NOW + 18 * HOUR, 0.0, 4.0, 25.4
    )


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (lambda: dip_entry(SITE, NOW, "hosue", "1 m"), "did you mean house"),
        (lambda: dip_entry(SITE, NOW, "house", "1.2"), "has no unit; add one of: m, cm"),
        (lambda: dip_entry(SITE, NOW, "house", "1.2 L"), "unknown unit 'L'"),
        (lambda: dip_entry(SITE, NOW, "house", "123 m"), "brim is at 2 m"),
        (lambda: dip_entry(SITE, NOW, "house", "-1 cm"), "not the air above it"),
        (lambda: dip_entry(SITE, NOW, "house", "1 m", u="0 mm"), "--u '0 mm'"),
        (lambda: dip_entry(SITE, NOW, "house", "1 m", at="16:00"), "in the future; it is 2026-03-28 15:00"),
        (lambda: dip_entry(SITE, NOW, "house", "1 m", at="2026-03-28"), "say the hour too"),
        (lambda: dip_entry(SITE, NOW, "house", "1 m", at="tea time"), "--at 'tea time'"),
        (lambda: delivery_entry(SITE, NOW, "house", "-9 kL"), "strike it out"),
        (lambda: delivery_entry(SITE, NOW, "house", "13 kL"), "6,283 L"),
        (lambda: delivery_entry(SITE, NOW, "house", "9 kl", begun="14:00", ended="13:00"), "comes after the end"),
        (lambda: delivery_entry(SITE, NOW, "house", "9 kl", begun="2026-01-01T09:00"), "more than 45 days"),
        (lambda: known_volume_entry(SITE, NOW, "house", "0 L"), "nothing tells nothing"),
        (lambda: fuel_entry(SITE, NOW, "0 L"), "more than nothing"),
        (lambda: fuel_entry(SITE, NOW, "5 L"), r"pump\.fuel\.tank"),
        (lambda: run_entry(SITE, NOW), "--nozzle LABEL"),
        (lambda: run_entry(SITE, NOW, nozzle="  "), "nothing to note"),
        (lambda: run_entry(SITE, NOW, nozzle="x" * 61), "1 to 60"),
        (lambda: run_entry(SITE, NOW, to="pool"), "draws from that tank"),
        (lambda: run_entry(SITE, NOW, to="garden"), "there is no tank 'garden'"),
        (lambda: forecast_entry(SITE, NOW, "5 mm", "4 mm", "9 mm", ends="2026-03-29"), "must not fall"),
        (lambda: forecast_entry(SITE, NOW, "5 mm", "9 mm", "9 cm", ends="2026-03-27"), "--to '2026-03-27'"),
        (lambda: forecast_entry(SITE, NOW, "5 mm", "9 mm", "9 cm", begins="2026-03-20", ends="2026-03-27"), "is past"),
        (lambda: forecast_entry(SITE, NOW, "5 mm", "9 mm", "9000 mm", ends="2026-03-29"), "is the unit right"),
    ],
)
def test_what_cannot_be_right_is_refused_with_its_remedy(typed: Callable[[], Entry], told: str) -> None:
    with pytest.raises(RainsteadError, match=told):
        typed()


def test_a_site_without_a_pump_has_no_fuel_and_no_runs_to_note() -> None:
    text = SETTINGS[: SETTINGS.index("[pump]")] + SETTINGS[SETTINGS.index("[reserve]") :]
    bare = parse_settings(text, "site.toml")
    for typed in (lambda: fuel_entry(bare, NOW, "1 L"), lambda: run_entry(bare, NOW, to="ground")):
        with pytest.raises(RainsteadError, match=r"no \[pump\] table"):
            typed()


def test_the_list_tells_what_was_noted_by_then() -> None:
    kept = (
        Kept(1, NOW - 5, None, Dip(NOW - 10, "house", 1.0, 0.005)),
        Kept(2, NOW - 4, NOW - 3, FuelFill(NOW - 9, 0.5, 0.03)),
        Kept(3, NOW + 9, None, RunNote(NOW - 8, None, "ground")),
    )
    answer = notes(SITE, None, NOW, kept)
    assert [line.number for line in answer.entries] == [1]
    assert (answer.entries[0].kind, answer.entries[0].depth_m, answer.entries[0].fuel_l) == ("dip", 1.0, None)
    assert answer.struck_count == 1
    assert [line.number for line in notes(SITE, None, NOW, kept, with_struck=True).entries] == [1, 2]
