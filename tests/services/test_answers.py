"""The answers on small logs, against figures worked out by hand beside each check."""

import json
from math import pi, sqrt
from pathlib import Path
from typing import Any

import pytest
from small_site import SETTINGS, Row, make_site, utc_ms

from rainstead import answers
from rainstead.log import LogReader
from rainstead.readings import Quality
from rainstead.settings import parse_settings


def ask(site: Path, what: str, as_of: str, **options: Any) -> Any:
    settings = parse_settings((site / "site.toml").read_text(encoding="utf-8"), "site.toml")
    with LogReader(site) as reader:
        return getattr(answers, what)(settings, reader, utc_ms(as_of), **options)


def levels(site: Path, as_of: str) -> dict[str, answers.TankLevel]:
    return {level.name: level for level in ask(site, "now", as_of).tanks}


def as_json(answer: answers.Answer) -> str:
    """Raises ValueError where a NaN would get out."""
    return json.dumps(answers.to_plain(answer), allow_nan=False)


# --- tanks ---------------------------------------------------------------------------------------------------------


def test_litres_freeboard_and_usable_of_a_cylinder_two_metres_across(tmp_path: Path) -> None:
    site = make_site(tmp_path, [("2026-03-10T10:00:00", "house_level", 1500)])
    house = levels(site, "2026-03-10T10:00:30")["house"]
    # 2.5 m less 1.5 m is 1 m of water, on pi square metres; brim at 2 m, outlet at 0.1 m.
    assert house.state == "measured" and house.because is None and not house.is_at_least
    assert house.depth_m == pytest.approx(1.0)
    assert house.volume_l == pytest.approx(1000 * pi)
    assert house.capacity_l == pytest.approx(2000 * pi)
    assert house.full_ratio == pytest.approx(0.5)
    assert house.freeboard_l == pytest.approx(1000 * pi)
    assert house.usable_l == pytest.approx(900 * pi)
    assert house.age_s == 30
    # Face 3 mm, range 3 mm, one millimetre's resolution, 8 K of unknown air over a 1.5 m gap; 2 % of the litres.
    depth_u_m = sqrt(0.003**2 + 0.003**2 + 0.001**2 / 12 + (1.5 * 8 / (2 * 293.15)) ** 2)
    assert house.depth_u_m == pytest.approx(depth_u_m)
    assert house.volume_u_l == pytest.approx(1000 * pi * sqrt(depth_u_m**2 + 0.02**2))
    assert house.volume_high_l == pytest.approx(1000 * pi * (1 + 1.96 * sqrt(depth_u_m**2 + 0.02**2)))


def test_the_reserve_is_the_usable_water_of_its_tanks_against_the_fire_reserve(tmp_path: Path) -> None:
    site = make_site(
        tmp_path, [("2026-03-10T10:00:00", "house_level", 1500), ("2026-03-10T10:00:00", "pool_level", 900)]
    )
    answer = ask(site, "now", "2026-03-10T10:00:30")
    # House 900 pi; pool 0.6 m on 10 m2, less 0.05 m below its outlet: 5500.
    assert answer.reserve.usable_l == pytest.approx(900 * pi + 5500)
    assert answer.reserve.above_l == pytest.approx(900 * pi + 5500 - 6000)
    assert answer.reserve.because is None and not answer.reserve.is_old
    assert answer.total.volume_l == pytest.approx(1000 * pi + 6000)
    assert answer.total.tanks == ("house", "pool") and answer.total.unknown_tanks == ()


def test_water_too_near_to_be_seen_shows_as_at_least_the_brim(tmp_path: Path) -> None:
    site = make_site(
        tmp_path,
        [
            ("2026-03-10T10:00:00", "house_level", 1500),
            ("2026-03-10T10:00:00", "pool_level", 900),
            ("2026-03-10T10:01:00", "house_level", 250, Quality.BLANKED),
        ],
    )
    answer = ask(site, "now", "2026-03-10T10:01:10")
    house = answer.tanks[0]
    assert (house.state, house.is_at_least, house.freeboard_l) == ("at_least_brim", True, 0.0)
    assert house.volume_l == house.volume_low_l == pytest.approx(2000 * pi)
    assert house.volume_u_l is None and house.volume_high_l is None
    assert answer.total.is_at_least and answer.total.volume_high_l is None
    assert answer.reserve.is_at_least


