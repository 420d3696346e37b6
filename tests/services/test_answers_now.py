"""How everything stands, by figures worked out by hand."""

import math
from pathlib import Path

import pytest
from desk_site import SETTINGS, Raw, level, make_site, ms, pulses, tips

from rainstead.answers import NowAnswer, now
from rainstead.log import LogReader
from rainstead.readings import Quality
from rainstead.settings import parse_settings

NOON = "2026-02-10T12:00"


def ask(folder: Path, rows: list[Raw], as_of: str, text: str = SETTINGS) -> NowAnswer:
    make_site(folder, rows, text=text)
    with LogReader(folder) as reader:
        return now(parse_settings(text, "site.toml"), reader, ms(as_of))


def both(when: str, east_mm: float = 1500, west_mm: float = 2000) -> list[Raw]:
    """1 m and 0.5 m of depth: 2000 L and 1000 L."""
    return [level(when, "east_level", east_mm), level(when, "west_level", west_mm)]


def test_litres_freeboard_and_usable_are_those_of_the_hand_worked_tank(tmp_path: Path) -> None:
    answer = ask(tmp_path, both(NOON), NOON)
    east = {tank.name: tank for tank in answer.tanks}["east"]
    assert east.state == "measured" and east.because is None
    assert east.volume_l == pytest.approx(2000)
    assert east.freeboard_l == pytest.approx(2000)
    assert east.usable_l == pytest.approx(1800)
    assert east.capacity_l == pytest.approx(4000)
    assert east.full_ratio == pytest.approx(0.5)
    assert east.age_s == 0


def test_the_interval_is_two_standard_uncertainties_either_side(tmp_path: Path) -> None:
    east = {tank.name: tank for tank in ask(tmp_path, both(NOON), NOON).tanks}["east"]
    assert east.volume_l and east.volume_u_l and east.volume_low_l and east.volume_high_l
    # Face and range 3 mm each, resolution 1 mm / sqrt 12, and 8 K of unknown air at half a thousandth a kelvin and
    # more over a gap of 1.5 m (dry air, speed in proportion to the root of the absolute temperature).
    sound_m = 1.5 * 8 / (2 * 293.15)
    u_m = math.sqrt(0.003**2 + 0.003**2 + 0.001**2 / 12 + sound_m**2)
    assert east.volume_u_l == pytest.approx(2000 * u_m, rel=0.02)
    assert east.volume_high_l - east.volume_l == pytest.approx(1.96 * east.volume_u_l)
    assert east.volume_l - east.volume_low_l == pytest.approx(1.96 * east.volume_u_l)


def test_tanks_come_in_the_order_of_the_settings_and_one_without_sensor_says_so(tmp_path: Path) -> None:
    answer = ask(tmp_path, both(NOON), NOON)
    assert [(tank.name, tank.state) for tank in answer.tanks] == [
        ("east", "measured"),
        ("west", "measured"),
        ("spare", "no_sensor"),
    ]
    assert answer.total.volume_l == pytest.approx(3000)
    assert answer.total.tanks == ("east", "west")


def test_a_level_older_than_three_periods_is_last_known_and_not_present(tmp_path: Path) -> None:
    # 3 × 60 s, and 13 s that the log may lag.
    rows = both(NOON)
    assert ask(tmp_path / "fresh", rows, "2026-02-10T12:03:13").tanks[0].state == "measured"
    old = ask(tmp_path / "old", rows, "2026-02-10T12:03:14")
    assert old.tanks[0].state == "last_known"
    assert old.tanks[0].because == "nothing newer is in the log"
    assert old.tanks[0].age_s == 194
    assert old.last_reading_is_old
    assert old.total.is_old
    assert old.reserve is not None and old.reserve.is_old


