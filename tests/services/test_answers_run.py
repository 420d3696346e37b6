"""A pump run's sheet and the defence plan of a hand-worked site."""

from collections.abc import Sequence
from pathlib import Path

import pytest
from desk_site import Raw, ms, tips
from pumped_site import PUMPED, Ran, pumped_site

from rainstead import answers
from rainstead.answers.pump import NoMeter
from rainstead.answers.typed import Refused
from rainstead.calc.desk import Estimate, Unknown
from rainstead.log import LogReader
from rainstead.notebook import Delivery, Entry, FuelFill, RunNote
from rainstead.readings import Quality
from rainstead.settings import load_settings

RUN = Ran("2026-03-28T10:00:00", 10, 600, 600, 600)
AS_OF = ms("2026-03-28T11:00:00")


def sheet(site: Path, when: str | None = None, as_of_ms: int = AS_OF, pressure: str | None = None) -> answers.RunAnswer:
    settings = load_settings(site / "site.toml")
    at_ms = None if when is None else ms(when)
    with LogReader(site / "readings.db") as reader:
        return answers.run(settings, reader, site, as_of_ms, from_ms=at_ms, upto_ms=at_ms, pressure=pressure)


def plan(
    site: Path, as_of_ms: int = AS_OF, *, area: str = "100 m2", depth: str = "5 mm", **asked: str
) -> answers.DefenceAnswer:
    settings = load_settings(site / "site.toml")
    with LogReader(site / "readings.db") as reader:
        return answers.defence(settings, reader, site, as_of_ms, answers.DefenceAsked(area, depth, **asked))


def known(one: object) -> Estimate:
    assert isinstance(one, Estimate), one
    return one


def because(one: object) -> str:
    assert isinstance(one, Unknown), one
    return one.because


# --- the sheet -----------------------------------------------------------------------------------------------------


def test_three_measures_of_600_litres_agree(tmp_path: Path) -> None:
    told = sheet(pumped_site(tmp_path / "site", [RUN]))
    assert (told.number, told.runs, told.complete, told.seen_by) == (1, 1, True, "meter")
    assert {line.name: line.by for line in told.measures} == {"meter": "meter", "source": "east", "receiver": "west"}
    for line in told.measures:
        assert line.volume_l.value == pytest.approx(600, abs=3)
    assert told.measures[0].volume_l.u == pytest.approx(18, abs=0.1)
    assert (told.verdict, told.odd, told.causes, told.left_out) == ("agree", None, (), ())
    assert known(told.best_l).u < min(line.volume_l.u for line in told.measures)
    assert known(told.flow_l_min).value == pytest.approx(60, rel=0.005)
    assert told.duration_s == pytest.approx(600, abs=1)
    assert sum(line.weight_ratio or 0 for line in told.measures) == pytest.approx(1)


def test_the_k_factor_that_would_be_right_is_named_in_words(tmp_path: Path) -> None:
    told = sheet(pumped_site(tmp_path / "site", [Ran("2026-03-28T10:00:00", 10, 600, 690, 600)]))
    assert (told.verdict, told.odd) == ("odd_one_out", "meter")
    assert told.measures[0].weight_ratio is None
    assert "K-factor of meter: 115.0" in told.causes[0].said
    assert "instead of 100.0 (+15.0%)" in told.causes[0].said
    assert known(told.best_l).value == pytest.approx(600, abs=3)


def test_a_hose_that_leaks_is_told_with_its_litres(tmp_path: Path) -> None:
    told = sheet(pumped_site(tmp_path / "site", [Ran("2026-03-28T10:00:00", 10, 600, 600, 400)]))
    assert told.odd == "receiver"
    assert told.causes[0].said.startswith("200 L did not reach west")


