"""The daily simulation: balance, any cut, and a chain of tanks against one tank of the same size."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.calc.arrays import F64
from rainstead.calc.desk import (
    Cascade,
    Draw,
    Network,
    Roof,
    RoofPipe,
    Site,
    Stores,
    Unknown,
    WaterTank,
    WorkOption,
    advance_days,
    cascade_of,
    simulate_options,
    start_of,
)
from rainstead.calc.desk.stores import Rule

# A made-up place: three tanks in a chain, the last one open; nobody's figures.
NETWORK = Network(
    tanks=(
        WaterTank("upper", 9000.0, 200.0, 0.0, 0.0),
        WaterTank("house", 20000.0, 1000.0, 0.0, 0.0),
        WaterTank("pool", 15000.0, 700.0, 18.0, 1.0),
    ),
    roofs=(
        Roof("shed", 70.0, 0.9, 0.4, 10.0, (("upper", 1.0),)),
        Roof("home", 140.0, 0.85, 0.5, 30.0, (("house", 0.6), ("pool", 0.4))),
    ),
    overflows=(("upper", "house"), ("house", "pool")),
)


def stores(rule: Rule, cases: int = 2, keep_l: float = 4000.0) -> Stores:
    ones = np.ones(cases)
    mouth = np.array([[tank.open_area_m2] for tank in NETWORK.tanks]) * ones
    return Stores(
        cascade=cascade_of(NETWORK),
        dead_l=np.array([[tank.dead_l] for tank in NETWORK.tanks]) * ones,
        mouth_m2=mouth,
        evaporating_m2=mouth * 0.7,
        pipes=(RoofPipe(0, 63.0 * ones, 0.5 * ones), RoofPipe(1, 71.0 * ones, 0.8 * ones)),
        draws=(Draw((1, 2), np.linspace(300.0, 900.0, cases)), Draw((0,), 40.0 * ones)),
        keep=(1, 2),
        keep_l=keep_l * ones,
        rule=rule,
    )


def weather(seed: int, days: int) -> tuple[F64, F64]:
    rng = np.random.default_rng(seed)
    rain = np.where(rng.random(days) < 0.3, rng.exponential(9.0, days), 0.0)
    return rain[:, np.newaxis], rng.uniform(0.5, 6.0, days)[:, np.newaxis]


START = np.array([[5000.0, 100.0], [12000.0, 2000.0], [9000.0, 15000.0]])


@pytest.mark.parametrize("rule", ["after", "before"])
def test_litres_in_are_litres_out_and_change(rule: Rule) -> None:
    rain, dry = weather(1, 400)
    after, rows = advance_days(start_of(START), stores(rule), rain, dry)
    out = rows.supplied_l.sum(0) + rows.lost_l.sum(0) + rows.evaporated_l.sum(0)
    change = np.array(after.volume_l).sum(0) - START.sum(0)
    np.testing.assert_allclose(rows.came_l.sum(0), out + change, rtol=1e-12)
    capacity = np.array([[tank.capacity_l] for tank in NETWORK.tanks])
    assert (rows.volume_l >= 0).all() and (rows.volume_l <= capacity + 1e-9).all()


@given(
    seed=st.integers(0, 2**32 - 1),
    cuts=st.lists(st.integers(0, 60), max_size=6),
    rule=st.sampled_from(["after", "before"]),
)
def test_any_cut_gives_the_same_bits(seed: int, cuts: list[int], rule: Rule) -> None:
    rain, dry = weather(seed, 60)
    whole_state, whole = advance_days(start_of(START), stores(rule), rain, dry)
    state = start_of(START)
    parts = []
    for low, high in zip([0, *sorted(cuts)], [*sorted(cuts), 60], strict=True):
        state, rows = advance_days(state, stores(rule), rain[low:high], dry[low:high])
        parts.append(rows)
    assert state == whole_state
    for name in ("came_l", "wanted_l", "supplied_l", "lost_l", "evaporated_l", "over_l", "volume_l"):
        joined = np.concatenate([getattr(rows, name) for rows in parts])
        assert joined.tobytes() == getattr(whole, name).tobytes(), name


def test_no_days_leave_the_state_untouched() -> None:
    state = start_of(START)
    assert advance_days(state, stores("after"), np.zeros((0, 1)), np.zeros((0, 1)))[0] is state


def test_a_case_is_the_same_alone_and_among_others() -> None:
    rain, dry = weather(3, 200)
    _, many = advance_days(start_of(np.repeat(START[:, :1], 5, axis=1)), stores("after", 5), rain, dry)
    alone_stores = stores("after", 5)
    one = Stores(
        alone_stores.cascade,
        alone_stores.dead_l[:, :1],
        alone_stores.mouth_m2[:, :1],
        alone_stores.evaporating_m2[:, :1],
        tuple(RoofPipe(pipe.tank, pipe.yield_l_mm[:1], pipe.loss_mm[:1]) for pipe in alone_stores.pipes),
        tuple(Draw(draw.tanks, draw.litres[:1]) for draw in alone_stores.draws),
        alone_stores.keep,
        alone_stores.keep_l[:1],
        "after",
    )
    _, alone = advance_days(start_of(START[:, :1]), one, rain, dry)
    assert alone.volume_l[:, :, 0].tobytes() == many.volume_l[:, :, 0].copy().tobytes()


def test_draws_leave_the_reserve_and_what_is_below_the_outlets() -> None:
    dry = np.zeros((200, 1))
    _, rows = advance_days(start_of(START), stores("after"), dry, dry)
    usable = np.maximum(rows.volume_l - np.array([[200.0], [1000.0], [700.0]]), 0.0)
    assert usable[-1, 1:].sum(0) == pytest.approx([4000.0, 4000.0])
    assert rows.volume_l[-1, 0] == pytest.approx([200.0, 100.0])  # the second began below its outlet, and stays


def test_a_chain_of_tanks_is_one_tank_of_the_same_size_where_all_water_comes_in_at_its_top() -> None:
    chain = Cascade(("a", "b"), np.array([[3000.0], [5000.0]]), (1, -1), (0, 1))
    one = Cascade(("all",), np.array([[8000.0]]), (-1,), (0,))
    rain, _ = weather(5, 700)
    none = np.zeros((700, 1))

    def run(cascade: Cascade, tanks: int) -> F64:
        nought = np.zeros((tanks, 1))
        plan = Stores(
            cascade,
            nought,
            nought,
            nought,
            (RoofPipe(0, np.array([90.0]), np.array([0.5])),),
            (Draw(tuple(range(tanks)), np.array([250.0])),),
            (),
            np.zeros(1),
            "before",
        )
        _, rows = advance_days(start_of(nought), plan, rain, none)
        return np.concatenate([rows.supplied_l, rows.lost_l])

    np.testing.assert_allclose(run(chain, 2), run(one, 1), atol=1e-9)


SITE = Site(NETWORK, ("house", "upper", "pool"), 420.0, ("house", "pool"), 4000.0)


def options_over(rain: F64, options: list[WorkOption]) -> dict[str, float]:
    found = simulate_options(SITE, options, rain, np.full(len(rain), 2.0), rule="after", years=20)
    return {one.option.name: one.days_short for one in found}


def test_more_tank_more_roof_and_less_draw_are_never_short_of_water_for_longer() -> None:
    rain = weather(11, 1500)[0][:, 0] * np.where(np.arange(1500) % 365 < 150, 0.1, 1.0)
    short = options_over(
        rain,
        [
            WorkOption("as it is"),
            WorkOption("tank", tank_l=20_000),
            WorkOption("roof", roof_m2=80),
            WorkOption("less", draw_l_day=300.0),
        ],
    )
    assert short["as it is"] > 20
    assert all(short[name] < short["as it is"] for name in ("tank", "roof", "less")), short


def test_the_cost_of_a_kilolitre_is_the_price_over_the_litres_kept_in_all_its_years() -> None:
    rain = weather(11, 1500)[0][:, 0] * np.where(np.arange(1500) % 365 < 150, 0.1, 1.0)
    base, tank, free = simulate_options(
        SITE,
        [
            WorkOption("as it is"),
            WorkOption("tank", tank_l=20_000, cost=5000.0),
            WorkOption("cut", draw_l_day=200.0, cost=1.0),
        ],
        rain,
        np.zeros(1500),
        rule="after",
        years=10,
    )
    assert isinstance(base.cost_per_kl, Unknown) and isinstance(free.cost_per_kl, Unknown)
    assert not isinstance(tank.cost_per_kl, Unknown)
    assert tank.cost_per_kl.value == pytest.approx(5000 / (tank.kept_l_year / 1000 * 10))
    # What the tank keeps is what is no longer spilt, but for what stands in it at either end.
    assert tank.kept_l_year == pytest.approx(base.spilt_l_year - tank.spilt_l_year, rel=0.02)


def test_another_tank_is_put_where_most_is_lost() -> None:
    two_ends = Network(
        tanks=(WaterTank("small", 1000.0, 0.0, 0.0, 0.0), WaterTank("large", 90000.0, 0.0, 0.0, 0.0)),
        roofs=(Roof("one", 100.0, 0.9, 0.0, 0.0, (("small", 0.5), ("large", 0.5))),),
        overflows=(),
    )
    site = Site(two_ends, ("large", "small"), 150.0, (), 0.0)
    rain = weather(2, 1200)[0][:, 0]
    base, more = simulate_options(
        site, [WorkOption("as it is"), WorkOption("more", tank_l=8000)], rain, np.zeros(1200), rule="after", years=20
    )
    assert more.spilt_l_year < base.spilt_l_year - 1000
