"""Tanks by the day, pump runs, alarms, times as typed, and replay, by figures worked out by hand."""

import json
from pathlib import Path

import pytest
from desk_site import SETTINGS, Raw, level, make_site, ms, pulses, tips

from rainstead import answers
from rainstead.answers import ReplayAnswer, read_time_ms, to_plain
from rainstead.errors import RainsteadError
from rainstead.log import LogReader
from rainstead.readings import Quality
from rainstead.settings import parse_settings

HERE = parse_settings(SETTINGS, "site.toml")


# --- tanks -----------------------------------------------------------------------------------------------------


def test_days_of_a_tank_have_least_most_and_last_litres(tmp_path: Path) -> None:
    rows = [
        level("2026-02-09T10:00", "east_level", 1500),
        level("2026-02-09T11:00", "east_level", 1000),
        level("2026-02-09T12:00", "east_level", 1200),
        level("2026-02-10T00:00", "east_level", 2000),
        level("2026-02-10T01:00", "east_level", 1, Quality.NO_ECHO),
    ]
    make_site(tmp_path, rows)
    with LogReader(tmp_path) as reader:
        (tank,) = answers.tanks(HERE, reader, ms("2026-02-11T12:00"), only="east", days=3).tanks
    told = [(d.day, d.volume_min_l, d.volume_max_l, d.volume_last_l, d.readings) for d in tank.days]
    assert told == [
        ("2026-02-09", pytest.approx(2000), pytest.approx(3000), pytest.approx(2600), 3),
        ("2026-02-10", pytest.approx(1000), pytest.approx(1000), pytest.approx(1000), 1),
        ("2026-02-11", None, None, None, 0),
    ]


def test_a_single_spike_does_not_make_the_day_s_most(tmp_path: Path) -> None:
    text = SETTINGS.replace("median_of = 1", "median_of = 5")
    rows = [level(f"2026-02-09T10:{minute:02d}", "east_level", 1500) for minute in range(30)]
    rows[15] = level("2026-02-09T10:15", "east_level", 700)
    make_site(tmp_path, rows, text=text)
    settings = parse_settings(text, "site.toml")
    with LogReader(tmp_path) as reader:
        (tank,) = answers.tanks(settings, reader, ms("2026-02-09T12:00"), only="east", days=1).tanks
    assert tank.days[0].volume_max_l == pytest.approx(2000)


def test_the_calibration_in_force_is_the_one_of_the_reading_s_time(tmp_path: Path) -> None:
    text = SETTINGS.replace(
        'calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m", volume_u_ratio = 0.0 }]',
        'calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m", volume_u_ratio = 0.0 },'
        '{ from = 2026-02-10, shape = "cuboid", length = "3 m", width = "1 m", volume_u_ratio = 0.0 }]',
        1,
    )
    make_site(
        tmp_path,
        [level("2026-02-09T12:00", "east_level", 1500), level("2026-02-10T12:00", "east_level", 1500)],
        text=text,
    )
    settings = parse_settings(text, "site.toml")
    with LogReader(tmp_path) as reader:
        (before,) = answers.tanks(settings, reader, ms("2026-02-09T12:00"), only="east").tanks
        (after,) = answers.tanks(settings, reader, ms("2026-02-10T12:00"), only="east").tanks
    assert before.level.volume_l == pytest.approx(2000)
    assert before.calibration is not None and before.calibration.from_ms is None
    assert after.level.volume_l == pytest.approx(3000)
    assert after.calibration is not None and after.calibration.from_ms == ms("2026-02-10T00:00")
    assert after.calibration.described == "3.00 m by 1.00 m"
    assert after.dead_storage_l == pytest.approx(300)


def test_air_is_the_probe_s_where_it_spoke_and_assumed_where_it_did_not(tmp_path: Path) -> None:
    make_site(tmp_path, [level("2026-02-09T12:00", "east_level", 1500)])
    with LogReader(tmp_path) as reader:
        (tank,) = answers.tanks(HERE, reader, ms("2026-02-09T12:00"), only="east").tanks
    assert (tank.air_c, tank.air_is_assumed) == (20.0, True)