def test_a_note_says_where_it_went_and_at_which_nozzle(tmp_path: Path) -> None:
    over_ground = Ran("2026-03-28T10:00:00", 10, 600, 600, 0)
    note = RunNote(ms("2026-03-28T10:30:00"), "6 mm", "ground")
    told = sheet(pumped_site(tmp_path / "site", [over_ground], entries=[note]))
    assert (told.nozzle, told.to, told.verdict) == ("6 mm", None, "agree")
    assert [line.name for line in told.measures] == ["meter", "source"]
    spare = RunNote(ms("2026-03-28T10:30:00"), None, "spare")
    told = sheet(pumped_site(tmp_path / "other", [over_ground], entries=[spare]))
    assert told.left_out[0].because == "spare has no level sensor"


def test_a_note_belongs_to_the_run_before_it_or_to_the_one_about_to_begin(tmp_path: Path) -> None:
    runs = [Ran("2026-03-27T10:00:00", 10, 300, 300, 300), RUN]
    notes = [RunNote(ms("2026-03-27T15:00:00"), "first", None), RunNote(ms("2026-03-28T09:40:00"), "second", None)]
    site = pumped_site(tmp_path / "site", runs, entries=notes)
    assert sheet(site, "2026-03-27T10:05:00").nozzle == "first"
    assert sheet(site).nozzle == "second"
    assert [line.nozzle for line in sheet(site).nozzles] == ["second", "first"]


def test_the_run_nearest_the_time_is_taken_and_none_far_from_it(tmp_path: Path) -> None:
    site = pumped_site(tmp_path / "site", [Ran("2026-03-20T10:00:00", 10, 300, 300, 300), RUN])
    assert sheet(site, "2026-03-20T12:00:00").number == 1
    assert sheet(site).number == 2
    with pytest.raises(answers.NoRun, match="no pump run within half a day"):
        sheet(site, "2026-03-24T10:00:00")


def test_as_of_a_time_before_the_run_there_is_none(tmp_path: Path) -> None:
    site = pumped_site(tmp_path / "site", [RUN])
    with pytest.raises(answers.NoRun, match=r"never a pulse|no report of meter"):
        sheet(site, as_of_ms=ms("2026-03-28T09:59:00"))


def test_a_run_that_goes_on_is_told_so_far(tmp_path: Path) -> None:
    told = sheet(pumped_site(tmp_path / "site", [RUN]), as_of_ms=ms("2026-03-28T10:06:10"))
    assert not told.complete
    assert told.measures[0].volume_l.value == pytest.approx(370, abs=6)
    assert {line.name for line in told.left_out} == {"source", "receiver"}


def test_without_a_pump_there_is_nothing_to_ask(tmp_path: Path) -> None:
    text = PUMPED[: PUMPED.index("[pump]")] + PUMPED[PUMPED.index("[rain]") :]
    site = pumped_site(tmp_path / "site", [RUN], text=text)
    with pytest.raises(NoMeter, match=r"\[pump\]"):
        sheet(site)
    with pytest.raises(NoMeter, match=r"\[pump\]"):
        plan(site)


def test_a_meter_that_never_pulsed_is_told_with_what_to_look_at(tmp_path: Path) -> None:
    idle: list[Raw] = [(ms("2026-03-28T09:00:00"), "meter", 0.0, Quality.OK)]
    site = pumped_site(tmp_path / "site", [], also=idle)
    with pytest.raises(answers.NoRun, match=r"never a pulse.*cable"):
        sheet(site)


def test_a_noted_run_is_found_in_the_tanks_where_the_meter_slept_through_it(tmp_path: Path) -> None:
    asleep = Ran("2026-03-28T10:00:00", 10, 600, None, 600)
    idle: list[Raw] = [(ms("2026-03-28T09:00:00"), "meter", 0.0, Quality.OK)]
    note = RunNote(ms("2026-03-28T10:20:00"), "6 mm", None)
    told = sheet(pumped_site(tmp_path / "site", [asleep], entries=[note], also=idle))
    assert (told.seen_by, told.odd) == ("tank", "meter")
    assert told.causes[0].what == "meter_dead"
    assert known(told.best_l).value == pytest.approx(600, abs=5)


