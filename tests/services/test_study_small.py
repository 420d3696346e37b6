"""The study's own pieces, and a small study: `make study` asks a thousand sites, here it is a handful."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from coverage import Asked, asked, row
from happening import happen, run_volume_l
from held_log import HeldLog
from questions import ABSOLUTE
from random_site import DrawnSite, draw_site
from run import study
from sensing import air_error_c, columns, write_log
from true_evaporation import hargreaves_mm_day

from rainstead.calc.desk import Unknown, estimate
from rainstead.log import LogReader
from rainstead_board.twin import PumpRun, simulate


def _quiet(seed: int) -> DrawnSite:
    """A drawn site whose storms bring every roof what they bring the gauge, without use and evaporation."""
    site = draw_site(seed)
    still = dataclasses.replace(site.true, draw_l_day=(0.0,) * len(site.true.tanks), evaporation_mm_day=0.0)
    return dataclasses.replace(site, true=still, storm_u_ratio=0.0, evaporation_ratio=0.0)


@pytest.mark.parametrize("seed", [2, 5])
def test_the_studys_water_is_the_twins_water(seed: int) -> None:
    site = _quiet(seed)
    pump = site.settings.pump
    assert pump is not None
    if pump.to is not None:
        site = dataclasses.replace(site, runs=())  # the twin's pump has but a hose
    happened = happen(site)
    # Warm at once, so that both pump the same litres.
    runs = [PumpRun(r.start_ms, r.start_ms + round(r.lasts_s * 1000), r.flow_l_min) for r in happened.runs]
    twin = simulate(site.true, happened.weather, full_ratio=site.full_ratio, pump_runs=runs)
    missing_l = sum(
        r.flow_l_min * r.lasts_s / 60 - float(run_volume_l(r, np.asarray(r.lasts_s))) for r in happened.runs
    )
    scale_l = np.array([tank.brim_l for tank in site.true.tanks])
    off = np.abs(happened.volumes_l[-1] - twin.volumes_l[-1])
    assert len(happened.storms) == len(twin.storms)
    assert np.all(off <= missing_l + 1e-3 * scale_l), off
    roof_l = sum(sum(storm.roof_l) for storm in twin.storms)
    assert sum(storm.roof_l for storm in happened.storms) == pytest.approx(roof_l, rel=1e-9)


def test_no_litre_is_made_or_lost() -> None:
    happened = happen(_quiet(3))
    true = happened.site.true
    days = happened.site.days
    last = [tank.name for tank, to in zip(true.tanks, true.downstream, strict=True) if to < 0]
    came_l = sum(storm.roof_l for storm in happened.storms)
    came_l += sum(tank.open_m2 for tank in true.tanks) * float(happened.weather.rain_mm.sum())
    went_l = sum(true.seepage_l_day) * days + sum(float(happened.lost_l[name].sum()) for name in last)
    pump = happened.site.settings.pump
    assert pump is not None
    if pump.to is None:
        went_l += sum(float(run_volume_l(run, np.asarray(run.lasts_s))) for run in happened.runs)
    change_l = float(np.sum(happened.volumes_l[-1] - happened.volumes_l[0]))
    assert change_l == pytest.approx(came_l - went_l, abs=1.0)


def test_a_log_in_memory_reads_as_one_on_disk(tmp_path: Path) -> None:
    happened = happen(draw_site(1))
    write_log(tmp_path / "readings.db", happened)
    held = HeldLog(columns(happened))
    low, high = int(happened.t_ms[500]), int(happened.t_ms[9000])
    with LogReader(tmp_path) as real:
        for wanted in (None, ["gauge", "a_level"]):
            [one] = held.batches(after_ms=low, upto_ms=high, sensors=wanted)
            [other] = real.batches(after_ms=low, upto_ms=high, sensors=wanted)
            assert one.names == other.names
            for name in ("t_ms", "sensor", "value", "quality", "spread"):
                assert np.array_equal(getattr(one, name), getattr(other, name), equal_nan=name in ("value", "spread"))
        assert held.span_ms() == real.span_ms()
        assert held.last_before_ms(low) == real.last_before_ms(low)


def test_the_airs_error_is_as_large_and_as_lasting_as_it_is_meant() -> None:
    t_ms = np.arange(0, 40 * 86_400_000, 60_000, dtype=np.int64)
    many = np.array([air_error_c(np.random.default_rng(k), t_ms, 2.0, 0.4, 0)[::60] for k in range(200)])
    assert np.sqrt(np.mean(many**2)) == pytest.approx(2.0, rel=0.04)
    six_hours = np.mean(many[:, :-6] * many[:, 6:]) / np.mean(many**2)
    # 0.6 of the variance has fallen to 1/e, 0.4 of it turned by a quarter of its round.
    assert six_hours == pytest.approx(0.6 * np.exp(-1), abs=0.04)


def test_the_true_evaporation_follows_the_paper() -> None:
    """FAO-56 (1998), example 20: Lyon (45.72 N) in July, 26.6 and 14.8 deg C, 5.0 mm/day."""
    air_c = np.array([14.8, 26.6])
    assert f"{hargreaves_mm_day(air_c, 45.72, int(np.datetime64('2025-07-15').astype(int))):.1f}" == "5.0"


def _drawn(u: float, said_u: float, *, shift: float = 0.0, n: int = 4000) -> list[Asked]:
    rng = np.random.default_rng(5)
    values = 100 + shift + rng.normal(0, u, n)
    return [asked("x", "L", k, 100.0, estimate(float(v), said_u), 0.0) for k, v in enumerate(values)]


def test_honest_intervals_are_in_the_band_and_others_are_not() -> None:
    honest = row("all", _drawn(2.0, 2.0))
    assert honest.is_in_band and honest.z_spread == pytest.approx(1.0, abs=0.03)
    assert not row("all", _drawn(2.0, 1.6)).is_in_band
    assert not row("all", _drawn(2.0, 2.5)).is_in_band
    shifted = row("all", _drawn(2.0, 2.0, shift=2.0))
    assert not shifted.is_in_band
    assert shifted.bias == pytest.approx(0.02, abs=0.001)


def test_what_is_not_answered_is_counted_and_not_held_against_it() -> None:
    some = [*_drawn(2.0, 2.0, n=50), asked("x", "L", 1, 100.0, Unknown("it never rained"), 0.0)]
    told = row("all", some)
    assert (told.asked, told.unanswered, told.answered) == (51, 1, 50)
    nothing = row("all", some[-1:])
    assert nothing.coverage is None and not nothing.is_in_band


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_small_study_finds_the_truth_inside_the_intervals() -> None:
    everything = [one for found in study(first=40, count=8) for one in found]
    told = {
        quantity: row("all", [one for one in everything if one.quantity == quantity], absolute=quantity in ABSOLUTE)
        for quantity in _ASKED
    }
    whole = row("all", [one for one in everything if one.quantity in _ASKED], absolute=True)
    assert {quantity: line.answered >= 4 for quantity, line in told.items()} == dict.fromkeys(_ASKED, True)
    assert whole.coverage is not None and whole.coverage >= 0.9, whole
    # Too wide an interval holds everything: the errors must be as large as is said of them.
    assert whole.z_spread is not None and 0.6 < whole.z_spread < 1.5, whole
    by_site = told["yield of the site"]
    assert by_site.bias is not None and abs(by_site.bias) < 0.05, by_site


_ASKED = ("freeboard", "a minute's noise", "yield of the site", "pump flow", "seepage")
