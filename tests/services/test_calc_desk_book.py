"""The water book's arithmetic: it closes, any cut adds up, shared errors cancel, a full tank spills what comes."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.calc.arrays import F64, I64
from rainstead.calc.desk import (
    IN,
    OUT,
    Amount,
    Balance,
    Course,
    Feed,
    Kind,
    LevelMean,
    TankMinutes,
    TippedRain,
    Unknown,
    amount_of,
    balance,
    direct_kind,
    roof_kind,
    spill_kind,
    steps_course,
    straight_course,
    sum_of,
)

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


def minutes(
    volume_l: F64, *, name: str = "house", noise_u_l: float = 0.0, scale: float = 0.0, sound_u_l: float = 0.0,
    zero_u_l: float = 0.0, brim_l: float = math.inf, every_ms: int = MINUTE,
) -> TankMinutes:  # fmt: skip
    n = len(volume_l)
    flat = np.ones(n)
    return TankMinutes(
        tank=name,
        t_ms=np.arange(n, dtype=np.int64) * every_ms,
        readings=np.ones(n, dtype=np.int64),
        depth_m=volume_l / 10_000,
        depth_noise_u_m=noise_u_l / 10_000 * flat,
        depth_zero_u_m=zero_u_l / 10_000 * flat,
        depth_sound_u_m=sound_u_l / 10_000 * flat,
        volume_l=volume_l,
        noise_u_l=noise_u_l * flat,
        zero_u_l=zero_u_l * flat,
        sound_u_l=sound_u_l * flat,
        scale_u_l=scale * volume_l,
        at_brim=volume_l >= brim_l,
    )


def tipped(t_ms: list[int], rain_mm: list[float], storm: list[int], *, u_ratio: float = 0.0) -> TippedRain:
    rain = np.array(rain_mm)
    number = np.array(storm, dtype=np.int64)
    fell = np.concatenate([np.cumsum(rain[number == k]) for k in np.unique(number)]) if len(rain) else rain
    return TippedRain(np.array(t_ms, dtype=np.int64), rain, number, fell, u_ratio, 0.0)


def rest_of(one: Balance) -> Amount:
    assert isinstance(one.rest, Amount), one.rest
    return one.rest


def volume_of(level: LevelMean | Unknown) -> float:
    assert isinstance(level, LevelMean)
    return level.volume_l


FEED = Feed("house", "roof", 100.0, 10.0, 1.0, 0.5)


# --- Running totals -------------------------------------------------------------------------------------------------


def test_a_step_at_a_bound_belongs_before_it() -> None:
    course = steps_course(np.array([100, 200, 200]), np.array([1.0, 2.0, 4.0]))
    assert course.between(0, 100) == 1
    assert course.between(100, 199) == 0
    assert course.between(199, 200) == 6
    assert course.between(200, 1000) == 0


def test_steps_a_millisecond_apart_are_kept_apart() -> None:
    course = steps_course(np.array([100, 101]), np.array([1.0, 2.0]))
    assert [course.between(99, 100), course.between(100, 101)] == [1, 2]


def test_what_came_evenly_is_cut_by_time_and_what_came_at_once_is_not() -> None:
    assert straight_course(0, 100, 50.0).between(0, 25) == 12.5
    assert straight_course(100, 100, 50.0).between(99, 100) == 50
    assert steps_course(np.zeros(0, dtype=np.int64), np.zeros(0)).between(0, 100) == 0


@given(seed=st.integers(0, 2**32 - 1))
def test_any_cut_of_any_water_adds_up(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t_ms = np.sort(rng.integers(0, 1000, 20))
    kinds = [
        Kind(steps_course(t_ms, rng.normal(0, 9, 20)), {"a": steps_course(t_ms, rng.normal(0, 9, 20))}),
        Kind(straight_course(int(t_ms[3]), int(t_ms[17]), rng.normal(0, 99))),
    ]
    cuts = [0, *sorted(rng.integers(0, 1000, int(rng.integers(0, 9))).tolist()), 1000]
    parts = [amount_of(kinds, low, high) for low, high in itertools.pairwise(cuts)]
    whole = amount_of(kinds, 0, 1000)
    assert math.fsum(part.litres for part in parts) == pytest.approx(whole.litres, abs=1e-9)
    assert math.fsum(part.errors["a"] for part in parts) == pytest.approx(whole.errors["a"], abs=1e-9)


def test_the_sum_of_totals_is_the_total_of_sums() -> None:
    one, other = straight_course(0, 100, 50.0), steps_course(np.array([40]), np.array([8.0]))
    both = sum_of([one, other])
    assert [both.between(0, 39), both.between(0, 40), both.between(0, 100)] == pytest.approx([19.5, 28.0, 58.0])
    assert sum_of([]).between(0, 100) == 0


# --- Rain -----------------------------------------------------------------------------------------------------------


def test_each_storm_wets_the_roof_anew() -> None:
    rain = tipped([10, 20, 30, 5000, 6000], [0.6, 0.6, 2.0, 0.5, 0.4], [0, 0, 0, 1, 1])
    kind = roof_kind(FEED, rain)
    assert kind.litres.between(0, 19) == 0
    assert kind.litres.between(19, 20) == pytest.approx(20)
    assert kind.litres.between(0, 1000) == pytest.approx(220)
    assert kind.litres.between(1000, 9000) == 0
    assert kind.errors["yield roof"].between(0, 9000) == pytest.approx(22)
    assert kind.errors["loss roof"].between(0, 9000) == pytest.approx(-50)


def test_a_gauge_that_is_wrong_by_a_tenth_is_so_for_roof_and_mouth_alike() -> None:
    exact, more = (tipped([10, 20], [3.0 * k, 2.0 * k], [0, 0], u_ratio=0.1) for k in (1.0, 1.1))
    for kind, other in (
        (roof_kind(FEED, exact), roof_kind(FEED, more)),
        (direct_kind(10, exact), direct_kind(10, more)),
    ):
        for low, high in ((0, 10), (10, 20), (0, 20)):
            assert kind.errors["gauge"].between(low, high) == pytest.approx(
                other.litres.between(low, high) - kind.litres.between(low, high)
            )


# --- The balance ----------------------------------------------------------------------------------------------------


@given(seed=st.integers(0, 2**32 - 1))
def test_the_book_closes_to_the_last_litre_and_its_days_add_up(seed: int) -> None:
    rng = np.random.default_rng(seed)
    days = int(rng.integers(1, 6))
    held = minutes(rng.uniform(0, 9000, days * 24 + 1), every_ms=HOUR, brim_l=8000)
    t_ms: I64 = np.sort(rng.integers(0, days * DAY, 30))
    kinds = {
        name: [Kind(steps_course(t_ms, rng.uniform(0, 50, 30)))]
        for name in (*IN, *OUT)
        if name != "spill" and rng.uniform() < 0.7
    }
    kinds["spill"] = [spill_kind(held, 8000, kinds)]
    cuts = [0, *sorted({int(one) * HOUR for one in rng.integers(1, days * 24, 3)}), days * DAY]
    books = [balance(held, kinds, low, high) for low, high in itertools.pairwise(cuts)]
    whole = balance(held, kinds, 0, days * DAY)
    for book in [*books, whole]:
        came = math.fsum(book.amounts[name].litres for name in IN)
        went = math.fsum(book.amounts[name].litres for name in OUT)
        closes = volume_of(book.opening) + came - went + rest_of(book).litres
        assert closes == pytest.approx(volume_of(book.closing), abs=1e-6)
    assert math.fsum(rest_of(book).litres for book in books) == pytest.approx(rest_of(whole).litres, abs=1e-6)
    for name in (*IN, *OUT):
        assert math.fsum(book.amounts[name].litres for book in books) == pytest.approx(
            whole.amounts[name].litres, abs=1e-6
        )


def test_a_tanks_zero_does_not_count_and_its_scale_counts_for_the_change_alone() -> None:
    held = minutes(np.linspace(5000, 5100, 1441), zero_u_l=300.0, scale=0.02)
    assert rest_of(balance(held, {}, 0, DAY)).u_l == pytest.approx(2, abs=0.05)


def test_what_a_meter_gets_wrong_cancels_where_both_tanks_are_in_the_book() -> None:
    moved = straight_course(HOUR, 2 * HOUR, 500.0)
    pumped = [Kind(moved, {"meter": moved.times(0.03)})]
    first = balance(minutes(np.full(1441, 9000.0)), {"pumped_out": pumped}, 0, DAY)
    second = balance(minutes(np.full(1441, 4000.0)), {"pumped_in": pumped}, 0, DAY)
    assert [rest_of(first).u_l, rest_of(second).u_l] == pytest.approx([15, 15])
    assert rest_of(first).plus(rest_of(second)).u_l == pytest.approx(0, abs=1e-9)


def test_a_bound_without_a_level_leaves_the_rest_unknown() -> None:
    held = minutes(np.full(600, 5000.0))
    book = balance(held, {}, 0, DAY)
    assert isinstance(book.rest, Unknown)
    assert "house has no good level within an hour" in book.rest.because
    assert isinstance(balance(minutes(np.zeros(0)), {}, 0, DAY).rest, Unknown)


def test_a_level_a_little_off_stands_in() -> None:
    held = minutes(np.full(1400, 5000.0))  # silent for the last forty minutes
    assert rest_of(balance(held, {}, 0, DAY)).litres == 0


# --- Spill ----------------------------------------------------------------------------------------------------------


def filling() -> TankMinutes:
    """300 L below its brim at first, full from 03:00 on."""
    volume = np.full(1441, 8000.0)
    volume[:60] = 7700
    volume[60:180] = np.linspace(7700, 8000, 120, endpoint=False)
    return minutes(volume, brim_l=8000)


def test_a_full_tank_spills_what_came_and_had_no_room() -> None:
    came = {
        "rain": [Kind(straight_course(HOUR, 5 * HOUR, 600.0), {"yield roof": straight_course(HOUR, 5 * HOUR, 60.0)})]
    }
    spill = spill_kind(filling(), 8000, came)
    assert spill.litres.between(0, DAY) == pytest.approx(300, abs=3)
    assert spill.litres.between(0, 2 * HOUR) == 0
    assert spill.litres.between(0, 4 * HOUR) == pytest.approx(150, abs=5)
    book = balance(filling(), came | {"spill": [spill]}, 0, DAY)
    assert rest_of(book).litres == pytest.approx(0, abs=4)
    # From twenty minutes before it was full, what is wrong with the yield is wrong with the spill, and cancels.
    assert book.amounts["spill"].u_l == pytest.approx(60 * 140 / 240)
    assert rest_of(book).u_l == pytest.approx(60 * 100 / 240)


def test_a_full_tank_to_which_nothing_came_spills_nothing() -> None:
    assert spill_kind(filling(), 8000, {}).litres.between(0, DAY) == 0


def test_a_draw_makes_room_while_it_is_full() -> None:
    came = {"rain": [Kind(straight_course(4 * HOUR, 5 * HOUR, 600.0))], "draw": [Kind(straight_course(0, DAY, 240.0))]}
    spill = spill_kind(filling(), 8000, came)
    # Looked at from twenty minutes before the rain to twenty after it.
    assert spill.litres.between(0, DAY) == pytest.approx(600 - 240 * 100 / 1440)


def test_a_tank_that_never_was_full_spills_nothing() -> None:
    held = minutes(np.full(1441, 5000.0), brim_l=8000)
    assert spill_kind(held, 8000, {"rain": [Kind(straight_course(0, DAY, 600.0))]}).litres.between(0, DAY) == 0


# --- The rest's interval --------------------------------------------------------------------------------------------


def kind(one: Course, litres: float, u_ratios: dict[str, float], variance: float = 0.0) -> Kind:
    """Litres over a course of one litre, with errors by source, each a part of them."""
    errors = {source: one.times(litres * ratio) for source, ratio in u_ratios.items()}
    return Kind(one.times(litres), errors, one.times(variance))


def test_the_rest_of_a_book_that_is_right_holds_nought_nineteen_times_of_twenty() -> None:
    """Two tanks with rain, a pump between them, a draw, levels with noise, drift and scale, all wrong as they say."""
    rng = np.random.default_rng(11)
    days, hits, site_hits = 5, [], []
    marks = np.arange(days * 24 + 1) * HOUR
    alike = np.exp(-np.abs(marks[:, None] - marks) / (6 * HOUR))
    drift = np.linalg.cholesky(25.0**2 * alike + 1e-6 * np.eye(len(marks)))
    for _ in range(400):
        said = {"rain": rng.uniform(200, 900), "direct": rng.uniform(50, 300), "draw": 200.0 * days, "pump": 400.0}
        z = {name: rng.normal() for name in ("yield", "gauge", "draw", "meter")}
        true = {
            "rain": said["rain"] * (1 + 0.1 * z["yield"] + 0.02 * z["gauge"]),
            "direct": said["direct"] * (1 + 0.02 * z["gauge"]),
            "draw": said["draw"] + 30 * days * z["draw"] + rng.normal() * 80 * math.sqrt(days),
            "pump": said["pump"] * (1 + 0.03 * z["meter"]),
        }
        spans = {
            "rain": (DAY, 2 * DAY),
            "direct": (DAY, 2 * DAY),
            "draw": (0, days * DAY),
            "pump": (3 * DAY, 3 * DAY + HOUR),
        }
        course = {name: straight_course(*spans[name], 1.0) for name in said}

        rain = kind(course["rain"], said["rain"], {"yield": 0.1, "gauge": 0.02})
        direct = kind(course["direct"], said["direct"], {"gauge": 0.02})
        draw = kind(course["draw"], said["draw"], {"draw": 30.0 * days / said["draw"]}, 80.0**2 * days)
        pump = kind(course["pump"], said["pump"], {"meter": 0.03})
        flows = {name: course[name].times(true[name]).at(marks) for name in said}
        house = 5000 + flows["rain"] - flows["draw"] + flows["pump"]
        pool = 9000 + flows["direct"] - flows["pump"]
        books = []
        for name, water in (("house", house), ("pool", pool)):
            read = water * (1 + rng.normal(0, 0.02)) + rng.normal(0, 100) + drift @ rng.normal(size=len(marks))
            read = read + rng.normal(0, 5, len(marks))
            held = minutes(read, name=name, noise_u_l=5.0, scale=0.02, sound_u_l=25.0, zero_u_l=100.0, every_ms=HOUR)
            kinds = {"rain": [rain], "draw": [draw], "pumped_in": [pump]}
            if name == "pool":
                kinds = {"direct": [direct], "pumped_out": [pump]}
            books.append(rest_of(balance(held, kinds, 0, days * DAY)))
            hits.append(abs(books[-1].litres) <= 1.96 * books[-1].u_l)
        both = books[0].plus(books[1])
        site_hits.append(abs(both.litres) <= 1.96 * both.u_l)
    # 800 and 400 draws of 95 %: four standard deviations are 3.1 and 4.4 points.
    assert 0.919 < sum(hits) / len(hits) < 0.981
    assert 0.906 < sum(site_hits) / len(site_hits) < 0.994
