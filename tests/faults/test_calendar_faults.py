"""Rain days where clocks change: any zone, any year, any hour."""

from datetime import date, timedelta
from zoneinfo import available_timezones

import pytest
from board_site import SITE
from hypothesis import example, given
from hypothesis import strategies as st

from rainstead.answers.days import rain_day_of, rain_day_start_ms
from rainstead.settings import Settings, parse_settings

HOUR_MS = 3_600_000
ZONES = sorted(zone for zone in available_timezones() if zone not in ("Factory", "localtime", "posixrules"))


def settings_of(zone: str, hour: int, clock: str) -> Settings:
    """The test's site elsewhere. Shaped anew, not parsed: this runs a thousand times."""
    site = BASE.site.model_copy(update={"time_zone": zone, "rain_day_hour": hour, "rain_day_clock": clock})
    return BASE.model_copy(update={"site": site})


BASE = parse_settings(SITE, "test")


@given(
    st.sampled_from(ZONES),
    st.dates(date(1971, 1, 3), date(2099, 12, 30)),
    st.integers(0, 23),
    st.sampled_from(["local", "standard"]),
    st.floats(0, 1, exclude_min=True),
)
@example("Europe/Lisbon", date(2026, 3, 29), 9, "local", 0.5)
@example("America/New_York", date(2026, 11, 1), 2, "local", 0.1)
@example("Australia/Lord_Howe", date(2026, 4, 5), 9, "local", 1.0)
@example("Pacific/Apia", date(2011, 12, 30), 9, "local", 0.5)
@example("Pacific/Apia", date(2011, 12, 31), 9, "local", 0.5)
@example("America/Sao_Paulo", date(2018, 11, 4), 0, "local", 0.5)
@example("Africa/Casablanca", date(2026, 2, 15), 9, "standard", 0.5)
@example("Europe/Dublin", date(2026, 10, 25), 9, "standard", 0.5)
def test_every_moment_belongs_to_the_one_rain_day_that_holds_it(
    zone: str, day: date, hour: int, clock: str, part: float
) -> None:
    settings = settings_of(zone, hour, clock)
    starts_ms, ends_ms = (rain_day_start_ms(day + timedelta(days=n), settings) for n in (0, 1))
    assert starts_ms <= ends_ms <= starts_ms + 50 * HOUR_MS
    if starts_ms == ends_ms:
        return  # a day that a zone left out
    moment_ms = starts_ms + max(1, round((ends_ms - starts_ms) * part))
    assert rain_day_of(moment_ms, settings) == day
    assert rain_day_of(starts_ms, settings) < day
    assert rain_day_of(ends_ms, settings) == day
    assert rain_day_of(ends_ms + 1, settings) > day


@pytest.mark.parametrize(
    ("day", "hours"),
    [(date(2026, 3, 28), 24), (date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 10, 26), 24)],
)
def test_a_rain_day_is_an_hour_short_or_long_when_clocks_change(day: date, hours: int) -> None:
    """Lisbon: clocks change at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC, art. 2, 3)."""
    local, standard = (settings_of("Europe/Lisbon", 9, clock) for clock in ("local", "standard"))
    for settings, expected in ((local, hours), (standard, 24)):
        length_ms = rain_day_start_ms(day + timedelta(days=1), settings) - rain_day_start_ms(day, settings)
        assert length_ms == expected * HOUR_MS
