"""The water book over a log and a notebook, on a site whose litres can be worked out by hand."""

import math
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from small_site import SETTINGS, Row, make_site, utc_ms

from rainstead.answers import BookAnswer, BookLine, BookTank, Estimate, Unknown, book
from rainstead.errors import RainsteadError
from rainstead.log import LogReader
from rainstead.notebook import Delivery, KnownVolume, Notes, RunNote
from rainstead.readings import Quality
from rainstead.settings import parse_settings

# The book's days are cut at 09:00 in Lisbon, which is 09:00 UTC before 29 March 2026 and 08:00 UTC from then on.
ROOF = """
[catchments.roof]
area = 50
runoff_ratio = 1.0
initial_loss = 0.5
shares = { house = 1.0 }
[[overflows]]
from = "house"
to = "pool"
[household]
tank = "house"
draw_a_day = 96
draw_a_day_u = 10
[evaporation]
monthly = [31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
"""
SITE = SETTINGS + ROOF
HOUSE_L_M = 1000 * math.pi
POOL_L_M = 10_000


def levels(hours: int, *, start: str = "2026-03-26T09:00:00", house_m: float = 1.0, pool_m: float = 0.5) -> list[Row]:
    """A reading every ten minutes; the house loses 4 L an hour to the household, the pool stands."""
    begin = datetime.fromisoformat(start)
    rows: list[Row] = []
    for k in range(6 * hours + 1):
        when = (begin + timedelta(minutes=10 * k)).isoformat()
        depth = house_m - 4 * k / 6 / HOUSE_L_M
        rows.append((when, "house_level", 1000 * (2.5 - depth)))
        rows.append((when, "pool_level", 1000 * (1.5 - pool_m)))
    return rows


def kept(folder: Path, rows: list[Row], notes: Notes | None = None, **options: Any) -> BookAnswer:
    text = options.pop("text", SITE)
    site = make_site(folder, rows, text)
    as_of = options.pop("as_of", "2026-03-31T00:00:00")
    with LogReader(site) as reader:
        return book(parse_settings(text, "site.toml"), reader, notes or Notes(), utc_ms(as_of), **options)


def of(answer: BookAnswer, tank: str) -> BookTank:
    return next(one for one in answer.tanks if one.tank == tank)


def litres(value: object) -> float:
    assert isinstance(value, Estimate), value
    return value.value


def closes(line: BookLine) -> None:
    came = sum(litres(one) for one in (line.rain_l, line.direct_l, line.carted_l, line.pumped_in_l, line.overflow_in_l))
    went = sum(
        litres(one) for one in (line.pumped_out_l, line.draw_l, line.evaporation_l, line.seepage_l, line.spill_l)
    )
    assert litres(line.opening_l) + came - went + litres(line.rest_l) == pytest.approx(litres(line.closing_l), abs=1e-6)


def test_a_dry_day_is_the_draw_and_nothing_else(tmp_path: Path) -> None:
    line = of(kept(tmp_path, levels(72)), "house").lines[1]
    assert line.label == "2026-03-28"
    assert line.is_whole
    assert litres(line.draw_l) == pytest.approx(96)
    assert litres(line.rest_l) == pytest.approx(0, abs=0.1)
    assert line.finding == "explained"
    closes(line)


def test_days_add_up_to_the_week_and_the_month(tmp_path: Path) -> None:
    rows = [*levels(24 * 8), ("2026-03-28T09:00:00", "gauge", 10), ("2026-03-28T09:30:00", "gauge", 10)]
    notes = Notes(
        deliveries=(Delivery(utc_ms("2026-03-29T08:00:00"), utc_ms("2026-03-29T10:00:00"), "pool", 900.0, 9.0),)
    )
    by_day, by_month = (kept(tmp_path / by, rows, notes, by=by, as_of="2026-04-03T09:00:00") for by in ("day", "month"))
    for tank in ("house", "pool"):
        days, months = of(by_day, tank), of(by_month, tank)
        for key in ("rain_l", "direct_l", "carted_l", "draw_l", "evaporation_l", "rest_l"):
            parts = math.fsum(litres(getattr(line, key)) for line in days.lines)
            assert parts == pytest.approx(litres(getattr(days.total, key)), abs=1e-6)
            assert parts == pytest.approx(math.fsum(litres(getattr(line, key)) for line in months.lines), abs=1e-6)
            assert parts == pytest.approx(litres(getattr(months.total, key)), abs=1e-6)
    for one in (*by_day.tanks, by_day.together, *by_month.tanks, by_month.together):
        for line in (*one.lines, one.total):
            closes(line)