def test_a_site_without_a_meter_sees_its_runs_in_the_tank(tmp_path: Path) -> None:
    text = PUMPED.replace('meter = "meter"\n', "")
    told = sheet(pumped_site(tmp_path / "site", [Ran("2026-03-28T10:00:00", 10, 600, None, 600)], text=text))
    assert told.seen_by == "tank"
    assert abs(told.start_ms - ms("2026-03-28T10:00:00")) < 60_000
    assert known(told.flow_l_min).low <= 60 <= (known(told.flow_l_min).high or 0)
    assert told.verdict == "agree"
    assert all(point.meter_l is None for point in told.points)


def test_rain_on_the_run_is_taken_out_of_the_tanks(tmp_path: Path) -> None:
    roof = '\n[catchments.roof]\narea = "100 m2"\nrunoff_ratio = 1.0\ninitial_loss = 0\nshares = { east = 1.0 }\n'
    fell = [tips(f"2026-03-28T10:0{k}:00", 1) for k in range(5)]  # 1 mm on 100 m2 is 100 L
    site = pumped_site(
        tmp_path / "site", [Ran("2026-03-28T10:00:00", 10, 500, 600, 600)], text=PUMPED + roof, also=fell
    )
    told = sheet(site)
    assert told.rain_mm == pytest.approx(1.0)
    by = {line.name: line.volume_l for line in told.measures}
    assert by["source"].value == pytest.approx(600, abs=3)
    assert by["source"].u > 25
    assert told.verdict == "agree"


def test_water_carted_in_meanwhile_is_taken_out(tmp_path: Path) -> None:
    cart = Delivery(ms("2026-03-28T10:02:00"), ms("2026-03-28T10:06:00"), "west", 300.0, 5.0)
    told = sheet(pumped_site(tmp_path / "site", [Ran("2026-03-28T10:00:00", 10, 600, 600, 900)], entries=[cart]))
    assert {line.name: round(line.volume_l.value, -1) for line in told.measures}["receiver"] == 600
    assert told.verdict == "agree"


def test_fuel_filled_after_the_run_tells_litres_an_hour_and_water_a_litre(tmp_path: Path) -> None:
    fill = FuelFill(ms("2026-03-28T10:30:00"), 0.25, 0.02)
    told = sheet(pumped_site(tmp_path / "site", [RUN], entries=[fill]))
    assert (told.fuel.rate_from, told.fuel.first_was_full) == ("this_run", True)
    assert known(told.fuel.rate_l_h).value == pytest.approx(1.5, rel=0.01)
    assert known(told.fuel.water_per_fuel_l_l).value == pytest.approx(60 * 60 / 1.5, rel=0.01)
    # 3 L last 2 h; 1.5 m less 0.2 m of suction at 2000 L a metre last 43 min.
    assert known(told.fuel_lasts_min).value == pytest.approx(120, rel=0.01)
    assert known(told.water_lasts_min).value == pytest.approx(2600 / 60, rel=0.01)
    assert told.runs_out_first == "water"


def test_without_a_fill_the_settings_rate_is_named_as_not_measured(tmp_path: Path) -> None:
    told = sheet(pumped_site(tmp_path / "site", [RUN]))
    assert (told.fuel.rate_from, known(told.fuel.rate_l_h).value) == ("settings", 1.2)
    text = PUMPED.replace('fuel = { tank = "3 L", rate = "1.2 L/h" }\n', "")
    none = sheet(pumped_site(tmp_path / "none", [RUN], text=text))
    assert "no fuel fill" in because(none.fuel.rate_l_h)
    assert because(none.endurance_min)


def test_several_runs_before_one_fill_share_its_fuel(tmp_path: Path) -> None:
    runs = [Ran("2026-03-27T10:00:00", 10, 300, 300, 300), RUN]
    entries = [FuelFill(ms("2026-03-26T10:00:00"), 1.0, 0.02), FuelFill(ms("2026-03-28T10:30:00"), 0.5, 0.02)]
    told = sheet(pumped_site(tmp_path / "site", runs, entries=entries))
    assert (told.fuel.rate_from, told.fuel.fills, told.fuel.first_was_full) == ("all_runs", 1, False)
    assert known(told.fuel.rate_l_h).value == pytest.approx(1.5, rel=0.01)


