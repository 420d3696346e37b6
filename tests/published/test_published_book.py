"""The water book against figures and libraries from outside."""

import math

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

from rainstead.calc.arrays import F64
from rainstead.calc.desk import (
    Amount,
    EvaporationDays,
    Feed,
    Kind,
    TankMinutes,
    TippedRain,
    balance,
    direct_kind,
    roof_kind,
    spill_kind,
    straight_course,
)

HOUR = 3_600_000
DAY = 24 * HOUR


def held(volume_l: F64, brim_l: float = math.inf, every_ms: int = HOUR, **u_l: float) -> TankMinutes:
    """Levels by the hour, or more often."""
    ones = np.ones(len(volume_l))
    parts = {name: u_l.get(name, 0.0) * ones for name in ("noise", "zero", "sound")}
    return TankMinutes(
        "tank", np.arange(len(volume_l), dtype=np.int64) * every_ms, ones.astype(np.int64), volume_l / 1e4,
        parts["noise"] / 1e4, parts["zero"] / 1e4, parts["sound"] / 1e4, volume_l,
        parts["noise"], parts["zero"], parts["sound"], u_l.get("scale", 0.0) * volume_l, volume_l >= brim_l,
    )  # fmt: skip


def rest(minutes: TankMinutes, kinds: dict[str, list[Kind]], upto_ms: int) -> Amount:
    found = balance(minutes, kinds, 0, upto_ms).rest
    assert isinstance(found, Amount)
    return found


def storm(rain_mm: float, tips: int = 125) -> TippedRain:
    rain = np.full(tips, rain_mm / tips)
    return TippedRain(
        HOUR + np.arange(tips, dtype=np.int64) * 60_000, rain, np.zeros(tips, dtype=np.int64), np.cumsum(rain), 0.0, 0.0
    )


def test_roof_and_direct_catch_of_the_worked_storm() -> None:
    """Source: arithmetic, 1 mm on 1 m2 is 1 L: (25 - 1.0 mm) x 0.9 x 200 m2 is 4320.0 L; 25 mm on 3.66 m, 263.02 L."""
    roof = roof_kind(Feed("tank", "roof", 0.9 * 200, 0.0, 1.0, 0.0), storm(25.0))
    direct = direct_kind(math.pi / 4 * 3.66**2, storm(25.0))
    assert roof.litres.between(0, DAY) == pytest.approx(4320.0, abs=0.05)
    assert direct.litres.between(0, DAY) == pytest.approx(263.02, abs=0.005)
    assert roof.litres.between(0, DAY) + direct.litres.between(0, DAY) == pytest.approx(4583.02, abs=0.05)


def test_a_millimetre_a_day_from_a_round_tank() -> None:
    """Source: geometry: 1 mm/d in 3.66 m is 10.52 L/d. FAO-56, example 20, by 1.05: 5.289 mm/d is 55.6 L/d."""
    area_m2 = math.pi / 4 * 3.66**2
    for mm_day, printed in ((1.0, "10.52"), (5.289, "55.6")):
        days = EvaporationDays(np.arange(3, dtype=np.int64) * DAY, np.full(2, mm_day), 0.25)
        litres = area_m2 * float(days.between_mm(0, DAY))
        dried = [Kind(straight_course(0, DAY, litres))]
        fell = held(5000 - np.arange(25) / 24 * float(printed))
        assert abs(rest(fell, {"evaporation": dried}, DAY).litres) < 0.5 * 10.0 ** -len(printed.partition(".")[2])


def test_the_store_of_the_yield_after_spillage_example_balances() -> None:
    """Source: rule of Jenkins et al. 1978 and Fewkes & Butler 2000 (rule from memory, figures worked by it): a store of
    5 with V0 = 1; V0 + sum Q = sum Y + sum spill + V."""
    came, took, over = [0, 6, 0, 1, 8, 0, 0], [1, 0, 2, 2, 2, 2, 1], [0, 1, 0, 0, 5, 0, 0]
    stood = [1, 0, 5, 3, 2, 3, 1, 0]
    minutes = held(np.repeat(np.array(stood, dtype=float), 24))

    def daily(litres: list[int]) -> list[Kind]:
        return [Kind(straight_course(k * DAY, (k + 1) * DAY, float(one))) for k, one in enumerate(litres)]

    kinds = {"rain": daily(came), "draw": daily(took), "spill": daily(over)}
    whole = balance(minutes, kinds, 0, 7 * DAY)
    assert isinstance(whole.rest, Amount)
    assert whole.rest.litres == pytest.approx(0, abs=1e-9)
    assert sum(took) + sum(over) == 16


