"""Echoes that are no water: nearer than a ranger sees, from a ladder, from a wet face, or wild; and real bursts."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from board_site import SLOW_SITE
from held_log import HeldLog
from leaky_year import tank_year
from said_log import Said, write_said
from typer.testing import CliRunner

from rainstead import answers, calc, derive
from rainstead.alarms import ACTIVE
from rainstead.answers.losses import losses_of
from rainstead.answers.rangeradvice import ranger_advice
from rainstead.calc.desk import Estimate
from rainstead.cli.commands import app
from rainstead.events import AlarmEvent
from rainstead.evidence import gather
from rainstead.log import Columns, LogReader
from rainstead.notebook import Notes
from rainstead.readings import Batch, Quality
from rainstead.settings import parse_settings
from rainstead.sickness import find_sickness
from rainstead_board.twin import history
from rainstead_board.twin.truth import sound_m_s

START_MS = 1_780_000_000_000
EVERY_S = 10
# The face is 2.5 m above the floor and the brim 0.5 m under it; a higher brim leaves 0.26 m.
HIGH = SLOW_SITE.replace("brim = 2\n", "brim = 2.24\n")


@dataclass(frozen=True)
class Worked:
    """What a run of raw ranges came to."""

    state: derive.State
    depth_m: np.ndarray
    quality: np.ndarray
    events: list[AlarmEvent]

    def raised(self, alarm: str) -> list[AlarmEvent]:
        return [one for one in self.events if one.alarm == alarm and one.state == ACTIVE]


def work_out(text: str, range_mm: np.ndarray, quality: np.ndarray | None = None) -> Worked:
    """Through the calculation that the logger and the desk share."""
    deriver = derive.Deriver(parse_settings(text, "test"))
    flags = np.zeros(len(range_mm), dtype=np.uint8) if quality is None else quality
    t_ms = START_MS + EVERY_S * 1000 * np.arange(len(range_mm), dtype=np.int64)
    spread = np.full(len(range_mm), 1.5)
    batch = Batch(("level",), t_ms, np.zeros(len(range_mm), dtype=np.int16), range_mm, flags, spread)
    state, derived = deriver.advance(deriver.start(), batch)
    (rows,) = derived.levels
    return Worked(state, rows.depth_m, rows.quality, list(derived.events))


def kept(
    path: Path, range_mm: np.ndarray, quality: np.ndarray | None = None, *, air_c: np.ndarray | None = None
) -> None:
    """A log of the same. air_c: what the probe said at the same times."""
    flags = np.zeros(len(range_mm), dtype=np.uint8) if quality is None else quality
    stamps = [START_MS + k * EVERY_S * 1000 for k in range(len(range_mm))]
    said: dict[str, list[Said]] = {
        "level": [
            (t_ms, None if np.isnan(mm) else float(mm), int(flag))
            for t_ms, mm, flag in zip(stamps, range_mm, flags, strict=True)
        ]
    }
    if air_c is not None:
        said["air"] = [(t_ms, float(c), Quality.OK) for t_ms, c in zip(stamps, air_c, strict=True)]
    write_said(path, parse_settings(SLOW_SITE, "test"), said)


# --- nearer than the ranger sees ------------------------------------------------------------------------------------

Blind = Callable[[np.ndarray], np.ndarray]


def sticks(true_mm: np.ndarray) -> np.ndarray:
    return np.where(true_mm < 250, 250.0, true_mm)


def halves(true_mm: np.ndarray) -> np.ndarray:
    return np.where(true_mm < 250, 125.0, true_mm)


def doubles(true_mm: np.ndarray) -> np.ndarray:
    return np.where(true_mm < 250, 2 * true_mm, true_mm)


def fill_and_fall() -> np.ndarray:
    """Ullage: from 0.6 m up to 0.18 m by 12 mm a reading, an hour there, and down again."""
    up = np.arange(600.0, 180.0, -12.0)
    return np.concatenate([up, np.full(360, 180.0), up[::-1]])


@pytest.mark.parametrize("blind", [sticks, halves, doubles])
def test_a_tank_that_fills_through_the_blind_zone_is_at_the_brim_and_loses_nothing(blind: Blind) -> None:
    true_mm = fill_and_fall()
    says = np.round(blind(true_mm + np.random.default_rng(5).normal(0, 2, len(true_mm))))
    found = work_out(HIGH, says, np.where(says <= 250, Quality.BLANKED, Quality.OK).astype(np.uint8))
    near = true_mm < 245
    assert set(found.quality[near].tolist()) == {Quality.BLANKED}
    # No level is told that the water never had: what there is agrees with the truth, and the brim's alarm stands.
    told = ~np.isnan(found.depth_m)
    assert np.abs(found.depth_m[told] - (2.5 - true_mm[told] / 1000)).max() < 0.04
    assert told[true_mm > 285].all()
    (alarm,) = found.raised("overflow_risk")
    (gone,) = [one for one in found.events if one.alarm == "overflow_risk" and one.state != ACTIVE]
    assert alarm.t_ms < START_MS + EVERY_S * 1000 * np.flatnonzero(near)[0] + 60_000
    assert gone.t_ms > START_MS + EVERY_S * 1000 * np.flatnonzero(near)[-1]


def test_a_doubled_echo_at_the_brim_is_a_bound_at_the_desk_and_no_jump(tmp_path: Path) -> None:
    says = doubles(fill_and_fall()[:100])
    kept(tmp_path / "readings.db", says, np.where(says <= 250, Quality.BLANKED, Quality.OK).astype(np.uint8))
    settings, now_ms = parse_settings(HIGH, "test"), START_MS + 99 * EVERY_S * 1000
    with LogReader(tmp_path / "readings.db") as reader:
        assert find_sickness(settings, reader, now_ms) == {}
        (tank,) = answers.now(settings, reader, now_ms).tanks
    assert (tank.state, tank.is_at_least) == ("at_least_brim", True)


@pytest.mark.parametrize("share", [0.02, 0.1])
def test_wild_echoes_neither_begin_nor_end_a_doubled_one(share: float) -> None:
    rng = np.random.default_rng(6)
    true_mm = fill_and_fall()
    says = np.round(doubles(true_mm + rng.normal(0, 2, len(true_mm))))
    wild = rng.random(len(says)) < share
    says[wild] = rng.uniform(130, 2400, np.count_nonzero(wild))
    text = HIGH.replace("_delay = 10", "_delay = 60")  # as long as alarms wait where the settings do not say, or less
    found = work_out(text, says, np.where(says <= 250, Quality.BLANKED, Quality.OK).astype(np.uint8))
    held = ~wild & (true_mm < 240)
    assert np.mean(found.quality[held] == Quality.BLANKED) > 0.98
    assert np.mean(found.quality[~wild & (true_mm > 290)] == Quality.OK) > 0.98
    assert len(found.raised("overflow_risk")) == 1


@pytest.mark.parametrize("wild", [1, 2, 3, 30])
def test_a_short_echo_from_a_wet_face_does_not_make_a_level_of_twice_its_distance_a_full_tank(wild: int) -> None:
    """Water at 0.46 m, and a drop on the face that reads as 0.25 m for some readings."""
    says = np.concatenate([np.full(50, 457.0), np.full(wild, 250.0), np.full(500, 458.0)])
    found = work_out(HIGH, says, np.where(says <= 250, Quality.BLANKED, Quality.OK).astype(np.uint8))
    assert set(found.quality[says > 300].tolist()) == {Quality.OK}


def test_the_hardest_draw_from_the_brim_is_no_doubled_echo() -> None:
    """0.5 m a minute, the fastest that the settings say: 83 mm a reading."""
    says = np.concatenate([np.full(30, 255.0), np.arange(255.0, 1500.0, 83.0)])
    found = work_out(HIGH, says)
    assert set(found.quality.tolist()) == {Quality.OK}


# --- false echoes ---------------------------------------------------------------------------------------------------

LADDER_MM = 1230.0


def with_ladder(readings: int, share: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A level that goes up and down by 0.8 m, heard at the ladder for some of the time; and which those were."""
    rng = np.random.default_rng(seed)
    true_mm = 1500 + 400 * np.sin(np.arange(readings) / readings * 6 * np.pi)
    is_false = rng.random(readings) < share
    return np.round(np.where(is_false, LADDER_MM, true_mm) + rng.normal(0, 2, readings)), is_false


