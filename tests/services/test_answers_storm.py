"""A storm's sheet and the roofs' yield, from a log whose every litre is known."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from roof_site import DAY_MS, HIGH_L_MM, LOW_L_MM, ROOF_SETTINGS, START_MS, Shower, Water, make_roof_site

from rainstead import answers
from rainstead.answers import StormAnswer, StormGroup, YieldAnswer, YieldGroup
from rainstead.answers.stormgains import gains_of, measured_storms
from rainstead.calc.desk import Estimate, Unknown, catchings
from rainstead.errors import RainsteadError
from rainstead.evidence import gather
from rainstead.log import LogReader
from rainstead.notebook import Delivery, Notes, RunNote
from rainstead.settings import Settings, parse_settings

HOUR_MS = 3_600_000
DAYS = 60


def showers(count: int = 18, *, every_days: int = 3, seed: int = 3) -> list[Shower]:
    rng = np.random.default_rng(seed)
    return [
        Shower(START_MS + (2 + every_days * k) * DAY_MS + 6 * HOUR_MS, round(float(rain_mm), 1))
        for k, rain_mm in enumerate(rng.uniform(3, 18, count))
    ]


def with_ratio(one: Shower, ratio: float) -> Shower:
    return Shower(one.start_ms, one.rain_mm, one.lasts_h, ratio)


class Site:
    """A folder of the roof site, opened for questions."""

    def __init__(self, folder: Path, water: list[Water], text: str = ROOF_SETTINGS) -> None:
        self.folder, self.water = folder, water
        self.settings: Settings = parse_settings(text, "site.toml")
        self.end_ms = START_MS + DAYS * DAY_MS

    def storm(self, at: Shower | None, *, notes: Notes | None = None, as_of_ms: int | None = None) -> StormAnswer:
        with LogReader(self.folder / "readings.db") as reader:
            answer, _ = answers.storm(
                self.settings,
                reader,
                Notes() if notes is None else notes,
                self.end_ms if as_of_ms is None else as_of_ms,
                from_ms=None if at is None else at.start_ms,
                upto_ms=None if at is None else at.start_ms + HOUR_MS,
            )
        return answer

    def yields(self, *, from_ms: int = START_MS - 1) -> YieldAnswer:
        with LogReader(self.folder / "readings.db") as reader:
            answer, _ = answers.yields(self.settings, reader, Notes(), self.end_ms, from_ms=from_ms)
        return answer


def site(folder: Path, rain: list[Shower], *, days: int = DAYS, text: str = ROOF_SETTINGS, **how: object) -> Site:
    made, water = make_roof_site(folder, rain, days=days, text=text, **how)  # type: ignore[arg-type]
    return Site(made, water, text)


def group(answer: StormAnswer, name: str) -> StormGroup:
    return next(one for one in answer.groups if one.name == name)


def part(answer: YieldAnswer, name: str) -> YieldGroup:
    return next(one for one in answer.groups if one.name == name)


def known(answered: object) -> Estimate:
    assert isinstance(answered, Estimate), answered
    return answered


def holds(answered: object, truth: float) -> bool:
    one = known(answered)
    return one.low <= truth and (one.high is None or truth <= one.high)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, list[Shower]]:
    rain = showers()
    return site(tmp_path_factory.mktemp("plain"), rain), rain


@pytest.fixture(scope="module")
def blocked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, list[Shower]]:
    """Storm 5 brings 30 % of the barn's water; from storm 13 on, each brings 60 %."""
    rain = showers()
    rain = [with_ratio(one, 0.3 if k == 5 else 0.6 if k >= 13 else 1.0) for k, one in enumerate(rain)]
    return site(tmp_path_factory.mktemp("blocked"), rain), rain


# --- one storm -------------------------------------------------------------------------------------------------------