def test_a_tip_on_the_boundary_belongs_to_the_day_it_ends(tmp_path: Path) -> None:
    """20 tips of 0.25 mm at 09:00 and 09:30: 2.5 mm each, of which 0.5 mm wets the roof; 50 L a millimetre."""
    rows = [*levels(72), ("2026-03-28T09:00:00", "gauge", 10), ("2026-03-28T09:30:00", "gauge", 10)]
    lines = {line.label: line for line in of(kept(tmp_path, rows), "house").lines}
    assert litres(lines["2026-03-28"].rain_l) == pytest.approx(100)
    assert litres(lines["2026-03-29"].rain_l) == pytest.approx(125)
    pool = {line.label: line for line in of(kept(tmp_path / "again", rows), "pool").lines}
    assert litres(pool["2026-03-28"].direct_l) == pytest.approx(25)  # 10 m2 of open water


def test_the_day_of_the_clocks_change_has_23_hours(tmp_path: Path) -> None:
    lines = {line.label: line for line in of(kept(tmp_path, levels(24 * 4)), "house").lines}
    assert lines["2026-03-29"].upto_ms - lines["2026-03-29"].from_ms == 23 * 3_600_000
    assert litres(lines["2026-03-29"].draw_l) == pytest.approx(92)


def test_carted_water_is_cut_by_time_where_it_came_across_nine_o_clock(tmp_path: Path) -> None:
    notes = Notes(
        deliveries=(Delivery(utc_ms("2026-03-27T08:00:00"), utc_ms("2026-03-27T10:00:00"), "pool", 900.0, 9.0),),
        known_volumes=(KnownVolume(utc_ms("2026-03-28T08:00:00"), utc_ms("2026-03-28T08:30:00"), "pool", -40.0, 1.0),),
    )
    lines = {line.label: line for line in of(kept(tmp_path, levels(72), notes), "pool").lines}
    assert litres(lines["2026-03-27"].carted_l) == pytest.approx(450)
    assert litres(lines["2026-03-28"].carted_l) == pytest.approx(450 - 40)


def test_water_that_nothing_explains_is_called_out(tmp_path: Path) -> None:
    """The pool stands still, though 900 L were noted to have come."""
    notes = Notes(
        deliveries=(Delivery(utc_ms("2026-03-27T12:00:00"), utc_ms("2026-03-27T13:00:00"), "pool", 900.0, 9.0),)
    )
    lines = {line.label: line for line in of(kept(tmp_path, levels(72), notes), "pool").lines}
    assert lines["2026-03-28"].finding == "went"
    assert litres(lines["2026-03-28"].rest_l) == pytest.approx(-890, abs=1)  # 10 L evaporated


def test_a_run_into_the_other_tank_is_in_the_book_both_ways(tmp_path: Path) -> None:
    rows = [*levels(48), ("2026-03-26T12:00:00", "meter", 0)]
    rows += [(f"2026-03-26T12:{k // 6:02d}:{k % 6}9", "meter", 2000) for k in range(60)]
    notes = Notes(run_notes=(RunNote(utc_ms("2026-03-26T12:05:00"), None, "house"),))
    answer = kept(tmp_path, rows, notes)
    house, pool, both = of(answer, "house").total, of(answer, "pool").total, answer.together.total
    assert litres(house.pumped_in_l) == pytest.approx(300)
    assert litres(pool.pumped_out_l) == pytest.approx(300)
    assert litres(both.rest_l) == pytest.approx(litres(house.rest_l) + litres(pool.rest_l))
    # The meter's error of 3 % is in each, and cancels in both together.
    apart = math.hypot(estimated(house.rest_l).u, estimated(pool.rest_l).u)
    assert estimated(both.rest_l).u ** 2 == pytest.approx(apart**2 - 2 * 9**2, rel=0.02)


