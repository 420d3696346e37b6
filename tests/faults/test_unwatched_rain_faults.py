"""Rain that fell while nothing was logged: a total that has such a time in it says "at least"."""

import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from board_site import BoardSite, Scripted, level
from fake_clock import FakeClock
from hypothesis import given
from hypothesis import strategies as st

from rainstead import calc
from rainstead.answers import now, rain, storms
from rainstead.evidence import gather
from rainstead.log import LogReader
from rainstead.notebook import Notes
from rainstead.readings import Kind, Reading

MINUTE_MS = 60_000
MORNING_MS = 1_780_041_600_000 - 1_780_041_600_000 % 86_400_000 + 9 * 3_600_000
"""A rain day begins."""


def gauge(wet: bool = True) -> Scripted:
    """As the driver does it: a row a tip, here one in three minutes, and a row of nought each ten minutes without."""

    def says(boot_ms: int) -> list[Reading]:
        second = boot_ms // 1000
        if wet and second % 180 == 0:
            return [Reading("gauge", boot_ms, 1.0)]
        return [Reading("gauge", boot_ms, 0.0)] if second % 600 == 0 else []

    return Scripted("gauge", Kind.TIP, says)


def told(site: BoardSite) -> tuple[Any, Any, Any]:
    """The rain day that goes on, the only storm, and now."""
    as_of_ms = site.clock.wall_ms()
    with LogReader(site.path) as reader:
        day = rain(site.settings, reader, as_of_ms, days=1).days[0]
        found = storms(site.settings, reader, as_of_ms).storms
        return day, found, now(site.settings, reader, as_of_ms).rain


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(boot_ms=600_000, wall_ms=MORNING_MS + 600_000)


def dry_then_wet(folder: Path, clock: FakeClock, **more: Any) -> BoardSite:
    site = BoardSite(folder, [gauge(wet=False)], clock, boot="first", **more)
    site.run(3600)
    site.logger.stop()
    return BoardSite(folder, [gauge()], clock, boot="first", **more)


def test_rain_without_a_hole_is_what_it_is(tmp_path: Path, clock: FakeClock) -> None:
    site = dry_then_wet(tmp_path, clock)
    site.run(5400)
    site.logger.stop()
    day, (storm,), present = told(site)
    assert (day.tips, day.is_at_least, storm.is_at_least, present.is_at_least) == (30, False, False, False)
    assert storm.rain_high_mm is not None


def test_rain_while_the_board_had_no_power_is_unknown_and_not_nought(tmp_path: Path, clock: FakeClock) -> None:
    site = dry_then_wet(tmp_path, clock)
    site.run(1800)
    site.logger.stop()
    clock.wait_until(clock.now_ms + 40 * MINUTE_MS)  # and it goes on raining
    site = BoardSite(tmp_path, [gauge()], clock, boot="second")
    site.run(1800)
    site.logger.stop()
    day, (storm,), present = told(site)
    assert (day.tips, day.is_at_least) == (20, True)
    assert (storm.is_at_least, storm.rain_high_mm) == (True, None)
    assert (present.is_at_least, present.because) == (True, "for some of the time nothing was logged")
    with LogReader(site.path) as reader:
        as_of_ms = clock.wall_ms()
        evidence = gather(site.settings, reader, Notes(()), from_ms=as_of_ms - 7_200_000, upto_ms=as_of_ms)
    assert evidence.rain is not None and len(evidence.rain.deaf_ms) == 2


def test_rain_that_the_full_memory_gave_up_is_unknown_and_not_nought(
    tmp_path: Path, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = dry_then_wet(tmp_path, clock, most_waiting=10)
    site.run(1800)

    def full(_: object) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(site.keeper.writer, "append", full)
        site.run(5400)
    site.run(1800)
    site.logger.stop()
    day, (storm,), present = told(site)
    assert day.tips < 45
    assert day.is_at_least and storm.is_at_least and present.is_at_least


def test_a_logger_that_has_stopped_leaves_the_rest_of_the_day_unknown(tmp_path: Path, clock: FakeClock) -> None:
    site = dry_then_wet(tmp_path, clock)
    site.run(1800)
    site.logger.stop()
    clock.wait_until(clock.now_ms + 30 * MINUTE_MS)
    day, _, _ = told(site)
    assert day.is_at_least


def test_a_board_that_lives_a_quarter_of_an_hour_at_a_time_is_not_believed(tmp_path: Path, clock: FakeClock) -> None:
    """A weak supply: each run leaves one row of nought, so that their distance is that of the holes."""
    for run in range(6):
        site = BoardSite(tmp_path, [gauge(wet=False)], clock, boot=f"boot {run}")
        site.run(900)
        site.logger.stop()
        clock.wait_until(clock.now_ms + 105 * MINUTE_MS)
    day, _, present = told(site)
    assert day.is_at_least and present.is_at_least


def test_a_hole_that_began_before_the_rain_day_is_seen_now(tmp_path: Path, clock: FakeClock) -> None:
    clock.step_wall(-4 * 60 * MINUTE_MS)
    dry_then_wet(tmp_path, clock).logger.stop()
    clock.wait_until(clock.now_ms + 5 * 60 * MINUTE_MS)
    site = BoardSite(tmp_path, [gauge(wet=False)], clock, boot="second")
    site.run(5400)
    site.logger.stop()
    day, _, present = told(site)
    assert day.is_at_least and present.is_at_least


def test_a_gauge_of_which_nothing_was_logged_today_is_unknown(tmp_path: Path, clock: FakeClock) -> None:
    site = BoardSite(tmp_path, [gauge(wet=False), level(lambda _: 1200.0)], clock)
    site.run(3600)
    site.logger.stop()
    clock.wait_until(clock.now_ms + 25 * 60 * MINUTE_MS)
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock, boot="second")
    site.run(600)
    site.logger.stop()
    *_, present = told(site)
    assert present.is_at_least


def test_a_record_that_never_says_nought_has_no_holes() -> None:
    t_ms = np.array([0, 1, 2, 50, 51], dtype=np.int64) * 3_600_000
    assert calc.unwatched(t_ms, np.zeros(5, dtype=bool), 10**12).tolist() == []
    assert calc.unwatched(t_ms[:0], np.zeros(0, dtype=bool), 10**12).tolist() == []


@given(
    st.lists(st.tuples(st.integers(1, 3000), st.booleans()), max_size=60),
    st.lists(st.integers(0, 59), max_size=3, unique=True),
)
def test_holes_are_just_the_long_silences_of_a_record_that_says_nought(
    tips: list[tuple[int, bool]], cut: list[int]
) -> None:
    """Whatever tips come between: a row at least each ten minutes, but for hours that are cut out."""
    t_s, nought, at = [0, 600, 1200, 1800], [True] * 4, 1800
    holes = []
    for k, (wait, is_long) in enumerate(tips):
        for _ in range((wait - 1) // 600):
            at += 600
            t_s.append(at)
            nought.append(True)
        rest = (wait - 1) % 600 + 1
        if k in cut and is_long:
            holes.append([at * 1000, (at + 7200 + rest) * 1000])
            at += 7200
        at += rest
        t_s.append(at)
        nought.append(False)
    found = calc.unwatched(np.array(t_s, dtype=np.int64) * 1000, np.array(nought))
    assert found.tolist() == holes