def test_a_blanked_ranger_is_a_bound_at_the_brim(tmp_path: Path) -> None:
    rows = [*both(NOON), level("2026-02-10T12:01", "east_level", 200, Quality.BLANKED)]
    answer = ask(tmp_path, rows, "2026-02-10T12:01")
    east = answer.tanks[0]
    assert (east.state, east.is_at_least) == ("at_least_brim", True)
    assert east.volume_l == pytest.approx(4000)
    assert east.volume_high_l is None
    assert east.freeboard_l == 0
    assert answer.total.is_at_least and answer.total.volume_high_l is None
    assert answer.reserve is not None and answer.reserve.is_at_least


def test_a_tank_without_any_good_reading_is_unknown_and_so_is_the_total(tmp_path: Path) -> None:
    rows = [level(NOON, "east_level", 1500), level(NOON, "west_level", None, Quality.NO_ECHO)]
    answer = ask(tmp_path, rows, NOON)
    west = answer.tanks[1]
    assert (west.state, west.volume_l, west.because) == ("unknown", None, "west_level: no echo")
    assert answer.total.volume_l is None
    assert answer.total.known_l == pytest.approx(2000)
    assert answer.total.unknown_tanks == ("west",)
    assert answer.reserve is not None
    assert answer.reserve.usable_l is None
    assert answer.reserve.because == "west: west_level: no echo"


def test_a_ranger_that_fails_after_good_readings_leaves_a_last_known_level_with_its_reason(tmp_path: Path) -> None:
    rows = both(NOON)
    rows += [level(f"2026-02-10T12:{minute:02d}", "east_level", None, Quality.GARBLED) for minute in range(1, 11)]
    east = ask(tmp_path, rows, "2026-02-10T12:10").tanks[0]
    assert (east.state, east.age_s) == ("last_known", 600)
    assert east.volume_l == pytest.approx(2000)
    assert east.because == "east_level: bytes come but no frame among them"


def test_a_ragged_burst_is_no_level(tmp_path: Path) -> None:
    rows = [*both(NOON), level("2026-02-10T12:01", "east_level", 700.0, Quality.NOISY)]
    east = ask(tmp_path / "one", rows, "2026-02-10T12:01").tanks[0]
    assert (east.state, east.age_s) == ("measured", 60)
    assert east.volume_l == pytest.approx(2000)
    rows += [level(f"2026-02-10T12:{minute:02d}", "east_level", 700.0, Quality.NOISY) for minute in range(2, 11)]
    east = ask(tmp_path / "many", rows, "2026-02-10T12:10").tanks[0]
    assert east.state == "last_known"
    assert east.volume_l == pytest.approx(2000)
    assert east.because == "east_level: its echoes are too ragged"


def test_reserve_sets_usable_litres_against_the_fire_reserve(tmp_path: Path) -> None:
    reserve = ask(tmp_path, both(NOON), NOON).reserve
    assert reserve is not None
    # (1.0 - 0.1) m and (0.5 - 0.1) m of usable depth: 1800 L and 800 L.
    assert reserve.usable_l == pytest.approx(2600)
    assert reserve.above_l == pytest.approx(1100)


def test_as_of_knows_nothing_of_what_came_later(tmp_path: Path) -> None:
    rows = [*both(NOON), *both("2026-02-10T12:01", east_mm=1000)]
    before = ask(tmp_path / "a", rows, "2026-02-10T12:00:59.999")
    assert before.tanks[0].volume_l == pytest.approx(2000)
    assert before.last_reading_ms == ms(NOON)
    after = ask(tmp_path / "b", rows, "2026-02-10T12:01")
    assert after.tanks[0].volume_l == pytest.approx(3000)


def test_before_the_first_reading_everything_is_unknown(tmp_path: Path) -> None:
    answer = ask(tmp_path, both(NOON), "2026-02-10T11:00")
    assert answer.last_reading_ms is None
    assert {tank.state for tank in answer.tanks} == {"unknown", "no_sensor"}
    assert answer.flow is not None and answer.flow.flow_l_min is None
    assert answer.rain is not None and answer.rain.is_at_least


