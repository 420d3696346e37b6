"""Transfer, outlook and sizing over a site whose figures can be worked out by hand."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from desk_site import SETTINGS, Raw, ms, tips
from planning_site import AS_OF_MS, ROOF, planning_site

from rainstead import answers
from rainstead.answers.fittedyield import fits_of
from rainstead.answers.typed import Refused
from rainstead.answers.yields import YieldGroup
from rainstead.calc.desk import Estimate, Network, Roof, Unknown, WaterTank, WorkOption
from rainstead.errors import RainsteadError
from rainstead.log import LogReader
from rainstead.notebook import Delivery, Forecast, Notes
from rainstead.rainfiles import RainRecord
from rainstead.settings import load_settings

DAY_MS = 86_400_000


def advise(
    site: Path,
    rain: str | None = "20mm",
    notes: Notes = Notes(),  # noqa: B008  frozen
    yields: tuple[str, ...] = (),
) -> answers.TransferAnswer:
    settings = load_settings(site / "site.toml")
    with LogReader(site) as reader:
        told = answers.rain_ahead(settings, reader, notes, AS_OF_MS, rain, None)
        fitted = answers.read_yields(yields, settings)
        return answers.transfer(settings, reader, notes, AS_OF_MS, told, fitted=fitted)


def look(
    site: Path,
    record: RainRecord | Unknown = Unknown("no record was asked for"),  # noqa: B008  frozen
    notes: Notes = Notes(),  # noqa: B008  frozen
    **asked: object,
) -> answers.OutlookAnswer:
    settings = load_settings(site / "site.toml")
    with LogReader(site) as reader:
        return answers.outlook(settings, reader, notes, AS_OF_MS, record, **asked)  # type: ignore[arg-type]


def size(site: Path, record: RainRecord, *options: WorkOption, **asked: object) -> answers.SizingAnswer:
    settings = load_settings(site / "site.toml")
    with LogReader(site) as reader:
        return answers.sizing(settings, reader, Notes(), AS_OF_MS, record, options, **asked)  # type: ignore[arg-type]


def value(answered: Estimate | Unknown) -> float:
    assert isinstance(answered, Estimate), answered
    return answered.value


# --- transfer -------------------------------------------------------------------------------------------------------


def test_the_smallest_transfer_with_its_minutes_and_its_fuel(tmp_path: Path) -> None:
    # East has 200 L of room and 19.5 mm x 90 L/mm = 1755 L come: 1555 L must go. At 24 L a minute and 1.2 L an hour.
    found = advise(planning_site(tmp_path))
    east, west, spare = found.tanks
    assert value(east.freeboard_l) == pytest.approx(200.0, abs=0.5)
    assert east.coming_l.value == pytest.approx(1755.0, rel=0.01)
    assert east.over_likely_l == pytest.approx(1555.0, abs=0.5)
    assert (west.coming_l.value, west.over_likely_l, spare.over_likely_l) == (0.0, 0.0, None)
    (plan,) = found.plans
    assert (plan.verdict, plan.because) == ("transfer", None)
    (move,) = plan.moves
    assert (move.source, move.to) == ("east", "west")
    assert move.volume_l == pytest.approx(1555.0, abs=0.5)
    assert value(found.flow_l_min) == pytest.approx(24.0)
    assert value(move.minutes) == pytest.approx(1555 / 24, rel=1e-3)
    assert value(move.fuel_l) == pytest.approx(1555 / 24 / 60 * 1.2, rel=1e-3)
    assert plan.lost_after_l == pytest.approx(0.0, abs=0.5)
    assert value(found.lost_ratio) == 1.0
    # The yield may as well be higher as lower than nominal: half of the truths still spill.
    assert 0.4 < plan.lost_ratio_after.value < 0.6


def test_a_range_of_rain_gets_a_plan_for_the_likely_and_for_the_high(tmp_path: Path) -> None:
    found = advise(planning_site(tmp_path), "1,2,20")
    assert [(plan.rain_is, plan.rain_mm, plan.verdict) for plan in found.plans] == [
        ("likely", 2.0, "nothing_lost"),
        ("high", 20.0, "transfer"),
    ]
    assert found.plans[1].lost_ratio_after.value == pytest.approx(0.1, abs=0.03)


def test_with_no_room_anywhere_the_loss_is_told(tmp_path: Path) -> None:
    (plan,) = advise(planning_site(tmp_path, west_mm=510)).plans
    assert plan.verdict == "partly"
    assert plan.moves[0].volume_l == pytest.approx(20.0, abs=0.5)
    (full,) = advise(planning_site(tmp_path / "full", west_mm=500)).plans
    assert (full.verdict, full.moves) == ("no_help", ())
    assert full.because == "no tank that the pump can fill has room beyond its own rain"
    assert full.lost_before_l == full.lost_after_l == pytest.approx(1555.0, abs=0.5)


def test_the_reserve_does_not_leave_its_tanks(tmp_path: Path) -> None:
    # East alone holds the reserve: 3800 - 200 usable less 3000 leaves 600 L to move.
    text = (SETTINGS + ROOF).replace('fire = "1500 L"\ntanks = ["east", "west"]', 'fire = "3000 L"\ntanks = ["east"]')
    (plan,) = advise(planning_site(tmp_path, text)).plans
    assert plan.verdict == "partly"
    assert plan.moves[0].volume_l == pytest.approx(600.0, abs=0.5)
    assert plan.because == "more would have to leave east, which holds fire reserve"


def test_a_loss_out_of_the_pumps_reach_is_told_as_such(tmp_path: Path) -> None:
    text = SETTINGS + ROOF.replace("east = 1.0", "west = 1.0")
    (plan,) = advise(planning_site(tmp_path, text, east_mm=1500, west_mm=600)).plans
    assert plan.verdict == "no_help"
    assert plan.because == "it is lost from west, and the pump draws from east"


def test_without_a_pump_the_reason_is_given(tmp_path: Path) -> None:
    text = SETTINGS[: SETTINGS.index("[pump]")] + SETTINGS[SETTINGS.index("[rain]") :] + ROOF
    (plan,) = advise(planning_site(tmp_path, text)).plans
    assert (plan.verdict, plan.because) == ("no_help", "the settings have no [pump]")


def test_no_level_at_all_is_not_enough_to_say(tmp_path: Path) -> None:
    site = planning_site(tmp_path)
    settings = load_settings(site / "site.toml")
    with LogReader(site) as reader:
        before = ms("2025-12-01T00:00:00")
        told = answers.rain_ahead(settings, reader, Notes(), before, "20mm", None)
        found = answers.transfer(settings, reader, Notes(), before, told)
    assert found.plans == ()
    assert found.because is not None and found.because.startswith("no tank's level is known; east:")
    assert isinstance(found.lost_ratio, Unknown)


def test_overflow_into_a_tank_without_a_sensor_is_not_called_lost(tmp_path: Path) -> None:
    text = SETTINGS.replace("[rain]", '[[overflows]]\nfrom = "east"\nto = "spare"\n\n[rain]') + ROOF
    found = advise(planning_site(tmp_path, text))
    assert found.unknown_tanks == ("spare",)
    assert found.plans[0].verdict == "nothing_lost"
    assert found.tanks[0].runs_into == "spare"


def test_a_typed_yield_takes_the_place_of_the_nominal_one(tmp_path: Path) -> None:
    found = advise(planning_site(tmp_path), yields=("east=50,1,2",))
    assert found.tanks[0].yield_is_fitted
    assert found.tanks[0].coming_l.value == pytest.approx(50 * 18, rel=0.01)


@pytest.mark.parametrize("text", ["east", "east=", "east=x", "east=1,2,3,4", "east=-5", "east=nan"])
def test_a_yield_that_will_not_do_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(Refused, match="--yield"):
        advise(planning_site(tmp_path), yields=(text,))
    with pytest.raises(RainsteadError, match="did you mean east"):
        advise(tmp_path, yields=("eats=90",))


def group(name: str, tanks: tuple[str, ...], nominal: float, true: Estimate | Unknown) -> YieldGroup:
    loss: Estimate | Unknown = true if isinstance(true, Unknown) else Estimate(0.6, 0.1, 0.4, 0.8)
    none = Unknown("it is not asked for")
    return YieldGroup(name, tanks, none, true, loss, nominal, 0.5, none, None, 9, 0, 0, None, ())


def test_a_tanks_own_fit_comes_before_its_groups_which_is_shared_as_the_roofs_are() -> None:
    network = Network(
        tuple(WaterTank(name, 9000.0, 0.0, 0.0, 0.0) for name in ("a", "b", "c", "d")),
        (Roof("r", 100.0, 0.9, 0.5, 0.0, (("a", 0.5), ("b", 0.3), ("c", 0.2))),),
        (),
    )
    fits = fits_of(
        [
            group("site", ("a", "b", "c", "d"), 90.0, Estimate(72.0, 2.0, 68.0, 76.0)),
            group("a", ("a",), 45.0, Estimate(40.0, 1.0, 38.0, 42.0)),
            group("b", ("b",), 27.0, Unknown("there are too few storms")),
        ],
        network,
    )
    assert {tank: (fit.source, fit.yield_l_mm.value) for tank, fit in fits.items()} == {
        "a": ("fit of a", 40.0),
        "b": ("fit of site", pytest.approx(0.3 * 72)),
        "c": ("fit of site", pytest.approx(0.2 * 72)),
    }
    assert fits["b"].yield_l_mm.u == pytest.approx(0.6)


def test_without_storms_enough_the_nominal_yields_stay(tmp_path: Path) -> None:
    site = planning_site(tmp_path)
    settings = load_settings(site / "site.toml")
    with LogReader(site) as reader:
        assert answers.fitted_yields(settings, reader, Notes(), AS_OF_MS) == {}


def forecast(likely_mm: float, made: str, begins: str, ends: str) -> Forecast:
    return Forecast(ms(made), ms(begins), ms(ends), likely_mm / 2, likely_mm, likely_mm * 2)


def test_the_notebooks_newest_forecast_that_is_not_over_is_taken(tmp_path: Path) -> None:
    notes = Notes(
        forecasts=(
            forecast(99, "2026-01-10T12:00", "2026-01-10T13:00", "2026-01-11T00:00"),
            forecast(8, "2026-01-09T12:00", "2026-01-10T12:00", "2026-01-13T00:00"),
            forecast(5, "2026-01-08T12:00", "2026-01-11T12:00", "2026-01-13T00:00"),
        )
    )
    wet = (tips("2026-01-10T11:00:00", 50), tips("2026-01-10T13:00:00", 10))
    found = advise(planning_site(tmp_path, extra=wet), None, notes)
    rain = found.rain
    assert (rain.told_by, rain.low_mm, rain.likely_mm, rain.high_mm) == ("notebook", 4, 8, 16)
    # Ten tips of 0.2 mm since noon are of that rain; those before noon are not.
    assert rain.fallen_mm == pytest.approx(2.0)
    assert [plan.rain_mm for plan in found.plans] == pytest.approx([6.0, 14.0])
    with pytest.raises(Refused, match="note forecast"):
        advise(tmp_path, None)


@pytest.mark.parametrize(
    ("text", "three"),
    [
        ("25mm", (25, 25, 25)),
        ("25", (25, 25, 25)),
        ("10,25,40", (10, 25, 40)),
        ("10, 25 ,40 mm", (10, 25, 40)),
        ("0.5,1,2in", (12.7, 25.4, 50.8)),
        ("1cm,20mm,1in", (10, 20, 25.4)),
    ],
)
def test_rain_as_people_type_it(text: str, three: tuple[float, ...]) -> None:
    rain = answers.read_rain(text)
    assert (rain.low_mm, rain.likely_mm, rain.high_mm) == pytest.approx(three)


@pytest.mark.parametrize("text", ["", "wet", "1,2", "3,2,1", "-4", "10,,40", "1,2,3,4", "5 furlongs", "9999", "1e999"])
def test_rain_that_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(Refused, match="--rain"):
        answers.read_rain(text)


# --- outlook --------------------------------------------------------------------------------------------------------


def quiet(folder: Path, text: str = SETTINGS + ROOF, *, extra: tuple[Raw, ...] = (), east_mm: int = 1000) -> Path:
    """East falls by 80 L a day, west by 40: 2800 and 1800 L usable, 3100 L above the reserve."""
    return planning_site(folder, text, east_mm=east_mm, east_fall_mm=40, extra=extra)


def test_days_without_rain_are_what_is_above_over_the_fall(tmp_path: Path) -> None:
    # Usable: 3000 - 200 and 2000 - 200; reserve 1500; they fall by 80 and 40 L on each of nine days without a pump run.
    found = look(quiet(tmp_path))
    east, west, spare = found.tanks
    assert (value(east.usable_l), value(west.usable_l)) == pytest.approx((2800.0, 1800.0), abs=0.5)
    assert (value(east.fall_l_day), value(west.fall_l_day)) == pytest.approx((80.0, 40.0), abs=0.5)
    assert (east.fall_by, spare.fall_by) == ("measured", "none")
    assert value(found.days_without_rain) == pytest.approx(3100 / 120, rel=1e-3)
    assert found.because == "no record was asked for"
    assert found.chances == ()
    assert [line.dry_l for line in found.fan[:2]] == pytest.approx([4600.0, 4480.0], abs=1)


def test_days_with_rain_a_pump_run_or_a_delivery_are_left_out(tmp_path: Path) -> None:
    wet = tuple(tips(f"2026-01-{day:02d}T12:00:00", 3) for day in (5, 6, 7))
    found = look(quiet(tmp_path, extra=wet))
    assert value(found.tanks[0].fall_l_day) == pytest.approx(80.0, abs=0.5)
    carted = Notes(deliveries=(Delivery(ms("2026-01-08T10:00"), ms("2026-01-08T11:00"), "east", 500.0, 10.0),))
    few = look(quiet(tmp_path / "few", extra=(*wet, tips("2026-01-09T12:00:00", 1))), notes=carted)
    assert isinstance(few.tanks[0].fall_l_day, Unknown)
    assert "the log has 4" in few.tanks[0].fall_l_day.because
    assert isinstance(few.days_without_rain, Unknown)
    assert few.fan == ()


def test_a_typed_draw_or_the_households_stands_in_for_what_was_not_measured(tmp_path: Path) -> None:
    house = '\n[household]\ntank = "east"\ndraw_a_day = "250 L"\ndraw_a_day_u = "20 L"\n'
    wet = tuple(tips(f"2026-01-{day:02d}T12:00:00", 3) for day in range(1, 12))
    site = quiet(tmp_path, SETTINGS + ROOF + house, extra=wet[:-1])
    found = look(site)
    assert [(tank.fall_by, value(tank.fall_l_day)) for tank in found.tanks] == [
        ("household", 250.0),
        ("none", 0.0),
        ("none", 0.0),
    ]
    assert value(look(site, draw_l_day=310.0).days_without_rain) == pytest.approx(10.0, rel=1e-3)


def record(rain: list[float], first: date = date(2020, 1, 1)) -> RainRecord:
    return RainRecord("a made-up record", first, np.array(rain))


def test_a_record_without_rain_touches_the_reserve_when_the_dry_line_does(tmp_path: Path) -> None:
    found = look(quiet(tmp_path), record([0.0] * 1500), horizons=(10, 20, 26, 60))
    ratios = [line.touched_ratio.value for line in found.chances]
    assert ratios[0] == 0.0
    assert ratios[-1] > 0.99
    assert ratios == sorted(ratios)
    assert found.half_days == pytest.approx(26, abs=1)
    assert found.fan[20].middle_l == pytest.approx(found.fan[20].dry_l, rel=0.01)


def test_steady_rain_never_lets_it_be_touched(tmp_path: Path) -> None:
    found = look(quiet(tmp_path), record([3.0] * 1500))
    assert [line.touched_ratio.value for line in found.chances] == [0.0, 0.0, 0.0]
    assert (found.half_days, found.tenth_days) == (None, None)
    # East fills to its brim and falls by a day's draw each evening; west, which no rain reaches, falls by 40 L a day.
    assert found.fan[30].middle_l == pytest.approx(3800 - 80 + 1800 - 30 * 40, abs=30)


def test_the_season_of_the_record_counts(tmp_path: Path) -> None:
    # Dry from January to April, wet for the rest of the year.
    rain = [0.0 if (date(2020, 1, 1).toordinal() + k - 737425) % 365.25 < 120 else 6.0 for k in range(1826)]
    now = look(quiet(tmp_path), record(rain), horizons=(60,))
    any_time = look(tmp_path, record(rain), horizons=(60,), any_season=True)
    assert now.chances[0].touched_ratio.value > 0.99
    assert any_time.chances[0].touched_ratio.value < 0.3


def test_a_short_record_is_not_enough_to_say(tmp_path: Path) -> None:
    found = look(quiet(tmp_path), record([1.0] * 100, date(2025, 9, 1)))
    assert found.because is not None and "unbroken stretches of 10 days" in found.because
    assert isinstance(found.days_without_rain, Estimate)


def test_a_reserve_that_is_short_already_is_touched_now(tmp_path: Path) -> None:
    found = look(quiet(tmp_path, east_mm=2200, text=SETTINGS.replace("1500 L", "3000 L")), record([0.0] * 1500))
    assert value(found.days_without_rain) == 0.0
    assert value(found.above_l) < 0
    assert [line.touched_ratio.value for line in found.chances] == [1.0, 1.0, 1.0]


def test_without_a_reserve_the_question_is_refused(tmp_path: Path) -> None:
    text = SETTINGS[: SETTINGS.index("[reserve]")]
    with pytest.raises(RainsteadError, match=r"no \[reserve\] table"):
        look(quiet(tmp_path, text))


def test_no_level_yet_makes_the_answer_unknown(tmp_path: Path) -> None:
    site = quiet(tmp_path)
    settings = load_settings(site / "site.toml")
    with LogReader(site) as reader:
        found = answers.outlook(settings, reader, Notes(), ms("2025-12-01T00:00:00"), record([0.0] * 1500))
    assert isinstance(found.days_without_rain, Unknown)
    assert found.because is not None and "the log has no reading of east_level" in found.because


def test_monthly_evaporation_is_not_counted_twice(tmp_path: Path) -> None:
    # 4 m2 open; January's 93 mm are 12.2 L a day, which are in the measured fall already; February has none.
    text = SETTINGS.replace("[tanks.west]\n", '[tanks.west]\ncovered = false\nopen_area = "4 m2"\n')
    text += "\n[evaporation]\nmonthly = [93, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]\n"
    plain, given = (
        look(quiet(tmp_path), record([0.0] * 1500)),
        look(quiet(tmp_path / "open", text), record([0.0] * 1500)),
    )
    assert given.fan[15].middle_l == pytest.approx(plain.fan[15].middle_l, abs=15)
    later = (given.fan[27].middle_l or 0) - (plain.fan[27].middle_l or 0)
    # From 1 February on, day 22, the 12.2 L a day of January's evaporation are no longer lost: five to six days of it.
    assert later == pytest.approx(6 * 12.2, abs=30)


# --- sizing ---------------------------------------------------------------------------------------------------------

# Wet half years and dry ones: 4 mm a day, then none.
SEASONS = [4.0 if k % 365 < 180 else 0.0 for k in range(1461)]


def test_the_ladder_has_the_site_as_it_is_first_and_some_of_each_kind(tmp_path: Path) -> None:
    found = size(planning_site(tmp_path), record(SEASONS), draw_l_day=60.0)
    assert found.options[0].name == "as it is"
    assert found.options[0].after.kept_l_year == pytest.approx(0.0)
    assert (found.draw_by, found.capacity_l, found.reserve_l) == ("typed", 10_000.0, 1500.0)
    assert {bool(line.tank_l) for line in found.options} == {True, False}
    assert any(line.roof_m2 for line in found.options)
    assert any(line.draw_l_day < 60 for line in found.options)
    assert not any(line.cover for line in found.options)
    assert found.record is not None and found.record.days == 1461
    days = [point.after_days_year for point in found.curve]
    assert days == sorted(days, reverse=True)


def test_a_dry_half_year_wants_its_draw_in_store(tmp_path: Path) -> None:
    """185 dry days at 20 L want 3700 L in store at their beginning. Full, east has 3800 L above its outlet, and no rain
    reaches west or spare: without a fire reserve that is enough, with 1500 L kept in east it is short for 70 days."""
    site = planning_site(tmp_path, (SETTINGS + ROOF).replace('fire = "1500 L"', 'fire = "0 L"'))
    assert size(site, record(SEASONS), draw_l_day=20.0).options[0].after.days_short == 0
    # West's and spare's half-full beginning is drawn down within the first pass, which is not counted.
    text = (SETTINGS + ROOF).replace('tanks = ["east", "west"]', 'tanks = ["east"]')
    kept = size(
        planning_site(tmp_path / "kept", text), record(SEASONS), WorkOption("x", tank_l=1500.0), draw_l_day=20.0
    )
    base, more = kept.options
    assert base.after.longest_short_days == pytest.approx(185 - (3800 - 1500) / 20, abs=3)
    assert more.after.days_short < base.after.days_short - 200


def test_prices_give_a_cost_by_the_kilolitre(tmp_path: Path) -> None:
    option = WorkOption("tank", tank_l=3000.0, cost=1200.0)
    found = size(planning_site(tmp_path), record(SEASONS), option, draw_l_day=40.0, years=10.0)
    result = found.options[1].after
    assert result.kept_l_year is not None and result.kept_l_year > 1000
    assert value(result.cost_per_kl) == pytest.approx(1200 / (result.kept_l_year / 1000 * 10))


def test_the_house_draws_from_its_own_tank_first(tmp_path: Path) -> None:
    """West has a tenth of the roof: drawn first it never fills, so that the dry half year misses its 3800 L."""
    house = '\n[household]\ntank = "{}"\ndraw_a_day = "100 L"\ndraw_a_day_u = "2 L"\n'
    roof = ROOF.replace("east = 1.0", "east = 0.9, west = 0.1")
    spilt = []
    for tank in ("east", "west"):
        text = (SETTINGS + roof + house.format(tank)).replace('fire = "1500 L"', 'fire = "0 L"')
        found = size(planning_site(tmp_path / tank, text), record(SEASONS[:366]))
        assert (found.draw_by, found.draw_l_day) == ("household", 100.0)
        spilt.append(found.options[0].after.spilt_l_year)
    assert 3000 < spilt[1] - spilt[0] < 4200


def test_a_measured_draw_stands_in_where_none_is_told(tmp_path: Path) -> None:
    found = size(planning_site(tmp_path), record(SEASONS))
    assert found.draw_by == "measured"
    assert found.draw_l_day == pytest.approx(50.0, abs=1)


@pytest.mark.parametrize(("rain", "said"), [([1.0] * 300, "a year is the"), ([1.0, np.nan] * 400, "a year is the")])
def test_less_than_a_year_without_a_gap_is_not_enough(tmp_path: Path, rain: list[float], said: str) -> None:
    found = size(planning_site(tmp_path), record(rain), draw_l_day=60.0)
    assert found.because is not None and said in found.because
    assert (found.options, found.curve, found.record) == ((), (), None)


def test_zero_rain_leaves_every_day_short_and_no_cost(tmp_path: Path) -> None:
    found = size(planning_site(tmp_path), record([0.0] * 800), WorkOption("t", tank_l=900, cost=5.0), draw_l_day=60.0)
    assert found.options[0].after.days_ratio == 0.0
    assert isinstance(found.options[1].after.cost_per_kl, Unknown)


def test_nothing_drawn_and_no_roof_are_not_enough_to_say(tmp_path: Path) -> None:
    none = size(planning_site(tmp_path), record(SEASONS), draw_l_day=0.0)
    assert none.because is not None and "nothing is drawn" in none.because
    bare = size(planning_site(tmp_path / "bare", SETTINGS), record(SEASONS), draw_l_day=50.0)
    assert bare.because is not None and "[catchments]" in bare.because


def test_options_as_people_type_them() -> None:
    tank, both, cover, draw = answers.read_options(
        ["tank=10kL cost=1800", "tank=5000 roof=40m2 name='shed and tank'", "cover", "draw=250"]
    )
    assert (tank.name, tank.tank_l, tank.cost) == ("another tank, 10,000 L", 10_000.0, 1800.0)
    assert (both.name, both.tank_l, both.roof_m2, both.cost) == ("shed and tank", 5000.0, 40.0, None)
    assert (cover.name, cover.cover) == ("cover", True)
    assert draw.draw_l_day == 250.0


@pytest.mark.parametrize(
    "text",
    [
        "",
        "cost=5",
        "tank",
        "tank=",
        "tank=big",
        "tank=1 tank=2",
        "well=5",
        "cover=half",
        "tank=-5",
        "tank='x",
        "roof=4kL",
        "cost=1e99 cover",
    ],
)
def test_an_option_that_will_not_do_is_refused(text: str) -> None:
    with pytest.raises(Refused, match="--option"):
        answers.read_options([text])


@pytest.mark.parametrize("text", ["", "x", "30,,60", "0", "-5", "30.5", "9999", ",".join(map(str, range(1, 15)))])
def test_days_that_will_not_do_are_refused(text: str) -> None:
    with pytest.raises(Refused, match="--days"):
        answers.read_horizons(text)


def test_days_and_draws_as_people_type_them() -> None:
    assert answers.read_horizons("90, 30,60,30") == (30, 60, 90)
    assert answers.read_draw("0.3 kL/day") == 300.0
    assert answers.read_draw(None) is None
    with pytest.raises(Refused, match="has no unit"):
        answers.read_draw("300")
