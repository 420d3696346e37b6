"""What the desk says of losses: a twin whose truth is known, and sites of which there is not enough to say."""

import math
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from detection import Curve, Tried, curves
from leaky_year import DAY_MS, START_MS, TankYear, tank_year
from small_site import SETTINGS, make_site

from rainstead.answers import LossesAnswer, losses
from rainstead.answers.leaks import Watched
from rainstead.answers.losses import NoLevels, _finding
from rainstead.answers.lossways import Way
from rainstead.calc.desk import Estimate, Unknown, WatchRows, estimate
from rainstead.log import LogReader
from rainstead.notebook import Notes
from rainstead.settings import parse_settings


@pytest.fixture(scope="module")
def dry_tank() -> TankYear:
    """Ten weeks of an open tank that nobody draws from. Invented."""
    return tank_year(3, "no draw", days=70)


def test_a_sound_tank_is_not_called_in_the_sun_and_its_seepage_is_nought(dry_tank: TankYear) -> None:
    told = dry_tank.asked()
    assert (told.way, told.calls) == ("mornings", ())
    assert isinstance(told.seepage_l_day, Estimate) and told.seepage_l_day.high is not None
    assert told.seepage_l_day.low <= 0 <= told.seepage_l_day.high
    assert isinstance(told.loss_l_day, Estimate) and isinstance(told.evaporation_l_day, Estimate)
    assert told.evaporation_l_day.value > 1
    assert len(told.days) == told.standing_days


def test_a_leak_is_called_within_a_week_told_and_dated(dry_tank: TankYear) -> None:
    leak_ms = START_MS + 45 * DAY_MS
    told = dry_tank.asked(leak_ms, 30.0)
    (call,) = told.calls
    assert 0 < call.called_ms - leak_ms < 7 * DAY_MS
    assert abs(call.since_ms - leak_ms) <= 2 * DAY_MS
    assert call.more_l_day == pytest.approx(30, rel=0.4)
    assert told.finding == "more_than_expected"
    assert "L a day more than was expected, since about 2024-02-" in told.said


def test_a_household_is_told_by_its_draw_or_by_its_nights() -> None:
    year = tank_year(4, "covered, drawn", days=45)
    told = year.asked()
    assert told.draw_l_day is not None and isinstance(told.seepage_l_day, Estimate)
    assert told.seepage_l_day.high is not None and told.seepage_l_day.low <= 0 <= told.seepage_l_day.high
    nobody_said = replace(year, settings=year.settings.model_copy(update={"household": None}))
    told = nobody_said.asked()
    assert told.way == "nights" and "only the nights tell" in told.said
    assert told.draw_l_day is None


def asked(folder: Path, text: str = SETTINGS, *, only: str | None = None) -> LossesAnswer:
    site = make_site(folder / "site", [("2026-03-28T10:00:00", "house_level", 900)], text)
    settings = parse_settings(text, "site.toml")
    with LogReader(site) as reader:
        return losses(settings, reader, Notes(), reader.last_before_ms(2**52) or 0, only=only)


def test_a_single_reading_is_not_enough_to_say(tmp_path: Path) -> None:
    house, pool = asked(tmp_path).tanks
    assert isinstance(house.seepage_l_day, Unknown)
    assert house.said.startswith("not enough to say, because there are no standing mornings")
    assert pool.said == "not enough to say, because there is no good level of pool in that time"
    assert (pool.days, pool.calls, pool.finds_l_day) == ((), (), None)


def test_without_a_gauge_rain_cannot_be_told_from_a_loss(tmp_path: Path) -> None:
    text = SETTINGS.replace('[rain]\ngauge = "gauge"\nstorm_gap = "6 h"\n', "")
    assert "no rain gauge" in asked(tmp_path, text, only="house").tanks[0].said


def test_a_tank_without_a_ranger_and_one_that_is_not_there_are_refused(tmp_path: Path) -> None:
    with pytest.raises(NoLevels, match="drum has no level sensor"):
        asked(tmp_path, only="drum")
    with pytest.raises(NoLevels, match="there is no tank 'barn' in the settings; there are: house, pool, drum"):
        asked(tmp_path, only="barn")


def test_a_full_tank_whose_ranger_reads_high_still_loses_what_it_loses(tmp_path: Path) -> None:
    """The house is pi litres a millimetre; it falls by 2 mm a day, all of it seen above the brim (ullage 500 mm)."""
    rng = np.random.default_rng(6)
    start = datetime(2026, 3, 1)  # noqa: DTZ001 - the site's rows are typed as UTC
    rows = [
        ((start + timedelta(minutes=k)).isoformat(), "house_level", round(460 + k / 720 + float(rng.normal(0, 1))))
        for k in range(0, 12 * 1440, 10)
    ]
    site = make_site(tmp_path / "site", rows)
    settings = parse_settings(SETTINGS, "site.toml")
    with LogReader(site) as reader:
        (house,) = losses(settings, reader, Notes(), reader.last_before_ms(2**52) or 0, only="house").tanks
    seepage = house.seepage_l_day
    assert isinstance(seepage, Estimate) and seepage.high is not None
    assert seepage.low <= 2 * math.pi <= seepage.high
    assert seepage.value == pytest.approx(2 * math.pi, rel=0.1)


def test_an_open_tank_whose_evaporation_nobody_knows_is_told_so(dry_tank: TankYear) -> None:
    blind = replace(dry_tank, settings=dry_tank.settings.model_copy(update={"evaporation": None}))
    told = blind.asked()
    assert isinstance(told.loss_l_day, Estimate)
    assert isinstance(told.seepage_l_day, Unknown) and "[evaporation]" in told.seepage_l_day.because
    assert told.days == ()


def test_the_studys_table_counts_what_was_not_found_as_late() -> None:
    rows = [
        Tried("a", 1, 0.0, None, 1, 200),
        Tried("a", 1, 20.0, 3.0, 0, 40),
        Tried("a", 2, 20.0, None, 0, 40),
        Tried("a", 3, 20.0, 9.0, 0, 40),
    ]
    assert curves(rows) == [Curve("a", 20.0, 3, 1 / 3, 9.0, 2 / 3)]


def test_no_tank_is_said_to_seep_less_than_nothing() -> None:
    seen = estimate(-0.05, 0.03)
    watched = Watched(cast(WatchRows, None), np.empty(0), np.empty(0), ())
    word, said = _finding(Way("dawns", seen, seen, None, seen, Unknown("no matter"), 40.0), watched, "Europe/Lisbon")
    assert word == "none_seen" and said.endswith("it is less than 0.1 L a day")