def test_rain_of_the_rain_day_of_the_hour_and_the_open_storm(tmp_path: Path) -> None:
    # The rain day begins at 09:00 Lisbon, which is UTC in February.
    rows = [tips("2026-02-10T08:59", 5), tips("2026-02-10T10:00", 3), tips("2026-02-10T11:30", 2), *both(NOON)]
    rain = ask(tmp_path, rows, NOON).rain
    assert rain is not None
    assert rain.rain_day_ends_on == "2026-02-11"
    assert rain.rain_day_mm == pytest.approx(1.0)
    assert rain.last_hour_mm == pytest.approx(0.4)
    assert not rain.is_at_least
    assert rain.storm is not None
    assert (rain.storm.start_ms, rain.storm.tips, rain.storm.complete) == (ms("2026-02-10T08:59"), 10, False)


def test_intensity_falls_with_the_time_since_the_last_tip(tmp_path: Path) -> None:
    rows = [tips("2026-02-10T11:00", 1), tips("2026-02-10T11:01", 1), *both(NOON)]
    rain = ask(tmp_path, rows, NOON).rain
    assert rain is not None
    # 0.2 mm in a minute was 12 mm/h; since then less than one tip in 59 minutes.
    assert rain.intensity_mm_h == pytest.approx(0.2 * 60 / 59)


def test_a_stuck_gauge_makes_rain_a_lower_bound(tmp_path: Path) -> None:
    rows = [tips("2026-02-10T11:00", 4), tips("2026-02-10T11:30", None, Quality.STUCK), *both(NOON)]
    answer = ask(tmp_path, rows, NOON)
    assert answer.rain is not None and answer.rain.is_at_least
    assert answer.rain.because == "its switch stays closed"
    gauge = {sensor.name: sensor for sensor in answer.sensors}["gauge"]
    assert (gauge.state, gauge.is_in_trouble) == ("stuck", True)


def test_flow_is_that_of_the_newest_report_and_nought_once_it_is_over(tmp_path: Path) -> None:
    # 100 pulses a litre: 50 pulses in a second are 30 L/min.
    rows = [pulses("2026-02-10T12:00:00", 0), pulses("2026-02-10T12:00:01", 50), *both("2026-02-10T12:00:00")]
    running = ask(tmp_path / "a", rows, "2026-02-10T12:00:02").flow
    assert running is not None and running.run is not None
    assert running.flow_l_min == pytest.approx(30)
    assert running.run.volume_l == pytest.approx(0.5)
    over = ask(tmp_path / "b", rows, "2026-02-10T12:02:00").flow
    assert over is not None and (over.flow_l_min, over.run) == (0.0, None)


def test_flow_of_a_log_that_has_ended_is_unknown_and_not_nought(tmp_path: Path) -> None:
    rows = [pulses("2026-02-10T12:00:00", 0), pulses("2026-02-10T12:00:01", 50), *both("2026-02-10T12:00:00")]
    flow = ask(tmp_path, rows, "2026-02-10T18:00").flow
    assert flow is not None
    assert (flow.flow_l_min, flow.because) == (None, "nothing newer is in the log")


def test_an_active_alarm_stands_with_its_reason(tmp_path: Path) -> None:
    # 600 mm of range is 1.9 m of depth: 200 L short of the brim, which is at the limit.
    answer = ask(tmp_path, both(NOON, east_mm=600), NOON)
    active = [(one.alarm, one.subject, one.since_ms) for one in answer.alarms if one.state != "normal"]
    assert active == [("overflow_risk", "east", ms(NOON))]
    assert len(answer.alarms) == 3


def test_sensors_in_trouble_say_why(tmp_path: Path) -> None:
    rows = [level(NOON, "east_level", 1500)]
    sensors = {one.name: one for one in ask(tmp_path, rows, NOON).sensors}
    assert (sensors["east_level"].state, sensors["east_level"].is_in_trouble) == ("ok", False)
    assert (sensors["west_level"].state, sensors["west_level"].is_in_trouble) == ("never", True)
    assert not sensors["gauge"].is_in_trouble
