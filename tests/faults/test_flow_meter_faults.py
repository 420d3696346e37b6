"""Pulses that are no water: a rocking rotor, mains hum, noise; and pulses while the tank they come from stays full."""

from pathlib import Path

import numpy as np
import pytest
from board_site import SLOW_SITE
from said_log import Said, write_said

from rainstead import answers, calc
from rainstead.calc import PulseDoubt
from rainstead.errors import SettingsError
from rainstead.log import LogReader
from rainstead.readings import F64, I64, Quality
from rainstead.settings import parse_settings
from rainstead.sickness import Sickness, find_sickness

K_PER_L = 390.0
START_MS = 1_780_000_000_000
HOUR_MS = 3_600_000
TEXT = SLOW_SITE.replace(
    "k_factor_per_l = 390", "k_factor_per_l = 390, flow_min_l_min = 2, flow_max_l_min = 80"
).replace('air = "air"\n', "assumed_air_c = 20\n")
SETTINGS = parse_settings(TEXT, "test")


def train(hz: F64 | float, seconds: int, jitter: float = 0.0, seed: int = 1) -> I64:
    """Pulses of each second, of a rate that may change by the second and scatter."""
    draw = np.random.default_rng(seed)
    rate = np.broadcast_to(hz, seconds) * (1 + jitter * draw.standard_normal(seconds))
    turned = np.floor(np.cumsum(rate) + 0.5)
    return np.diff(turned, prepend=0.0).astype(np.int64)


def doubts(pulses: I64, least: float = 2.0, most: float = 80.0) -> list[PulseDoubt]:
    t_ms = 1000 * np.arange(1, len(pulses) + 1, dtype=np.int64)
    n = len(pulses)
    found = calc.pulse_doubts(
        t_ms - 1000, t_ms, pulses, np.full(n, K_PER_L), np.full(n, least), np.full(n, most), 30_000
    )
    assert (found[pulses == 0] == PulseDoubt.NONE).all()
    return sorted({PulseDoubt(one) for one in found[pulses > 0].tolist()})


RUN = np.concatenate([np.zeros(5), np.linspace(0, 325, 8), np.full(600, 325.0), np.linspace(325, 0, 20), np.zeros(40)])


def test_a_pump_run_with_its_start_its_end_and_its_unrest_is_in_no_doubt() -> None:
    """50 L/min, up in seconds, and down in twenty."""
    for jitter in (0.0, 0.01, 0.05, 0.1):
        assert doubts(train(RUN, len(RUN), jitter)) == [PulseDoubt.NONE]
    # A magnet of several is missing: pulses come in pairs, and there are fewer; a second's count does not show it.
    assert doubts(train(RUN * 5 / 6, len(RUN), 0.02)) == [PulseDoubt.NONE]
    # A short draw, and the least flow of all.
    assert doubts(np.array([0, 60, 120, 110, 40, 0])) == [PulseDoubt.NONE]
    assert doubts(train(2.2 * K_PER_L / 60, 600, 0.05)) == [PulseDoubt.NONE]


def test_a_rotor_that_rocks_is_no_flow() -> None:
    """A pulse or two now and then, all night: less than the least flow that turns the rotor."""
    draw = np.random.default_rng(3)
    assert doubts((draw.random(36_000) < 0.3).astype(np.int64)) == [PulseDoubt.ROCKING]
    assert doubts(train(1.0 * K_PER_L / 60, 600, 0.3)) == [PulseDoubt.ROCKING]
    # Where the meter's range is not known, nothing is said.
    assert doubts(train(1.0 * K_PER_L / 60, 600, 0.3), least=float("nan")) == [PulseDoubt.NONE]


def test_a_meter_of_few_pulses_is_not_called_rocking() -> None:
    """One pulse for ten litres: a flow of 30 L/min is a pulse each twenty seconds."""
    t_ms = 1000 * np.arange(1, 601, dtype=np.int64)
    pulses = (np.arange(600) % 20 == 19).astype(np.int64)
    n = np.ones(600)
    found = calc.pulse_doubts(t_ms - 1000, t_ms, pulses, 0.1 * n, 2 * n, 80 * n, 30_000)
    assert not found.any()