def test_spill_of_a_full_store_is_what_the_store_has_no_room_for() -> None:
    """Source: yield after spillage, the same example's second step: V 0, Q 6, S 5 spills 1."""
    minutes = held(np.minimum(np.arange(421) * 1000 / 60, 5000), brim_l=5000, every_ms=60_000)
    rain = {"rain": [Kind(straight_course(0, 6 * HOUR, 6000.0))]}
    assert spill_kind(minutes, 5000, rain).litres.between(0, 7 * HOUR) == pytest.approx(
        1000, abs=10
    )  # half a minute's inflow


def test_what_shares_an_error_is_added_before_it_is_squared_as_the_guide_has_it() -> None:
    """Source: JCGM 100:2008, 5.2.2, example: ten resistors of 1000 ohm in series, each compared with one standard of
    u 100 mohm, have u 1 ohm, not 0.32 (from memory). Here: ten loads through one meter."""
    loads = [
        Kind(one := straight_course(k * HOUR, (k + 1) * HOUR, 1000.0), {"meter": one.times(0.0001)}) for k in range(10)
    ]
    whole = balance(held(np.full(25, 5000.0)), {"pumped_in": loads}, 0, DAY)
    assert whole.amounts["pumped_in"].u_l == pytest.approx(1.0)


def test_the_rest_of_a_day_is_that_of_the_library_uncertainties() -> None:
    """Source: uncertainties 3.2, with the levels' errors as one correlated pair (JCGM 100:2008, eq. 13)."""
    minutes = held(np.linspace(5000, 6200, 25), noise=6.0, zero=90.0, sound=30.0, scale=0.02)
    z = {name: ufloat(0, 1) for name in ("yield", "gauge", "meter", "draw")}
    alike = math.exp(-24 / 6)
    # Zero and scale are one error of both levels, the air's only as far as a day leaves it.
    first_u, last_u = 0.02 * 5000, 0.02 * 6200
    covariance = [
        [6.0**2 + 90.0**2 + 30.0**2 + first_u**2, 90.0**2 + alike * 30.0**2 + first_u * last_u],
        [90.0**2 + alike * 30.0**2 + first_u * last_u, 6.0**2 + 90.0**2 + 30.0**2 + last_u**2],
    ]
    opening, closing = correlated_values([5000.0, 6200.0], covariance)
    rain = 1800 * (1 + 0.1 * z["yield"] + 0.02 * z["gauge"])
    direct = 200 * (1 + 0.02 * z["gauge"])
    pumped = 500 * (1 + 0.03 * z["meter"])
    draw = 220 + 40 * z["draw"]
    theirs = closing - opening - rain - direct + pumped + draw

    def kind(litres: float, **u_l: float) -> list[Kind]:
        return [Kind(straight_course(0, DAY, litres), {name: straight_course(0, DAY, u) for name, u in u_l.items()})]

    kinds = {
        "rain": kind(1800.0, **{"yield": 180.0}, gauge=36.0),
        "direct": kind(200.0, gauge=4.0),
        "pumped_out": kind(500.0, meter=15.0),
        "draw": kind(220.0, draw=40.0),
    }
    first, last = (minutes.between(at - 1, at) for at in (0, DAY))
    assert [len(first.t_ms), len(last.t_ms)] == [1, 1]
    # The level about a bound is the mean of the readings within ten minutes of it: here one.
    ours = rest(minutes, kinds, DAY)
    assert [ours.litres, ours.u_l] == pytest.approx([theirs.nominal_value, theirs.std_dev], rel=1e-9)


def test_a_difference_of_levels_keeps_noise_and_loses_the_offset() -> None:
    """Source: geometry: 3 mm of noise at each end in 3.66 m is sqrt 2 x 3 x 10.52 = 44.6 L, whatever the offset."""
    minutes = held(np.full(25, 5000.0), noise=3 * 10.52, zero=500.0)
    assert rest(minutes, {}, DAY).u_l == pytest.approx(44.6, abs=0.05)