def test_a_misspelt_tank_gets_the_nearest_name(tmp_path: Path) -> None:
    make_site(tmp_path, [level("2026-02-09T12:00", "east_level", 1500)])
    with LogReader(tmp_path) as reader, pytest.raises(RainsteadError) as refused:
        answers.tanks(HERE, reader, ms("2026-02-09T12:00"), only="eas")
    assert str(refused.value) == "there is no tank 'eas'; did you mean east? The tanks are: east, spare, west"


# --- pump ------------------------------------------------------------------------------------------------------


def test_a_pump_run_has_its_litres_flow_and_estimated_fuel(tmp_path: Path) -> None:
    # 100 pulses a litre; 1000 pulses every 10 s for ten minutes: 60 L/min, 600 L.
    rows = [pulses("2026-02-10T12:00:00", 0)]
    rows += [pulses(f"2026-02-10T12:{s // 60:02d}:{s % 60:02d}", 1000) for s in range(10, 601, 10)]
    make_site(tmp_path, rows)
    with LogReader(tmp_path) as reader:
        answer = answers.pump(HERE, reader, ms("2026-02-10T13:00"))
    (line,) = answer.runs
    assert line.run.start_ms == ms("2026-02-10T12:00:00")
    assert line.run.end_ms == ms("2026-02-10T12:10:00")
    assert line.duration_s == 600
    assert line.run.pulses == 60_000
    assert line.run.volume_l == pytest.approx(600)
    assert line.run.flow_l_min == pytest.approx(60)
    # 1.2 L/h for ten minutes.
    assert line.fuel_estimate_l == pytest.approx(0.2)
    assert line.run.complete
    assert answer.total_l == pytest.approx(600)


def test_a_pump_run_that_goes_on_is_marked(tmp_path: Path) -> None:
    make_site(tmp_path, [pulses("2026-02-10T12:00:00", 0), pulses("2026-02-10T12:00:10", 1000)])
    with LogReader(tmp_path) as reader:
        (line,) = answers.pump(HERE, reader, ms("2026-02-10T12:00:40")).runs
        assert not line.run.complete
        (line,) = answers.pump(HERE, reader, ms("2026-02-10T12:00:40.001")).runs
        assert line.run.complete


# --- alarms ----------------------------------------------------------------------------------------------------


def rising_and_falling() -> list[Raw]:
    """Freeboard 400 L, 200 L (at the limit), 298 L (in the deadband), 300 L (clear of it)."""
    return [
        level("2026-02-10T12:00", "east_level", 700),
        level("2026-02-10T12:10", "east_level", 600),
        level("2026-02-10T12:20", "east_level", 649),
        level("2026-02-10T12:30", "east_level", 651),
    ]


def test_alarms_stand_as_their_newest_event_says_and_come_newest_first(tmp_path: Path) -> None:
    make_site(tmp_path, rising_and_falling())
    with LogReader(tmp_path) as reader:
        raised = answers.alarms(HERE, reader, ms("2026-02-10T12:29"))
        cleared = answers.alarms(HERE, reader, ms("2026-02-10T12:30"))
    east = raised.standing[0]
    assert (east.alarm, east.subject, east.state) == ("overflow_risk", "east", "active_unacknowledged")
    assert east.since_ms == ms("2026-02-10T12:10")
    assert cleared.standing[0].state == "normal"
    assert [(e.t_ms, e.state) for e in cleared.events] == [
        (ms("2026-02-10T12:30"), "normal"),
        (ms("2026-02-10T12:10"), "active_unacknowledged"),
    ]


def test_no_more_events_come_than_were_asked_for(tmp_path: Path) -> None:
    make_site(tmp_path, rising_and_falling())
    with LogReader(tmp_path) as reader:
        assert [e.state for e in answers.alarms(HERE, reader, ms("2026-02-11T00:00"), most=1).events] == ["normal"]
        assert answers.alarms(HERE, reader, ms("2026-02-11T00:00"), most=0).events == ()


# --- replay ----------------------------------------------------------------------------------------------------


def replayed(folder: Path, other: str | None = None) -> ReplayAnswer:
    with LogReader(folder) as reader:
        return answers.replay_log(
            HERE,
            reader,
            ms("2026-02-11T00:00"),
            other=None if other is None else parse_settings(other, "other.toml"),
            other_name=None if other is None else "other.toml",
        )