def test_old_water_says_how_old_it_is_and_why(tmp_path: Path) -> None:
    site = make_site(tmp_path, [("2026-03-10T10:00:00", "house_level", 1500)])
    # A reading a minute: old after three of them, ten seconds of commit and three held back: 193 s.
    assert levels(site, "2026-03-10T10:03:13")["house"].state == "measured"
    house = levels(site, "2026-03-10T10:03:14")["house"]
    assert (house.state, house.age_s, house.because) == ("last_known", 194.0, "nothing newer is in the log")
    assert house.volume_l == pytest.approx(1000 * pi)
    answer = ask(site, "now", "2026-03-12T10:00:00")
    assert answer.last_reading_is_old and answer.last_reading_age_s == 2 * 86_400
    assert answer.total.is_old
    assert answer.reserve.is_old


def test_a_sensor_that_hears_nothing_keeps_the_last_level_only_as_an_old_one(tmp_path: Path) -> None:
    rows: list[Row] = [("2026-03-10T10:00:00", "house_level", 1500)]
    rows += [(f"2026-03-10T10:0{k}:00", "house_level", None, Quality.NO_ECHO) for k in range(1, 9)]
    house = levels(make_site(tmp_path, rows), "2026-03-10T10:08:10")["house"]
    assert (house.state, house.because, house.age_s) == ("last_known", "house_level: no echo", 490.0)


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        ([("2026-03-10T10:00:00", "shed_air", 15.0)], "the log has no reading of house_level"),
        ([("2026-03-10T10:00:00", "house_level", None, Quality.GARBLED)], "house_level: bytes come but no frame"),
        ([("2026-03-10T09:00:00", "house_level", None, Quality.ABSENT)], "nothing newer is in the log"),
    ],
)
def test_unknown_water_says_why_and_is_never_a_number(tmp_path: Path, rows: list[Row], why: str) -> None:
    answer = ask(make_site(tmp_path, rows), "now", "2026-03-10T10:00:10")
    house = answer.tanks[0]
    assert house.state == "unknown" and why in house.because
    assert house.volume_l is None and house.freeboard_l is None and house.usable_l is None
    assert answer.total.volume_l is None and "house" in answer.total.unknown_tanks
    assert answer.reserve.usable_l is None and answer.reserve.above_l is None and why in answer.reserve.because
    as_json(answer)


def test_an_empty_log_answers_every_question_without_a_number_that_is_none(tmp_path: Path) -> None:
    site = make_site(tmp_path, [])
    for what in ("now", "tanks", "rain", "storms", "pump", "alarms"):
        answer = ask(site, what, "2026-03-10T10:00:00")
        assert answer.last_reading_ms is None and answer.last_reading_is_old is None
        as_json(answer)


def test_an_earlier_time_is_answered_from_what_was_there_then(tmp_path: Path) -> None:
    site = make_site(
        tmp_path,
        [
            ("2026-03-10T10:00:00", "house_level", 1500),
            ("2026-03-10T10:01:00", "house_level", 550),
            ("2026-03-10T10:02:00", "house_level", 1400),
        ],
    )
    assert levels(site, "2026-03-10T09:59:59")["house"].state == "unknown"
    assert levels(site, "2026-03-10T10:00:59")["house"].volume_l == pytest.approx(1000 * pi)
    assert levels(site, "2026-03-10T10:01:00")["house"].volume_l == pytest.approx(1950 * pi)
    assert levels(site, "2026-03-10T10:02:00")["house"].volume_l == pytest.approx(1100 * pi)
    # 0.05 m below the brim is 157 L of freeboard, under the limit of 300; 0.9 m clears it.
    states = [
        (len(ask(site, "alarms", as_of).events), ask(site, "now", as_of).alarms[0].state)
        for as_of in ("2026-03-10T10:00:59", "2026-03-10T10:01:00", "2026-03-10T10:02:00")
    ]
    assert states == [(0, "normal"), (1, "active_unacknowledged"), (2, "normal")]
    raised = ask(site, "alarms", "2026-03-10T10:01:30").events[0]
    assert (raised.alarm, raised.subject, raised.limit, raised.unit) == ("overflow_risk", "house", 300.0, "L")
    assert raised.value == pytest.approx(50 * pi)


def test_a_tank_in_days_has_its_least_most_and_last_litres(tmp_path: Path) -> None:
    site = make_site(
        tmp_path,
        [
            ("2026-06-01T22:59:00", "house_level", 1500),  # summer time: still the first of June
            ("2026-06-01T23:00:00", "house_level", 1400),
            ("2026-06-02T10:00:00", "house_level", 1200),
            ("2026-06-02T11:00:00", "house_level", 1300),
        ],
    )
    (house,) = ask(site, "tanks", "2026-06-03T10:00:00", only="house", days=3).tanks
    assert [(day.day, day.readings) for day in house.days] == [("2026-06-01", 1), ("2026-06-02", 3), ("2026-06-03", 0)]
    assert house.days[1].volume_min_l == pytest.approx(1100 * pi)
    assert house.days[1].volume_max_l == pytest.approx(1300 * pi)
    assert house.days[1].volume_last_l == pytest.approx(1200 * pi)
    assert house.days[2].volume_last_l is None
    assert (house.air_c, house.air_is_assumed) == (20.0, True)
    assert house.dead_storage_l == pytest.approx(100 * pi)