def test_a_false_echo_that_the_settings_name_is_flagged_and_not_used_and_its_raw_value_stays(tmp_path: Path) -> None:
    says, is_false = with_ladder(3_000, 0.4)
    text = SLOW_SITE.replace('air = "air"\n', 'air = "air"\nfalse_echoes = ["1.23 m"]\n', 1)
    found = work_out(text, says)
    assert set(found.quality[is_false].tolist()) == {Quality.FALSE_ECHO}
    assert np.isnan(found.depth_m[is_false]).all()
    elsewhere = ~is_false & (np.abs(says - LADDER_MM) > 30)  # the air is taken into account
    assert set(found.quality[elsewhere].tolist()) == {Quality.OK}
    kept(tmp_path / "readings.db", np.full(60, LADDER_MM))
    settings, now_ms = parse_settings(text, "test"), START_MS + 59 * EVERY_S * 1000
    with LogReader(tmp_path / "readings.db") as reader:
        now = answers.now(settings, reader, now_ms)
        (batch,) = reader.batches()
    assert batch.value.tolist() == [LADDER_MM] * 60
    assert now.tanks[0].state == "unknown" and "false echo" in str(now.tanks[0].because)
    assert [one.state for one in now.sensors if one.name == "level"] == ["false_echo"]


def moving_tank(days: float, seed: int) -> np.ndarray:
    """Ullage of a tank that showers fill and a household empties, by 0.8 m within some days, with waves."""
    rng = np.random.default_rng([seed, 7])
    readings = round(days * 86_400 / EVERY_S)
    turns = np.cumsum(np.where(np.sin(np.arange(readings) / readings * 2 * np.pi * 3 + rng.uniform(0, 6)) > 0, 1, -1))
    level: np.ndarray = 1400 + 400 * turns / np.abs(turns).max() + rng.normal(0, 3, readings)
    return level