def test_a_replay_by_the_same_settings_finds_the_logged_alarms(tmp_path: Path) -> None:
    answer = replayed(make_site(tmp_path, rising_and_falling()))
    assert answer.is_identical
    assert (answer.readings, answer.events_logged, answer.events_replayed) == (4, 2, 2)


def test_an_event_that_the_log_lacks_is_found_and_told(tmp_path: Path) -> None:
    answer = replayed(make_site(tmp_path, rising_and_falling(), watched=False))
    assert not answer.is_identical
    assert {one.side for one in answer.events} == {"replayed"}
    assert len(answer.events) == 2


def test_other_settings_show_what_would_have_differed(tmp_path: Path) -> None:
    rows = [
        *rising_and_falling(),
        *(tips(f"2026-02-10T0{hour}:00", 5) for hour in range(3)),
        pulses("2026-02-10T12:00:00", 0),
        pulses("2026-02-10T12:00:10", 1000),
    ]
    other = SETTINGS.replace('face_height = "2.5 m"', 'face_height = "2.6 m"', 1)
    other = other.replace('"0.2 mm"', '"0.3 mm"').replace("k_factor_per_l = 100", "k_factor_per_l = 50")
    answer = replayed(make_site(tmp_path, rows), other)
    assert not answer.is_identical
    east = {tank.tank: tank for tank in answer.tanks}["east"]
    # The face 0.1 m higher: 200 L more at every reading.
    assert east.last_l is not None and east.other_last_l == pytest.approx(east.last_l + 200)
    assert east.largest_difference_l == pytest.approx(200)
    totals = {one.what: (one.value, one.other) for one in answer.totals}
    assert totals["rain"] == (3.0, 4.5)
    assert totals["pumped"] == (10.0, 20.0)
    # Already at the limit at noon, and never clear of it again.
    assert [(one.side, one.event.t_ms) for one in answer.events if one.side == "other"] == [
        ("other", ms("2026-02-10T12:00"))
    ]
    assert {one.event.t_ms for one in answer.events if one.side == "here"} == {
        ms("2026-02-10T12:10"),
        ms("2026-02-10T12:30"),
    }


# --- times as typed --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "utc"),
    [
        ("2026-07-01T12:00", "2026-07-01T11:00"),  # Lisbon in summer is an hour ahead
        ("2026-01-01 12:00", "2026-01-01T12:00"),
        ("2026-07-01T12:00Z", "2026-07-01T12:00"),
        ("2026-07-01T12:00+02:00", "2026-07-01T10:00"),
        ("2026-07-01", "2026-07-01T22:59:59.999"),
        ("2025-10-26T01:30", "2025-10-26T00:30"),  # comes twice; the first
    ],
)
def test_times_are_read_with_a_zone_or_in_the_site_s_own(typed: str, utc: str) -> None:
    assert read_time_ms(typed, "Europe/Lisbon", "--as-of") == ms(utc)


@pytest.mark.parametrize(
    "typed", ["yesterday", "2026-13-01", "2026-02-30", "25:00", "", "0001-01-01T00:00+14:00", "9999-12-31"]
)
def test_what_is_no_time_is_refused_with_what_would_do(typed: str) -> None:
    with pytest.raises(RainsteadError, match=r"--as-of .*(write 2026-03-29|between 1900 and 2199)"):
        read_time_ms(typed, "Europe/Lisbon", "--as-of")


# --- plain -----------------------------------------------------------------------------------------------------


def test_json_has_text_beside_every_stamp_and_null_for_what_is_no_number(tmp_path: Path) -> None:
    make_site(tmp_path, [pulses("2026-02-10T12:00:00.250", 500)])
    with LogReader(tmp_path) as reader:
        plain = to_plain(answers.pump(HERE, reader, ms("2026-02-10T12:00:01")))
    run = plain["runs"][0]["run"]
    assert run["end_utc"] == "2026-02-10T12:00:00.250Z"
    # One row has no interval before it: the run has no length, so its flow is not a number.
    assert run["flow_l_min"] is None
    assert plain["as_of_utc"] == "2026-02-10T12:00:01Z"
    json.dumps(plain, allow_nan=False)
