"""Tips that are no rain, among rain that is made for years: what is found, and what rain is doubted with them."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board_site import SITE
from said_log import write_said

from rainstead import answers, calc
from rainstead.calc import TipDoubt
from rainstead.log import LogReader
from rainstead.readings import I64, Quality
from rainstead.settings import parse_settings
from rainstead_board.twin.weather import generated_weather

TIP_MM = 0.2
START_MS = 1_767_225_600_000
DAY_MS = 86_400_000
DAYS = 730


def tips_of_rain(seed: int) -> I64:
    """Two years of tips: storms as the twin makes them, and forty dews and drizzles of one tip each."""
    weather = generated_weather(START_MS, DAYS, seed=seed, latitude_deg=39.4)
    fallen = np.concatenate([[0.0], np.cumsum(weather.rain_mm)])
    full = np.arange(1, int(fallen[-1] / TIP_MM)) * TIP_MM
    wet = np.append(True, weather.rain_mm > 0)
    storm_ms = np.interp(full, fallen[wet], weather.edges_ms[wet].astype(np.float64)).astype(np.int64)
    dew_ms = START_MS + np.random.default_rng([seed, 1]).integers(0, DAYS * DAY_MS, 40)
    return np.unique(np.concatenate([storm_ms, dew_ms]))


class Ghosts:
    """Tips that are no rain, and what goes with them."""

    def __init__(self, seed: int) -> None:
        self._draw = np.random.default_rng([seed, 2])
        self.lone_ms = self._moments(100)
        """A gust, a hand, an insect."""
        self.lightning_ms = self._moments(60)
        """On both gauges' cables, within 4 ms."""
        self.other_ms = self.lightning_ms + self._draw.integers(-4, 5, 60)
        begun_ms = self._moments(80)
        self.switched_ms = np.sort(np.concatenate([begun_ms, begun_ms + 600_000]))
        self.pump_ms = begun_ms[::2] + self._draw.integers(-3_000, 3_000, 40)
        """At every other start of the pump."""
        self.chatter_ms = (
            self._moments(20)[:, None] + np.cumsum(self._draw.integers(450, 1_100, (20, 5)), axis=1)
        ).ravel()

    def _moments(self, count: int) -> I64:
        return np.sort(START_MS + self._draw.integers(DAY_MS, (DAYS - 1) * DAY_MS, count))

    @property
    def all_ms(self) -> I64:
        return np.concatenate([self.lone_ms, self.lightning_ms, self.pump_ms, self.chatter_ms])


def judged(seed: int) -> tuple[dict[str, float], float, int, int]:
    """Part found of each kind of ghost, precision, rain tips in doubt, rain tips."""
    rain_ms, ghosts = tips_of_rain(seed), Ghosts(seed)
    t_ms = np.unique(np.concatenate([rain_ms, ghosts.all_ms]))
    # The other gauge stands in the same rain, and tips at its own moments.
    jitter = np.random.default_rng([seed, 3]).integers(-200_000, 200_000, len(rain_ms))
    doubts = calc.tip_doubts(
        t_ms,
        np.full(len(t_ms), TIP_MM),
        others_ms=np.sort(np.concatenate([rain_ms + jitter, ghosts.other_ms])),
        switched_ms=ghosts.switched_ms,
        upto_ms=START_MS + DAYS * DAY_MS,
        hardest_mm_h=600.0,
    )
    found = t_ms[doubts != TipDoubt.NONE]
    kinds = {
        name: float(np.isin(made, found).mean())
        for name, made in vars(ghosts).items()
        if name in ("lone_ms", "lightning_ms", "pump_ms", "chatter_ms")
    }
    is_ghost = np.isin(found, ghosts.all_ms)
    return kinds, float(is_ghost.mean()), int((~is_ghost).sum()), len(rain_ms)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_most_ghost_tips_are_doubted_and_hardly_any_rain(seed: int) -> None:
    found, precision, doubted, rain = judged(seed)
    assert found["lone_ms"] > 0.8
    assert found["lightning_ms"] == 1.0
    assert found["pump_ms"] > 0.9
    assert found["chatter_ms"] > 0.95
    assert precision > 0.8
    assert doubted / rain < 0.02