def test_a_storms_sheet_has_the_rain_that_fell(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    answer = one.storm(rain[7])
    assert known(answer.rain_mm).value == pytest.approx(rain[7].rain_mm, abs=0.21)
    assert holds(answer.rain_mm, rain[7].rain_mm)
    assert answer.undercatch_mm == 0.0
    assert answer.duration_s == pytest.approx(3 * 3600, abs=400)
    assert answer.dry_before_s == pytest.approx(3 * 86_400 - 3 * 3600, abs=800)
    for peak in answer.peaks:
        assert peak.intensity_mm_h.value == pytest.approx(rain[7].rain_mm / 3, rel=0.02)
    assert [peak.window_min for peak in answer.peaks] == [5, 15, 30, 60]


def test_a_storms_litres_are_those_that_came(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    for k in (3, 7, 11):
        answer, water = one.storm(rain[k]), one.water[k]
        assert holds(group(answer, "high").roof_l, water.high_l)
        assert holds(group(answer, "low").roof_l, water.low_l)
        assert holds(group(answer, "site").roof_l, water.high_l + water.low_l)
        assert known(group(answer, "site").roof_l).value == pytest.approx(water.high_l + water.low_l, rel=0.03)
        assert group(answer, "site").direct_l == pytest.approx(water.direct_l, abs=0.5)
        low = next(tank for tank in answer.tanks if tank.tank == "low")
        assert low.besides_by == "dry days"
        assert low.besides_l == pytest.approx(-150 * 4 / 24, rel=0.35)  # 150 L a day, for four hours or so
        assert not low.at_brim


def test_a_storms_share_of_what_should_have_come(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    sheet = group(one.storm(rain[7]), "high")
    rain_mm = rain[7].rain_mm
    assert sheet.nominal_yield_l_mm == HIGH_L_MM
    assert sheet.due_l == pytest.approx(HIGH_L_MM * (rain_mm - 0.5), abs=HIGH_L_MM * 0.21)
    assert sheet.wetting_l == pytest.approx(HIGH_L_MM * 0.5)
    assert sheet.first_flush_l == 0.0
    assert holds(sheet.share_ratio, 1.0)
    assert holds(sheet.yield_l_mm, HIGH_L_MM * (rain_mm - 0.5) / rain_mm)
    assert sheet.normal_storms >= 10  # all before it, and those of the two weeks after
    assert holds(sheet.normal_share_ratio, 1.0)
    assert sheet.is_odd is False


def test_a_storm_that_delivered_too_little_is_called_out(blocked: tuple[Site, list[Shower]]) -> None:
    one, rain = blocked
    sheet = one.storm(rain[5])
    assert group(sheet, "high").is_odd is True
    assert known(group(sheet, "high").normal_share_ratio).value < 0.5
    assert group(sheet, "low").is_odd is False


def test_the_newest_storm_and_the_nearest_are_found(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    newest = one.storm(None)
    assert abs(newest.storm.start_ms - rain[-1].start_ms) < HOUR_MS
    day_after = Shower(rain[4].start_ms + DAY_MS, 1.0)
    assert abs(one.storm(day_after).storm.start_ms - rain[4].start_ms) < HOUR_MS


def test_a_storm_of_another_year_is_not_this_one(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    with pytest.raises(RainsteadError, match="no storm within a week"):
        one.storm(Shower(rain[0].start_ms - 60 * DAY_MS, 1.0))


def test_a_storm_that_goes_on_has_figures_so_far(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    answer = one.storm(None, as_of_ms=rain[9].start_ms + 2 * HOUR_MS)
    assert answer.storm.complete is False
    assert answer.is_settled is False
    assert known(answer.rain_mm).value == pytest.approx(rain[9].rain_mm * 2 / 3, rel=0.1)
    assert 0 < known(group(answer, "site").roof_l).value < one.water[9].high_l + one.water[9].low_l


def test_a_storm_that_has_only_just_begun_is_no_blocked_gutter(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    for minutes in (5, 25):
        answer = one.storm(None, as_of_ms=rain[9].start_ms + minutes * 60_000)
        site = group(answer, "site")
        assert isinstance(site.roof_l, Unknown) is (minutes == 5)
        assert isinstance(site.share_ratio, Unknown)
        assert isinstance(site.normal_share_ratio, Unknown)
        assert site.is_odd is None


def test_a_delivery_during_a_storm_is_put_back(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    begun = rain[7].start_ms + HOUR_MS
    notes = Notes(deliveries=(Delivery(begun, begun + HOUR_MS, "high", 200.0, 5.0),))
    without, told = one.storm(rain[7]), one.storm(rain[7], notes=notes)
    moved = next(tank for tank in told.tanks if tank.tank == "high")
    assert moved.moved_l == pytest.approx(200.0)
    assert known(group(told, "high").roof_l).value == pytest.approx(
        known(group(without, "high").roof_l).value - 200.0, abs=1.0
    )


def test_a_full_upper_tank_is_followed_into_the_lower_one(tmp_path: Path) -> None:
    rain = showers(8, every_days=5)
    one = site(tmp_path, rain, start_l=(3800.0, 800.0))
    big = max(range(8), key=lambda k: rain[k].rain_mm)
    answer, water = one.storm(rain[big]), one.water[big]
    assert water.high_l > 300
    high, low, whole = (group(answer, name) for name in ("high", "low", "site"))
    assert known(high.roof_l).high is None
    assert "brim" in high.because_bound[0]
    assert isinstance(low.roof_l, Unknown)
    assert "high may have overflowed into it" in low.roof_l.because
    assert known(whole.roof_l).high is not None
    assert holds(whole.roof_l, water.high_l + water.low_l)


def test_water_lost_over_the_last_brim_makes_a_lower_bound(tmp_path: Path) -> None:
    rain = showers(8, every_days=5)
    one = site(tmp_path, rain, start_l=(3900.0, 2950.0))
    big = max(range(8), key=lambda k: rain[k].rain_mm)
    answer, water = one.storm(rain[big]), one.water[big]
    assert water.lost_l > 100
    whole = group(answer, "site")
    assert known(whole.roof_l).high is None
    assert known(whole.yield_l_mm).high is None
    assert known(whole.share_ratio).high is None
    assert known(whole.roof_l).low <= water.high_l + water.low_l
    assert whole.because_bound == ("low was full to the brim",)


def test_undercatch_is_put_back_where_the_gauge_has_a_dead_time(tmp_path: Path) -> None:
    rain = [Shower(START_MS + 2 * DAY_MS, 20.0, 0.25)]  # 80 mm/h
    text = ROOF_SETTINGS.replace('depth_per_tip = "0.2 mm"', 'depth_per_tip = "0.2 mm", dead_time = "0.45 s"')
    answer = site(tmp_path, rain, days=5, text=text).storm(rain[0], as_of_ms=START_MS + 5 * DAY_MS)
    # 9 s between two tips: each is 0.2 x 9 / 8.55.
    assert answer.undercatch_mm == pytest.approx(99 * 0.2 * (9 / 8.55 - 1), rel=0.01)
    assert known(answer.rain_mm).value == pytest.approx(20.0 + answer.undercatch_mm, abs=0.01)


# --- over many storms ------------------------------------------------------------------------------------------------


def test_the_yield_of_each_roof_is_found(plain: tuple[Site, list[Shower]]) -> None:
    one, _ = plain
    answer = one.yields()
    assert [told.name for told in answer.groups] == ["site", "high", "low"]
    for name, truth in (("site", HIGH_L_MM + LOW_L_MM), ("high", HIGH_L_MM), ("low", LOW_L_MM)):
        told = part(answer, name)
        assert holds(told.yield_l_mm, truth)
        assert known(told.yield_l_mm).value == pytest.approx(truth, rel=0.02)
        assert holds(told.true_yield_l_mm, truth)
        assert known(told.true_yield_l_mm).u > known(told.yield_l_mm).u
        assert holds(told.loss_mm, 0.5)
        assert holds(told.share_ratio, 1.0)
        assert (told.exact_storms, told.bound_storms, told.left_out_storms) == (18, 0, 0)
        assert told.change is None
        assert not any(storm.is_odd for storm in told.storms)


def test_a_lasting_fall_is_told_apart_from_an_odd_storm(blocked: tuple[Site, list[Shower]]) -> None:
    one, rain = blocked
    answer = one.yields()
    high = part(answer, "high")
    assert high.change is not None
    assert abs(high.change.since_ms - rain[13].start_ms) < HOUR_MS
    assert holds(high.change.ratio, 0.6)
    assert holds(high.yield_l_mm, 0.6 * HIGH_L_MM)
    assert holds(high.change.before_yield_l_mm, HIGH_L_MM)
    assert [k for k, storm in enumerate(high.storms) if storm.is_odd] == [5]
    assert high.storms[5].share_ratio == pytest.approx(0.3, abs=0.05)
    assert part(answer, "low").change is None
    whole = part(answer, "site")
    assert whole.change is not None
    assert whole.change.since_ms == high.change.since_ms
    assert holds(whole.yield_l_mm, 0.6 * HIGH_L_MM + LOW_L_MM)


def test_the_yield_is_right_where_a_third_of_the_storms_spill(tmp_path: Path) -> None:
    rain = showers(19)
    one = site(tmp_path, rain, start_l=(3800.0, 2900.0))
    lost = sum(water.lost_l > 0 for water in one.water)
    assert lost >= 6
    told = part(one.yields(), "site")
    assert told.bound_storms >= lost
    assert known(told.yield_l_mm).value == pytest.approx(HIGH_L_MM + LOW_L_MM, rel=0.03)
    assert holds(told.yield_l_mm, HIGH_L_MM + LOW_L_MM)


def test_tanks_that_are_always_full_give_no_yield_and_the_reason(tmp_path: Path) -> None:
    one = site(tmp_path, showers(10, every_days=1), start_l=(4000.0, 3000.0))
    told = part(one.yields(), "site")
    assert isinstance(told.yield_l_mm, Unknown)
    assert told.yield_l_mm == told.true_yield_l_mm == told.loss_mm == told.share_ratio
    assert "brim" in told.yield_l_mm.because or "measured to the end" in told.yield_l_mm.because
    assert all(storm.expected_l is None and not storm.is_odd for storm in told.storms)


def test_a_later_time_leaves_earlier_storms_out(plain: tuple[Site, list[Shower]]) -> None:
    one, rain = plain
    told = part(one.yields(from_ms=rain[9].start_ms - HOUR_MS * 12), "site")
    assert len(told.storms) == 9
    few = part(one.yields(from_ms=rain[15].start_ms - HOUR_MS * 12), "site")
    assert few.yield_l_mm == Unknown("5 storms of 1 mm or more must be measured to the end, and there are 3")


def test_a_storm_whose_water_never_came_to_rest_is_left_out(tmp_path: Path) -> None:
    rain = showers(6, every_days=5)
    one = site(tmp_path, rain)
    with LogReader(one.folder / "readings.db") as reader:
        evidence = gather(one.settings, reader, Notes(), from_ms=START_MS - 1, upto_ms=one.end_ms)
    measured = measured_storms(one.settings, evidence)
    (whole, *_) = catchings(evidence.network)
    assert len(gains_of(measured, whole)[0]) == 6
    measured[2] = replace(measured[2], window=replace(measured[2].window, still=False))
    columns, places = gains_of(measured, whole)
    assert places == [0, 1, 3, 4, 5]
    assert len(columns) == 5


# --- bad input -------------------------------------------------------------------------------------------------------


def test_no_rain_at_all(tmp_path: Path) -> None:
    one = site(tmp_path, [], days=5)
    with pytest.raises(RainsteadError, match="counted no rain"):
        one.storm(None)
    assert part(one.yields(), "site").yield_l_mm == Unknown("there was no storm in that time")


def test_no_gauge(tmp_path: Path) -> None:
    text = ROOF_SETTINGS[: ROOF_SETTINGS.index("[rain]")]
    one = site(tmp_path, showers(2), days=10, text=text)
    with pytest.raises(RainsteadError, match=r"\[rain\] table"):
        one.yields()
    with pytest.raises(RainsteadError, match=r"\[rain\] table"):
        one.storm(None)


def test_no_roofs(tmp_path: Path) -> None:
    begin, end = ROOF_SETTINGS.index("[catchments.barn]"), ROOF_SETTINGS.index("[[overflows]]")
    rain = showers(2)
    one = site(tmp_path, rain, days=10, text=ROOF_SETTINGS[:begin] + ROOF_SETTINGS[end:])
    with pytest.raises(RainsteadError, match=r"\[catchments\] table"):
        one.yields()
    answer = one.storm(rain[0], as_of_ms=START_MS + 10 * DAY_MS)
    assert answer.groups == ()
    assert known(answer.tanks[0].gained_l).value > 0


def test_a_ranger_that_was_silent_leaves_its_reason(tmp_path: Path) -> None:
    rain = showers(2)
    text = ROOF_SETTINGS
    one = site(tmp_path, rain, days=10, text=text)
    # The same log seen by settings in which `low` has another sensor, which never spoke.
    silent = text.replace('sensor = "low_level"', 'sensor = "mute"').replace(
        "[sensors.gauge]",
        '[sensors.mute]\nkind = "ranger-text"\nport = "/nowhere/c"\nevery = "600 s"\n\n[sensors.gauge]',
    )
    deaf = Site(one.folder, one.water, silent)
    answer = deaf.storm(rain[0], as_of_ms=START_MS + 10 * DAY_MS)
    low = next(tank for tank in answer.tanks if tank.tank == "low")
    assert low.gained_l == Unknown("there is no good level of low before the storm")
    assert known(group(answer, "site").roof_l).high is None


def test_a_run_note_moves_the_water_to_the_tank_it_names(tmp_path: Path) -> None:
    # The pump's litres leave `high` for `low` by the note, so that the site's sum is untouched.
    text = ROOF_SETTINGS + (
        '\n[sensors.meter]\nkind = "flow-pulse"\ngpio = 27\ncalibrations = [{ k_factor_per_l = 100, u_ratio = 0.0 }]\n'
        '\n[pump]\nsource = "high"\nmeter = "meter"\n'
    )
    rain = showers(2)
    run_ms = rain[0].start_ms + HOUR_MS
    # Two runs of ten minutes an hour apart; the note, a quarter of an hour after the second, is of that one alone.
    pulses = [
        (run_ms + begun + k * 60_000, 0 if k == 0 else litres * 10)
        for begun, litres in ((0, 3), (HOUR_MS, 10))
        for k in range(11)
    ]
    folder, _ = make_roof_site(tmp_path, rain, days=8, text=text, pulses=pulses)
    one = Site(folder, [], text)
    as_of_ms = START_MS + 8 * DAY_MS
    to_low = Notes(run_notes=(RunNote(run_ms + HOUR_MS + 25 * 60_000, None, "low"),))
    bare, told = one.storm(rain[0], as_of_ms=as_of_ms), one.storm(rain[0], notes=to_low, as_of_ms=as_of_ms)
    moved = {tank.tank: tank.moved_l for tank in told.tanks}
    assert moved == {"high": pytest.approx(-13.0), "low": pytest.approx(10.0)}
    assert {tank.tank: tank.moved_l for tank in bare.tanks} == {"high": pytest.approx(-13.0), "low": 0.0}