def estimated(value: object) -> Estimate:
    assert isinstance(value, Estimate), value
    return value


def test_a_full_house_runs_over_into_the_pool(tmp_path: Path) -> None:
    """50 mm on a house that is full: 2475 L less what the household draws meanwhile run over."""
    rows = [row for row in levels(48, pool_m=0.5) if row[1] != "house_level"]
    rows += [(row[0], "house_level", 500.0) for row in levels(48) if row[1] == "house_level"]
    rows += [(f"2026-03-26T{12 + k // 60}:{k % 60:02d}:00", "gauge", 2) for k in range(100)]
    answer = kept(tmp_path, rows)
    house, pool = of(answer, "house").total, of(answer, "pool").total
    assert litres(house.rain_l) == pytest.approx(2475)
    drawn = 96 * (99 + 2 * 20) / 1440  # from twenty minutes before the rain to twenty after it
    assert litres(house.spill_l) == pytest.approx(2475 - drawn, abs=1)
    assert litres(pool.overflow_in_l) == litres(house.spill_l)
    # It was still full after two days of draw, which nothing explains.
    assert litres(house.rest_l) == pytest.approx(2 * 96 - drawn, abs=1)


def test_a_silent_ranger_leaves_the_rest_unknown_and_the_flows_told(tmp_path: Path) -> None:
    rows = [row for row in levels(72) if not "2026-03-27T06" < row[0] < "2026-03-27T12"]
    lines = {line.label: line for line in of(kept(tmp_path, rows), "house").lines}
    assert isinstance(lines["2026-03-27"].rest_l, Unknown)
    assert lines["2026-03-27"].finding == "unknown"
    assert litres(lines["2026-03-27"].draw_l) == pytest.approx(96, abs=1)
    assert isinstance(of(kept(tmp_path / "again", rows), "house").total.rest_l, Estimate)


def test_what_nothing_is_known_of_is_in_the_rest_with_its_reason(tmp_path: Path) -> None:
    answer = kept(tmp_path, levels(48), text=SETTINGS)
    reasons = {one.kind: one.because for one in of(answer, "pool").not_in_book}
    assert "no [evaporation] table" in reasons["evaporation"]
    assert "no [household] table" in reasons["draw"]
    assert "seepage" in reasons
    assert answer.tanks_not_in_book == ("drum",)


def test_a_gauge_that_could_not_count_is_told(tmp_path: Path) -> None:
    rows = [*levels(72), ("2026-03-27T12:00:00", "gauge", None, Quality.STUCK)]
    lines = {line.label: line for line in of(kept(tmp_path, rows), "house").lines}
    assert [lines[day].gauge_was_deaf for day in ("2026-03-27", "2026-03-28")] == [False, True]


def test_since_and_until_cut_the_book(tmp_path: Path) -> None:
    answer = kept(tmp_path, levels(96), since="2026-03-28", until="2026-03-29")
    assert [line.label for line in answer.together.lines] == ["2026-03-28", "2026-03-29"]
    weeks = kept(tmp_path / "weeks", levels(96), by="week", until="2026-03-28")
    assert [line.label for line in weeks.together.lines] == ["week of 2026-03-23"]
    assert not weeks.together.lines[0].is_whole


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"by": "year"}, "--by 'year': must be one of day, week, month"),
        ({"since": "March"}, "--since 'March': is not a date"),
        ({"since": "2026-03-30", "until": "2026-03-28"}, "leave no day"),
        ({"only": "drum"}, "no level sensor"),
        ({"only": "hose"}, "did you mean house"),
        ({"as_of": "2026-03-01T00:00:00"}, "no readings up to then"),
    ],
)
def test_a_book_that_cannot_be_kept_says_why(tmp_path: Path, options: dict[str, Any], told: str) -> None:
    with pytest.raises(RainsteadError, match=told):
        kept(tmp_path, levels(48), **options)