def suspected(text: str, says: np.ndarray, path: Path, quality: np.ndarray | None = None) -> tuple[str, ...]:
    kept(path, np.round(says), quality)
    with LogReader(path) as reader:
        found = ranger_advice(parse_settings(text, "test"), reader, START_MS + len(says) * EVERY_S * 1000)
    path.unlink()
    return found.get("level", ())


@pytest.mark.parametrize("share", [0.005, 0.02, 0.1, 0.4])
def test_a_distance_that_recurs_in_many_states_of_the_tank_is_suspected_by_name_and_never_learnt(
    tmp_path: Path, share: float
) -> None:
    """In 20 of 20 invented stretches of three days, and with the distance in the settings it is told no more."""
    for seed in range(20):
        rng = np.random.default_rng([seed, 1])
        says = moving_tank(3, seed)
        is_false = rng.random(len(says)) < share
        says[is_false] = LADDER_MM + rng.normal(0, 2, np.count_nonzero(is_false))
        wild = rng.random(len(says)) < 0.005
        says[wild] = rng.uniform(260, 2400, np.count_nonzero(wild))
        echoes = calc.fixed_echoes(np.arange(len(says)) * EVERY_S * 1000, np.round(says), 500.0)
        assert [round(echo.range_mm / 10) for echo in echoes] == [123], seed
    (line,) = suspected(SLOW_SITE, says, tmp_path / "one.db")
    assert "false_echoes = [1.23]" in line and "ladder" in line
    assert set(work_out(SLOW_SITE, says).quality.tolist()) == {
        Quality.OK
    }  # it goes on being used until the owner says so
    named = SLOW_SITE.replace('air = "air"\n', 'air = "air"\nfalse_echoes = [1.23]\n', 1)
    assert suspected(named, says, tmp_path / "two.db") == ()


def test_a_ladder_stays_where_it_is_though_warm_air_moves_its_echo(tmp_path: Path) -> None:
    """Nights of 5 degrees and days of 35: at 1.23 m a raw range that breathes by 6 cm."""
    says, hour = moving_tank(3, 2), START_MS / 3.6e6 + np.arange(round(3 * 86_400 / EVERY_S)) * EVERY_S / 3600
    air_c = 20 - 15 * np.cos(hour / 24 * 2 * np.pi)
    dry = float(sound_m_s(np.array(20.0), 0.0))
    is_false = np.random.default_rng(2).random(len(says)) < 0.1
    says[is_false] = LADDER_MM
    says = np.round(says * dry / sound_m_s(air_c, 1.0))
    assert np.ptp(says[is_false]) > 55
    path = tmp_path / "readings.db"
    kept(path, says, air_c=air_c)
    named = SLOW_SITE.replace('air = "air"\n', 'air = "air"\nfalse_echoes = [1.23]\n', 1)
    end_ms = START_MS + (len(says) - 1) * EVERY_S * 1000
    with LogReader(path) as reader:
        (line,) = ranger_advice(parse_settings(SLOW_SITE, "test"), reader, end_ms)["level"]
        assert "false_echoes = [1.23]" in line
        settings = parse_settings(named, "test")
        assert ranger_advice(settings, reader, end_ms) == {}
        assert find_sickness(settings, reader, end_ms) == {}
        (levels,) = (
            derived.levels[0]
            for batch in [next(iter(reader.batches()))]
            for _, derived in [derive.Deriver(settings).advance(derive.Deriver(settings).start(), batch)]
        )
    assert np.mean(levels.quality[is_false] == Quality.FALSE_ECHO) > 0.999