# --- rain ----------------------------------------------------------------------------------------------------------

HOUR_MS = 3_600_000


@pytest.mark.parametrize(
    ("clock", "as_of", "hours", "first", "last"),
    [
        # Winter time ends on 2026-03-29 at 01:00 UTC, summer time on 2026-10-25 at 01:00 UTC (EU directive 2000/84).
        ("local", "2026-03-30T07:00:00", (24, 23, 24), "2026-03-27T09:00:00", "2026-03-30T08:00:00"),
        ("standard", "2026-03-30T07:00:00", (24, 24, 24), "2026-03-27T09:00:00", "2026-03-30T09:00:00"),
        ("local", "2026-10-26T07:00:00", (24, 25, 24), "2026-10-23T08:00:00", "2026-10-26T09:00:00"),
        ("standard", "2026-10-26T07:00:00", (24, 24, 24), "2026-10-23T09:00:00", "2026-10-26T09:00:00"),
    ],
)
def test_rain_days_keep_their_hour_or_their_length_when_clocks_change(
    tmp_path: Path, clock: str, as_of: str, hours: tuple[int, ...], first: str, last: str
) -> None:
    text = SETTINGS.replace('rain_day_clock = "local"', f'rain_day_clock = "{clock}"')
    days = ask(make_site(tmp_path, [], text), "rain", as_of, days=3).days
    assert tuple((day.end_ms - day.start_ms) // HOUR_MS for day in days) == hours
    assert days[0].start_ms == utc_ms(first) and days[-1].end_ms == utc_ms(last)
    assert [before.end_ms for before in days[:-1]] == [after.start_ms for after in days[1:]]


@pytest.mark.parametrize(("clock", "tips"), [("local", (1, 2, 3)), ("standard", (1, 4, 1))])
def test_tips_about_a_rain_days_end_fall_to_the_day_that_it_ends(
    tmp_path: Path, clock: str, tips: tuple[int, ...]
) -> None:
    text = SETTINGS.replace('rain_day_clock = "local"', f'rain_day_clock = "{clock}"')
    site = make_site(
        tmp_path,
        [
            ("2026-03-28T09:00:00", "gauge", 1),  # 09:00 in winter: the very end of the day before
            ("2026-03-28T09:00:01", "gauge", 1),
            ("2026-03-29T08:00:00", "gauge", 1),  # 09:00 in summer
            ("2026-03-29T08:00:01", "gauge", 2),
            ("2026-03-29T09:00:01", "gauge", 1),
        ],
        text,
    )
    answer = ask(site, "rain", "2026-03-30T07:00:00", days=3)
    assert [(day.ends_on, day.tips) for day in answer.days] == list(
        zip(("2026-03-28", "2026-03-29", "2026-03-30"), tips, strict=True)
    )
    assert [day.rain_mm for day in answer.days] == [pytest.approx(0.25 * count) for count in tips]
    assert answer.total_mm == pytest.approx(1.5)
    assert [(month.month, month.days_with_readings) for month in answer.months] == [("2026-03", 3)]


def test_a_day_of_which_the_gauge_said_nothing_is_unknown_and_one_it_could_not_count_a_bound(tmp_path: Path) -> None:
    site = make_site(
        tmp_path,
        [
            ("2026-03-10T12:00:00", "gauge", 0),
            ("2026-03-12T12:00:00", "gauge", 3),
            ("2026-03-12T13:00:00", "gauge", None, Quality.STUCK),
        ],
    )
    days = ask(site, "rain", "2026-03-13T08:00:00", days=3).days
    assert [(day.rain_mm, day.is_at_least) for day in days] == [(0.0, False), (None, False), (0.75, True)]


def test_storms_are_parted_by_a_dry_gap_longer_than_six_hours(tmp_path: Path) -> None:
    site = make_site(
        tmp_path,
        [
            ("2026-03-10T00:00:00", "gauge", 1),
            ("2026-03-10T06:00:00", "gauge", 3),  # exactly six hours: still the same storm
            ("2026-03-10T12:00:01", "gauge", 2),
            ("2026-03-10T12:30:01", "gauge", 2),
        ],
    )
    answer = ask(site, "storms", "2026-03-10T13:00:00")
    first, second = answer.storms
    assert (first.storm.tips, first.storm.rain_mm, first.storm.complete) == (4, 1.0, True)
    assert (first.duration_s, first.dry_before_s) == (21_600.0, None)
    assert (second.storm.tips, second.storm.rain_mm, second.storm.complete) == (4, 1.0, False)
    assert (second.duration_s, second.dry_before_s) == (1800.0, 21_601.0)
    # Half a bucket unknown at each end, 0.25 / sqrt 6, and 2 % of 1 mm.
    assert first.storm.rain_u_mm == pytest.approx(sqrt(0.25**2 / 6 + 0.02**2))
    assert answer.total_mm == 2.0
    assert ask(site, "storms", "2026-03-10T18:30:02").storms[1].storm.complete
    assert [line.storm.tips for line in ask(site, "storms", "2026-03-10T05:00:00").storms] == [1]
    now = ask(site, "now", "2026-03-10T13:00:00").rain
    assert now.storm.rain_mm == 1.0 and now.last_hour_mm == 1.0


# --- pump ----------------------------------------------------------------------------------------------------------


def test_a_pump_run_has_litres_minutes_and_litres_a_minute(tmp_path: Path) -> None:
    rows: list[Row] = [("2026-03-10T10:00:00", "meter", 0)]
    rows += [(f"2026-03-10T10:0{k // 6}:{k % 6}0", "meter", 800) for k in range(1, 13)]
    rows += [
        ("2026-03-10T10:02:10", "meter", 0),
        ("2026-03-10T11:00:00", "meter", 0),
        ("2026-03-10T11:00:10", "meter", 400),
    ]
    site = make_site(tmp_path, rows)
    first, second = ask(site, "pump", "2026-03-10T11:00:12").runs
    # 12 reports of 800 pulses at 400 a litre are 24 L, from 10:00:00 to 10:02:00; fuel at 1.2 L/h is 0.04 L.
    assert (first.run.pulses, first.duration_s, first.run.complete) == (9600, 120.0, True)
    assert first.run.volume_l == pytest.approx(24.0)
    assert first.run.flow_l_min == pytest.approx(12.0)
    assert first.fuel_estimate_l == pytest.approx(0.04)
    assert (second.run.volume_l, second.run.flow_l_min, second.run.complete) == (1.0, pytest.approx(6.0), False)
    now = ask(site, "now", "2026-03-10T11:00:12").flow
    assert now.flow_l_min == pytest.approx(6.0) and now.run.volume_l == 1.0
    assert [line.run.volume_l for line in ask(site, "pump", "2026-03-10T10:01:00").runs] == [pytest.approx(12.0)]
    late = ask(site, "pump", "2026-03-10T12:00:00", since_ms=utc_ms("2026-03-10T10:30:00"))
    assert [line.run.complete for line in late.runs] == [True] and late.total_l == pytest.approx(1.0)


def test_a_run_of_one_report_has_litres_but_no_flow(tmp_path: Path) -> None:
    site = make_site(tmp_path, [("2026-03-10T10:00:00", "meter", 400)])
    (line,) = json.loads(as_json(ask(site, "pump", "2026-03-10T10:00:01")))["runs"]
    assert (line["run"]["volume_l"], line["run"]["flow_l_min"], line["run"]["flow_u_l_min"]) == (1.0, None, None)
    assert json.loads(as_json(ask(site, "now", "2026-03-10T10:00:01")))["flow"]["flow_l_min"] is None


# --- replay --------------------------------------------------------------------------------------------------------


def test_other_settings_tell_litres_and_alarms_apart(tmp_path: Path) -> None:
    site = make_site(
        tmp_path, [("2026-03-10T10:00:00", "house_level", 550), ("2026-03-10T10:01:00", "house_level", 1500)]
    )
    other = parse_settings(SETTINGS.replace("diameter = 2.0", "diameter = 4.0"), "other.toml")
    answer = ask(site, "replay_log", "2026-03-10T10:02:00", other=other, other_name="other.toml")
    house = next(tank for tank in answer.tanks if tank.tank == "house")
    # Twice as wide is four times the water: 157 L of freeboard would have been 628, which raises nothing.
    assert house.last_l == pytest.approx(1000 * pi) and house.other_last_l == pytest.approx(4000 * pi)
    assert house.largest_difference_l == pytest.approx(3 * 1950 * pi)
    assert house.largest_difference_ms == utc_ms("2026-03-10T10:00:00")
    assert [(d.side, d.event.subject, d.event.state) for d in answer.events] == [
        ("here", "house", "active_unacknowledged"),
        ("here", "house", "normal"),
    ]
    assert not answer.is_identical