@pytest.mark.parametrize("rain_mm_h", [20.0, 100.0, 300.0])
def test_true_rain_up_to_300_mm_an_hour_is_never_doubted(rain_mm_h: float) -> None:
    """The bucket tips as unevenly as its two halves and the drops make it: by two fifths."""
    draw = np.random.default_rng(5)
    gaps_ms = TIP_MM / rain_mm_h * 3_600_000 * draw.uniform(0.6, 1.4, 2_000)
    t_ms = START_MS + np.cumsum(gaps_ms).astype(np.int64)
    doubts = calc.tip_doubts(
        t_ms,
        np.full(len(t_ms), TIP_MM),
        others_ms=np.empty(0, np.int64),
        switched_ms=t_ms[::100] + 500,
        upto_ms=int(t_ms[-1]) + DAY_MS,
        hardest_mm_h=600.0,
    )
    assert not doubts.any()


def test_a_tip_is_not_called_alone_before_others_could_have_come() -> None:
    tip = np.array([START_MS], dtype=np.int64)
    nothing = np.empty(0, np.int64)

    def at(upto_ms: int) -> int:
        return int(
            calc.tip_doubts(
                tip,
                np.array([TIP_MM]),
                others_ms=nothing,
                switched_ms=nothing,
                upto_ms=upto_ms,
                hardest_mm_h=600.0,
            )[0]
        )

    assert at(START_MS + calc.ALONE_MS - 1) == TipDoubt.NONE
    assert at(START_MS + calc.ALONE_MS) == TipDoubt.ALONE


# --- from the log ----------------------------------------------------------------------------------------------------

SECOND = """
[sensors.second]
kind = "tipping-bucket"
gpio = 6
calibrations = [{ depth_per_tip = 0.2 }]
[sensors.flow]"""
SETTINGS = parse_settings(SITE.replace("\n[sensors.flow]", SECOND), "test")
HOUR_MS = 3_600_000
NOON_MS = START_MS + DAY_MS // 2


@pytest.fixture
def log(tmp_path: Path) -> Callable[..., LogReader]:
    def made(gauge: list[int], second: list[int], flow: list[tuple[int, float]]) -> LogReader:
        path = tmp_path / "readings.db"
        said = {
            "gauge": [(NOON_MS + t, 1.0, Quality.OK) for t in gauge],
            "second": [(NOON_MS + t, 1.0, Quality.OK) for t in second],
            "flow": [(NOON_MS + t, count, Quality.OK) for t, count in flow],
        }
        write_said(path, SETTINGS, said)
        return LogReader(path)

    return made


def test_doubtful_tips_are_shown_beside_a_total_that_has_them_in_it(log: Callable[..., LogReader]) -> None:
    storm = [20 * HOUR_MS + 40_000 * n for n in range(50)]
    flow = [(5 * HOUR_MS, 0.0), (5 * HOUR_MS + 1_000, 300.0), (5 * HOUR_MS + 2_000, 300.0), (5 * HOUR_MS + 3_000, 0.0)]
    with log([0, 5 * HOUR_MS + 1_500, storm[-1] + 500, storm[10] + 9_000, *storm], [storm[10] + 9_003], flow) as reader:
        as_of_ms = NOON_MS + 40 * HOUR_MS
        rain = answers.rain(SETTINGS, reader, as_of_ms)
        storms = answers.storms(SETTINGS, reader, as_of_ms)
        early = answers.rain(SETTINGS, reader, NOON_MS + HOUR_MS)
    assert rain.total_mm == pytest.approx(54 * 0.2)
    assert rain.doubtful_mm == pytest.approx(4 * 0.2)
    assert {line.doubt: line.tips for line in rain.doubtful} == {
        "alone": 1,
        "switching": 1,
        "too_hard": 1,
        "together": 1,
    }
    assert sum(day.doubtful_tips for day in rain.days) == 4
    assert [(line.storm.tips, line.doubtful_tips) for line in storms.storms] == [(2, 2), (52, 2)]
    assert (early.total_mm, early.doubtful_mm) == (0.2, 0.0)


def test_rain_alone_has_no_doubtful_tips(log: Callable[..., LogReader]) -> None:
    with log([12_000 * n for n in range(300)], [12_000 * n + 40 for n in range(300)], []) as reader:
        rain = answers.rain(SETTINGS, reader, NOON_MS + 20 * HOUR_MS)
    assert (rain.total_mm, rain.doubtful_mm, rain.doubtful) == (60.0, 0.0, ())