def weekly(flows: Sequence[float]) -> tuple[list[Ran], list[Entry]]:
    days = [f"2026-03-{d:02d}" for d in (1, 7, 13, 19, 25, 28)][-len(flows) :]
    runs = [Ran(f"{day}T10:00:00", 5, 5 * q, 5 * q, 5 * q) for day, q in zip(days, flows, strict=True)]
    return runs, [RunNote(ms(f"{day}T10:02:00"), "6 mm", None) for day in days]


def test_a_pump_that_gets_weaker_at_one_setting_is_told(tmp_path: Path) -> None:
    runs, notes = weekly([60, 59, 57.6, 56.4, 55.2, 54.5])
    told = sheet(pumped_site(tmp_path / "site", runs, entries=notes))
    assert (told.alike_by, told.trend_runs, told.trend_verdict) == ("nozzle", 6, "weaker")
    assert known(told.trend_change_ratio).value == pytest.approx(-0.095, abs=0.02)
    runs, notes = weekly([60, 61, 59.5, 60.4, 59.8, 60.1])
    assert sheet(pumped_site(tmp_path / "same", runs, entries=notes)).trend_verdict == "no_change_seen"


def test_without_notes_runs_of_much_the_same_flow_are_compared(tmp_path: Path) -> None:
    runs, _ = weekly([60, 30, 61, 60.5])
    told = sheet(pumped_site(tmp_path / "site", runs))
    assert (told.alike_by, told.trend_runs) == ("flow", 3)
    assert "several nozzle settings" in because(told.nozzles[0].next_flow_l_min)


def test_a_pressure_is_typed_with_its_unit_and_above_nothing(tmp_path: Path) -> None:
    site = pumped_site(tmp_path / "site", [RUN])
    for typed, words in (("300", "has no unit"), ("-3 bar", "more than nothing"), ("3 L", "unknown unit")):
        with pytest.raises(Refused, match=words):
            sheet(site, pressure=typed)


def test_the_work_at_a_pressure(tmp_path: Path) -> None:
    fill = FuelFill(ms("2026-03-28T10:30:00"), 0.25, 0.02)
    told = sheet(pumped_site(tmp_path / "site", [RUN], entries=[fill]), pressure="3 bar")
    assert told.work is not None
    assert told.work.power_w == pytest.approx(300, rel=0.01)
    assert known(told.work.kwh_per_fuel_l).value == pytest.approx(0.2, rel=0.01)
    assert told.work.rating_ratio == pytest.approx(0.2 / 1.694, rel=0.01)


# --- the plan ------------------------------------------------------------------------------------------------------


def test_litres_minutes_fuel_and_what_stays(tmp_path: Path) -> None:
    fill = FuelFill(ms("2026-03-28T10:30:00"), 0.25, 0.02)
    told = plan(pumped_site(tmp_path / "site", [RUN], entries=[fill]))
    assert (told.need_l, told.flow_from, told.flow_runs, told.rate_from) == (500, "runs", 1, "all_runs")
    assert known(told.minutes).value == pytest.approx(500 / 60, rel=0.01)
    assert known(told.fuel_l).value == pytest.approx(500 / 60 / 60 * 1.5, rel=0.02)
    assert (told.refills, told.water_enough, told.fuel_enough) == (0, "yes", "yes")
    # east at 1.5 m: 3000 L, of it 2600 above the suction and 2800 above the outlet; west at 0.8 m: 1600 less 200.
    assert known(told.water_l).value == pytest.approx(2600, abs=8)
    assert known(told.gives_mm).value == pytest.approx(26, rel=0.01)
    assert {one.name: one.takes_l for one in told.tanks} == {"east": 500, "west": 0, "spare": 0}
    assert known(told.reserve_before_l).value == pytest.approx(2800 + 1400, abs=12)
    assert known(told.reserve_after_l).value == pytest.approx(2800 + 1400 - 500, abs=12)