@pytest.mark.parametrize("hz", [50.0, 60.0, 49.95, 100.1])
def test_mains_hum_with_the_pump_off_is_seen_within_two_minutes(hz: float) -> None:
    assert doubts(train(hz, 300), most=float("nan")) == [PulseDoubt.HUM]
    assert doubts(train(hz, 110), most=float("nan")) == [PulseDoubt.NONE]


def test_a_flow_near_mains_frequency_is_no_hum() -> None:
    seen = [doubts(train(hz, 600, 0.03, seed=k)) for k, hz in enumerate(np.linspace(45, 65, 41))]
    assert seen == [[PulseDoubt.NONE]] * 41
    assert doubts(train(51.0, 600)) == [PulseDoubt.NONE]


def test_pulses_above_the_meters_range_are_seen_and_one_pulse_more_is_not() -> None:
    assert doubts(train(80 * K_PER_L / 60, 60)) == [PulseDoubt.NONE]
    assert doubts(train(90 * K_PER_L / 60, 60)) == [PulseDoubt.TOO_FAST]
    assert doubts(train(90 * K_PER_L / 60, 60), most=float("nan")) == [PulseDoubt.NONE]


# --- from the log ----------------------------------------------------------------------------------------------------


def log_of(folder: Path, pulses: I64, drawn_l_min: float) -> Path:
    """An hour and a half of a meter and of the tank that it draws from; pulses begin after the first half hour."""
    path = folder / "readings.db"
    begun_ms = HOUR_MS // 2
    level: list[Said] = []
    for t in range(0, round(1.5 * HOUR_MS), 10_000):
        gone_m = drawn_l_min * max(0, min(t - begun_ms, 1000 * len(pulses))) / 60_000 / 1000 / (np.pi * 1.1**2)
        noise_mm = float(np.random.default_rng(t).normal(0, 1.5))
        level.append((START_MS + t, round(1000 + 1000 * gone_m + noise_mm), Quality.OK))
    counts = enumerate([0, *pulses.tolist(), 0])
    flow = [(START_MS + begun_ms + 1000 * k, float(count), Quality.OK) for k, count in counts]
    write_said(path, SETTINGS, {"level": level, "flow": flow})
    return path


def told(path: Path) -> Sickness | None:
    with LogReader(path) as reader:
        return find_sickness(SETTINGS, reader, START_MS + round(1.5 * HOUR_MS)).get("flow")


def test_hum_is_told_its_litres_stay_and_are_shown_as_doubtful(tmp_path: Path) -> None:
    path = log_of(tmp_path, train(50.0, 1200), 0.0)
    sick = told(path)
    assert sick is not None and sick.state == "odd_pulses" and "as even as mains" in sick.because
    with LogReader(path) as reader:
        now = answers.now(SETTINGS, reader, START_MS + round(1.5 * HOUR_MS))
        pump = answers.pump(SETTINGS, reader, START_MS + round(1.5 * HOUR_MS))
    assert now.flow is not None and now.flow.because == sick.because
    assert now.flow.flow_l_min == 0.0
    (line,) = pump.runs
    assert line.run.volume_l == pytest.approx(1200 * 50 / K_PER_L)
    assert line.doubtful_l == pytest.approx(line.run.volume_l)
    assert line.doubt is not None and pump.doubtful_l == line.doubtful_l
    assert pump.total_l == line.run.volume_l


def test_pulses_while_the_tank_they_come_from_does_not_fall_are_told(tmp_path: Path) -> None:
    sick = told(log_of(tmp_path, train(325.0, 3000, 0.02), 0.0))
    assert sick is not None and sick.state == "no_draw"
    assert "it told 2500 L, and house, which it draws from, fell by" in sick.because


def test_a_run_that_its_tank_confirms_is_told_as_nothing(tmp_path: Path) -> None:
    path = log_of(tmp_path, train(RUN, len(RUN), 0.02), 50.0)
    assert told(path) is None
    with LogReader(path) as reader:
        pump = answers.pump(SETTINGS, reader, START_MS + round(1.5 * HOUR_MS))
    assert [(line.doubtful_l, line.doubt) for line in pump.runs] == [(0.0, None)]


def test_a_range_of_a_meter_that_is_none_is_refused() -> None:
    with pytest.raises(SettingsError, match=r"calibrations\[0\]\.flow_max_l_min.*more than flow_min_l_min \(90\)"):
        parse_settings(TEXT.replace("flow_min_l_min = 2,", "flow_min_l_min = 90,"), "test")
