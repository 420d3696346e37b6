"""Rain days as the site's clock cuts them, and storms, by figures worked out by hand."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from desk_site import SETTINGS, Raw, make_site, ms, tips

from rainstead.answers import RainAnswer, StormsAnswer, rain, storms
from rainstead.errors import RainsteadError
from rainstead.log import LogReader
from rainstead.readings import Quality
from rainstead.settings import parse_settings

HOUR_MS = 3_600_000


def days_of(folder: Path, rows: list[Raw], as_of: str, days: int, text: str = SETTINGS) -> RainAnswer:
    make_site(folder, rows, text=text)
    with LogReader(folder) as reader:
        return rain(parse_settings(text, "site.toml"), reader, ms(as_of), days=days)


def storms_of(
    folder: Path, rows: list[Raw], as_of: str, least_mm: float = 0, since_ms: int | None = None
) -> StormsAnswer:
    make_site(folder, rows)
    with LogReader(folder) as reader:
        settings = parse_settings(SETTINGS, "site.toml")
        return storms(settings, reader, ms(as_of), least_mm=least_mm, since_ms=since_ms)


def hours(answer: RainAnswer) -> dict[str, float]:
    return {day.ends_on: (day.end_ms - day.start_ms) / HOUR_MS for day in answer.days}


def test_the_rain_day_that_loses_an_hour_has_23_and_the_one_that_gains_one_has_25(tmp_path: Path) -> None:
    # Lisbon's clocks went forward on 30 March 2025 and back on 26 October 2025, both at 01:00 UTC.
    rows = [tips("2025-01-01T12:00", 1)]
    spring = hours(days_of(tmp_path / "a", rows, "2025-04-01T06:00", 3))
    assert spring == {"2025-03-30": 23, "2025-03-31": 24, "2025-04-01": 24}
    autumn = hours(days_of(tmp_path / "b", rows, "2025-10-28T06:00", 3))
    assert autumn == {"2025-10-26": 25, "2025-10-27": 24, "2025-10-28": 24}


def test_rain_days_by_standard_time_always_have_24_hours(tmp_path: Path) -> None:
    text = SETTINGS.replace('time_zone = "Europe/Lisbon"', 'time_zone = "Europe/Lisbon"\nrain_day_clock = "standard"')
    answer = days_of(tmp_path, [tips("2025-01-01T12:00", 1)], "2025-10-28T06:00", 300, text)
    assert set(hours(answer).values()) == {24}
    assert all(day.start_ms % (24 * HOUR_MS) == 9 * HOUR_MS for day in answer.days)


def test_rain_days_join_without_gap_or_overlap_and_begin_at_the_hour_on_the_wall(tmp_path: Path) -> None:
    answer = days_of(tmp_path, [tips("2025-01-01T12:00", 1)], "2025-12-01T12:00", 330)
    for day, after in zip(answer.days, answer.days[1:], strict=False):
        assert day.end_ms == after.start_ms
    lisbon = ZoneInfo("Europe/Lisbon")
    starts = [datetime.fromtimestamp(day.start_ms / 1000, UTC).astimezone(lisbon) for day in answer.days]
    assert {(start.hour, start.minute) for start in starts} == {(9, 0)}
    assert [start.date() + timedelta(days=1) for start in starts] == [
        datetime.fromisoformat(day.ends_on).date() for day in answer.days
    ]


def test_a_tip_on_the_boundary_belongs_to_the_day_that_it_ends(tmp_path: Path) -> None:
    rows = [tips("2026-02-10T09:00:00", 1), tips("2026-02-10T09:00:00.001", 2)]
    answer = days_of(tmp_path, rows, "2026-02-10T12:00", 2)
    assert [(day.ends_on, day.tips) for day in answer.days] == [("2026-02-10", 1), ("2026-02-11", 2)]


def test_a_time_on_the_boundary_still_asks_for_the_day_that_ends(tmp_path: Path) -> None:
    answer = days_of(tmp_path, [tips("2026-02-10T08:00", 1)], "2026-02-10T09:00", 1)
    assert [(day.ends_on, day.tips) for day in answer.days] == [("2026-02-10", 1)]


def test_days_and_months_add_up_to_the_tips(tmp_path: Path) -> None:
    rows = [tips("2026-01-31T12:00", 5), tips("2026-01-31T08:00", 10), tips("2026-02-02T12:00", 20)]
    answer = days_of(tmp_path, rows, "2026-02-03T08:00", 5)
    by_day = {day.ends_on: day.rain_mm for day in answer.days}
    # What fell on the afternoon of 31 January counts for the rain day that ends on 1 February.
    assert by_day == {
        "2026-01-30": None,
        "2026-01-31": pytest.approx(2.0),
        "2026-02-01": pytest.approx(1.0),
        "2026-02-02": None,
        "2026-02-03": pytest.approx(4.0),
    }
    assert [(month.month, month.rain_mm, month.days_with_readings) for month in answer.months] == [
        ("2026-01", 2.0, 1),
        ("2026-02", 5.0, 2),
    ]
    assert answer.total_mm == pytest.approx(7.0)


def test_a_day_with_rows_of_nought_was_dry_and_one_without_rows_is_unknown(tmp_path: Path) -> None:
    answer = days_of(tmp_path, [tips("2026-02-10T12:00", 0)], "2026-02-12T08:00", 2)
    assert [day.rain_mm for day in answer.days] == [0.0, None]


def test_a_day_in_which_the_gauge_was_stuck_is_a_lower_bound(tmp_path: Path) -> None:
    rows = [tips("2026-02-10T12:00", 3), tips("2026-02-10T13:00", None, Quality.STUCK), tips("2026-02-11T12:00", 1)]
    answer = days_of(tmp_path, rows, "2026-02-12T08:00", 2)
    assert [(day.rain_mm, day.is_at_least) for day in answer.days] == [
        (0.6, True),
        (0.2, False),
    ]
    assert answer.months[0].is_at_least


def test_a_dry_gap_longer_than_the_storm_gap_parts_storms_and_one_just_as_long_does_not(tmp_path: Path) -> None:
    rows = [
        tips("2026-02-10T00:00", 1),
        tips("2026-02-10T06:00", 2),
        tips("2026-02-10T12:00:00.001", 4),
        tips("2026-02-11T00:00", 0),
    ]
    first, second = storms_of(tmp_path, rows, "2026-02-11T00:00").storms
    assert (first.storm.start_ms, first.storm.end_ms) == (ms("2026-02-10T00:00"), ms("2026-02-10T06:00"))
    assert first.storm.rain_mm == pytest.approx(0.6)
    assert first.duration_s == 6 * 3600
    assert first.dry_before_s is None
    assert second.storm.tips == 4
    assert second.dry_before_s == pytest.approx(6 * 3600 + 0.001)
    assert second.storm.complete


def test_a_storm_that_may_go_on_is_marked_and_is_over_once_the_gap_has_passed(tmp_path: Path) -> None:
    rows = [tips("2026-02-10T00:00", 1), tips("2026-02-10T01:00", 1)]
    (going_on,) = storms_of(tmp_path / "a", rows, "2026-02-10T07:00").storms
    assert not going_on.storm.complete
    (over,) = storms_of(tmp_path / "b", rows, "2026-02-10T07:00:00.001").storms
    assert over.storm.complete


def test_least_leaves_small_storms_out_but_not_out_of_the_dry_time(tmp_path: Path) -> None:
    rows = [tips("2026-02-01T00:00", 50), tips("2026-02-03T00:00", 1), tips("2026-02-04T00:00", 50)]
    big = storms_of(tmp_path, rows, "2026-02-05T00:00", least_mm=5)
    assert [line.storm.rain_mm for line in big.storms] == [pytest.approx(10), pytest.approx(10)]
    assert big.storms[1].dry_before_s == 86_400
    assert big.total_mm == pytest.approx(20)


def test_since_leaves_earlier_storms_out(tmp_path: Path) -> None:
    rows = [tips("2026-02-01T00:00", 5), tips("2026-02-04T00:00", 7)]
    late = storms_of(tmp_path, rows, "2026-02-05T00:00", since_ms=ms("2026-02-02T00:00"))
    assert [line.storm.tips for line in late.storms] == [7]


def test_a_storm_through_which_the_gauge_was_stuck_has_no_upper_end(tmp_path: Path) -> None:
    rows = [tips("2026-02-10T00:00", 5), tips("2026-02-10T01:00", None, Quality.STUCK), tips("2026-02-10T02:00", 5)]
    (line,) = storms_of(tmp_path, rows, "2026-02-11T00:00").storms
    assert line.is_at_least
    assert line.rain_high_mm is None
    assert line.rain_low_mm < 2.0


def test_a_storm_is_as_uncertain_as_two_part_filled_buckets(tmp_path: Path) -> None:
    (line,) = storms_of(tmp_path, [tips("2026-02-10T00:00", 50)], "2026-02-11T00:00").storms
    # Two residues, each even over one bucket: 0.2 mm / sqrt 6, the calibration being exact here.
    assert line.storm.rain_u_mm == pytest.approx(0.2 / 6**0.5)
    assert line.rain_high_mm == pytest.approx(10 + 1.96 * 0.2 / 6**0.5)


def test_without_a_gauge_the_settings_are_named(tmp_path: Path) -> None:
    text = SETTINGS.replace('[rain]\ngauge = "gauge"\n', "")
    with pytest.raises(RainsteadError, match=r"\[rain\]"):
        days_of(tmp_path, [tips("2026-02-10T00:00", 5)], "2026-02-11T00:00", 1, text)