@pytest.mark.parametrize("wild", [0.0, 0.01, 0.05, 0.2])
def test_waves_and_wild_echoes_in_a_tank_without_a_ladder_raise_no_suspicion(wild: float) -> None:
    """In none of 20 invented stretches of three days, moving or still."""
    for seed in range(20):
        rng = np.random.default_rng([seed, 2])
        says = moving_tank(3, seed) if seed % 2 else 1300 + rng.normal(0, 3, 26_000)
        is_wild = rng.random(len(says)) < wild
        says[is_wild] = rng.uniform(260, 2400, np.count_nonzero(is_wild))
        assert calc.fixed_echoes(np.arange(len(says)) * EVERY_S * 1000, np.round(says), 500.0) == [], seed


# --- a wet face -----------------------------------------------------------------------------------------------------


def test_drop_outs_at_dawn_are_one_piece_of_advice(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    says = moving_tank(6, 3)
    # The test's zone is an hour ahead of UTC then; from four to eight on the wall.
    hour = (START_MS // 1000 + EVERY_S * np.arange(len(says))) / 3600 % 24
    is_deaf = ((hour >= 3) & (hour < 7) & (rng.random(len(says)) < 0.5)) | (rng.random(len(says)) < 0.002)
    flags = np.where(is_deaf, Quality.NO_ECHO, Quality.OK).astype(np.uint8)
    (line,) = suspected(SLOW_SITE, np.where(is_deaf, np.nan, says), tmp_path / "wet.db", flags)
    assert line.startswith("drop-outs come at dawn (on 6 days of a week, from ") and "condensation" in line


def test_the_health_command_shows_the_advice(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SLOW_SITE)
    says = moving_tank(3, 1)
    says[::50] = LADDER_MM
    kept(tmp_path / "readings.db", np.round(says))
    as_of = datetime.fromtimestamp(START_MS / 1000 + len(says) * EVERY_S, UTC).isoformat()
    done = CliRunner().invoke(app, ["health", "--site", str(tmp_path), "--as-of", as_of], catch_exceptions=False)
    assert done.exit_code == 0
    told = " ".join(done.output.split())
    assert "Advice, level: " in told and "false_echoes = [1.23] in its settings." in told


@pytest.mark.parametrize("ratio", [0.0, 0.002, 0.1])
def test_drop_outs_at_any_hour_are_no_advice(tmp_path: Path, ratio: float) -> None:
    says = moving_tank(6, 3)
    is_deaf = np.random.default_rng(5).random(len(says)) < ratio
    flags = np.where(is_deaf, Quality.NO_ECHO, Quality.OK).astype(np.uint8)
    assert suspected(SLOW_SITE, np.where(is_deaf, np.nan, says), tmp_path / "dry.db", flags) == ()


def test_one_bad_night_is_no_pattern(tmp_path: Path) -> None:
    says = moving_tank(6, 3)
    is_deaf = np.arange(len(says)) // 1440 == 8
    flags = np.where(is_deaf, Quality.NO_ECHO, Quality.OK).astype(np.uint8)
    assert suspected(SLOW_SITE, np.where(is_deaf, np.nan, says), tmp_path / "one.db", flags) == ()


def test_dew_on_the_face_of_a_sound_tanks_ranger_calls_no_leak() -> None:
    """Six weeks in which half of the readings before sunrise are missing on most days, and the rest is as it was."""
    year = tank_year(3, "no draw", days=42)
    rng = np.random.default_rng(7)
    told = []
    for block in history(year.truth, year.settings, year.seed, level_every_s=30.0):
        if block.sensor == "level":
            hour, day = (block.t_ms / 3.6e6 + 11) % 24, block.t_ms // 86_400_000  # summer time of the site
            is_wet = rng.random(int(day.max()) + 1)[day] < 0.7
            is_deaf = is_wet & (hour > 3) & (hour < 8) & (rng.random(len(hour)) < 0.5)
            block.value[is_deaf], block.quality[is_deaf] = np.nan, Quality.NO_ECHO
            assert np.count_nonzero(is_deaf) > 5_000
        told.append(Columns(*block))
    log, end_ms = HeldLog(told), int(year.truth.t_ms[-1])
    evidence = gather(year.settings, log, Notes(), from_ms=int(year.truth.t_ms[0]), upto_ms=end_ms)
    losses = losses_of(year.settings, evidence, "tank")
    assert losses.calls == () and isinstance(losses.seepage_l_day, Estimate)
    assert losses.seepage_l_day.high is not None
    assert losses.seepage_l_day.low <= 0 <= losses.seepage_l_day.high
    (line,) = ranger_advice(year.settings, log, end_ms)["level"]
    assert line.startswith("drop-outs come at dawn") and "condensation" in line


# --- warm air -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ullage_m", [0.3, 1.5, 2.3])
def test_the_uncertainty_covers_the_truth_on_days_from_5_to_55_degrees(ullage_m: float) -> None:
    """Of 400 days with errors of their own, 95 in a hundred readings hold the truth; sound by the twin's formula."""
    rng = np.random.default_rng(11)
    deriver = derive.Deriver(parse_settings(SLOW_SITE, "test"))
    ranger, tank = deriver.tanks[0].ranger, deriver.tanks[0].tank
    air_c = 30 - 25 * np.cos(np.arange(24) / 24 * 2 * np.pi)
    assert (air_c.min(), air_c.max()) == (5, 55)
    covered = []
    for _ in range(400):
        true_m = ullage_m + rng.normal(0, tank.face_height_u_m) + rng.normal(0, ranger.range_u_m)
        gap_c = air_c + rng.normal(0, ranger.air_u_c)
        dry = float(sound_m_s(np.array(ranger.assumed_air_c), 0.0))
        says = np.round(true_m * 1000 * dry / sound_m_s(gap_c, ranger.humidity_ratio) + rng.normal(0, 1.5, 24))
        t_ms = START_MS + 3_600_000 * np.repeat(np.arange(24, dtype=np.int64), 2)
        values = np.stack([air_c, says], axis=1).ravel()
        sensor = np.tile(np.array([0, 1], dtype=np.int16), 24)
        batch = Batch(("air", "level"), t_ms, sensor, values, np.zeros(48, dtype=np.uint8), np.full(48, 1.5))
        _, derived = deriver.advance(deriver.start(), batch)
        (rows,) = derived.levels
        off_m = rows.depth_m - (2.5 - ullage_m)
        covered.append(float(np.mean(np.abs(off_m) <= 1.96 * rows.depth_u_m)))
    assert 0.92 <= np.mean(covered) <= 0.98


# --- spikes, and the real thing -------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.01, 0.05, 0.2])
def test_spikes_of_any_share_raise_no_alarm(share: float) -> None:
    rng = np.random.default_rng(8)
    says = 1200 + rng.normal(0, 2, 8_640)  # a day of them
    wild = rng.random(len(says)) < share
    says[wild] = rng.uniform(260, 2400, np.count_nonzero(wild))
    # As long as alarms wait where the settings do not say.
    text = SLOW_SITE.replace("on_delay = 10", "on_delay = 60").replace("fire = 5000", "fire = 3000")
    assert work_out(text, says).events == []


@pytest.mark.parametrize("share", [0.0, 0.05])
def test_a_real_burst_at_the_highest_rate_alarms_within_its_stated_time(share: float) -> None:
    """Half a metre a minute: the median of five is two readings late, and the alarm waits ten seconds more."""
    rng = np.random.default_rng(9)
    falling = 1000 + 500 * np.arange(0, 150, EVERY_S) / 60
    says = np.concatenate([np.full(100, 1000.0), np.minimum(falling, 2200)]) + rng.normal(0, 2, 100 + len(falling))
    true_mm = says.copy()
    wild = rng.random(len(says)) < share
    says[wild] = rng.uniform(260, 2400, np.count_nonzero(wild))
    text = SLOW_SITE.replace("fire = 5000", "fire = 3000")
    (alarm,) = work_out(text, says).raised("low_reserve")
    # 3000 L in the tank of 2.2 m across are 0.789 m of water: 1.711 m of air.
    crossed = np.flatnonzero(true_mm > 1711)[0]
    late_ms = alarm.t_ms - (START_MS + crossed * EVERY_S * 1000)
    assert 0 <= late_ms <= (2 + 1 + (1 if share else 0)) * EVERY_S * 1000