def test_more_than_the_source_holds_is_short_and_names_what_must_be_moved(tmp_path: Path) -> None:
    told = plan(pumped_site(tmp_path / "site", [RUN]), area="1000 m2")
    assert told.water_enough == "no"
    assert known(told.short_l).value == pytest.approx(2400, abs=8)
    assert "spare has no level sensor" in because(told.others_l)


def test_a_flow_by_hand_is_used_as_typed(tmp_path: Path) -> None:
    site = pumped_site(tmp_path / "site", [RUN])
    typed = plan(site, flow="2 L/s", flow_u="3 L/min")
    assert (typed.flow_from, known(typed.flow_l_min).value, known(typed.flow_l_min).u) == ("flow", 120, 3)
    bucket = plan(site, bucket="20 L", filled_in="6 s")
    assert (bucket.flow_from, round(known(bucket.flow_l_min).value)) == ("bucket", 200)
    assert known(bucket.flow_l_min).u / 200 == pytest.approx(0.0348, abs=1e-3)
    assert plan(site, fuel="20 L").fuel_at_hand_l == 20


def test_a_setting_of_earlier_runs_can_be_planned_with(tmp_path: Path) -> None:
    runs = [Ran("2026-03-27T10:00:00", 10, 300, 300, 300), RUN]
    notes = [RunNote(ms("2026-03-27T10:05:00"), "fine", None), RunNote(ms("2026-03-28T10:05:00"), "wide", None)]
    site = pumped_site(tmp_path / "site", runs, entries=notes)
    assert known(plan(site, nozzle="Fine").flow_l_min).value == pytest.approx(30, rel=0.01)
    assert plan(site).nozzle == "wide"
    with pytest.raises(Refused, match=r"fine, wide|wide, fine"):
        plan(site, nozzle="jet")


def test_without_a_run_the_plan_asks_for_a_flow_and_tells_the_depth_by_water(tmp_path: Path) -> None:
    still: list[Raw] = [(ms("2026-03-28T10:50:00") + 60_000 * k, "east_level", 1000.0, Quality.OK) for k in range(8)]
    told = plan(pumped_site(tmp_path / "site", [], also=still))
    assert "type one with --flow" in because(told.flow_l_min)
    assert known(told.depth_by_water_mm).value == pytest.approx(26, rel=0.01)
    assert known(plan(tmp_path / "site", flow="60 L/min").minutes).value == pytest.approx(500 / 60)


def test_a_source_that_says_nothing_leaves_the_water_unknown(tmp_path: Path) -> None:
    told = plan(pumped_site(tmp_path / "site", []), flow="60 L/min")
    assert told.water_enough == "unknown"
    assert because(told.water_l) == "there is no good level of east"
    assert because(told.reserve_after_l)


def test_an_old_level_is_told_as_old(tmp_path: Path) -> None:
    told = plan(pumped_site(tmp_path / "site", [RUN]), as_of_ms=AS_OF + 86_400_000)
    east = next(one for one in told.tanks if one.name == "east")
    assert east.level_age_s == pytest.approx(86_400, abs=1300)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"area": "100"}, "--area '100': has no unit"),
        ({"area": "0 m2"}, "more than nothing"),
        ({"depth": "5 L"}, "--depth"),
        ({"bucket": "20 L"}, "go together"),
        ({"flow": "50 L/min", "bucket": "20 L", "filled_in": "5 s"}, "not both"),
        ({"flow": "50 L/min", "nozzle": "6 mm"}, "not both"),
        ({"flow_u": "5 L/min"}, "goes with --flow"),
        ({"flow": "50 L/min", "flow_u": "40 L/min"}, "half the flow"),
        ({"flow": "-5 L/min"}, "more than nothing"),
        ({"nozzle": "6 mm"}, "no run has a nozzle noted"),
        ({"fuel": "3"}, "has no unit"),
    ],
)
def test_what_cannot_be_taken_as_typed_is_refused_with_the_remedy(
    asked: dict[str, str], words: str, tmp_path: Path
) -> None:
    site = pumped_site(tmp_path / "site", [RUN])
    with pytest.raises(Refused) as refused:
        plan(site, **asked)  # type: ignore[arg-type]
    assert words in str(refused.value)
