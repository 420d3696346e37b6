"""The logger's loop, with channels and a clock of the test's own."""

import contextlib
import itertools
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from board_site import SITE, BoardSite, Scripted, busy_channels, level
from derived_bits import flatten, replayed
from fake_clock import FakeClock

from rainstead.derive import Deriver
from rainstead.log import LogReader
from rainstead.readings import Kind, Reading
from rainstead.replay import replay
from rainstead_board import sicksensors
from rainstead_board.doubt import LONG_WORK_MS
from rainstead_board.watchdog import Notifier


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_was_derived_live_is_what_replay_derives_to_the_last_bit(tmp_path: Path, seed: int) -> None:
    site = BoardSite(tmp_path, busy_channels(seed), FakeClock())
    site.run(300)
    site.logger.stop()
    live = flatten([derived for _, derived in site.seen])
    assert live["events"] and live["runs"] and live["LevelRows house"]
    for size in (200_000, 7, 1):
        assert replayed(site.path, site.settings, size) == live


def test_alarm_events_in_the_log_are_those_that_replay_finds(tmp_path: Path) -> None:
    site = BoardSite(tmp_path, busy_channels(4), FakeClock())
    site.run(300)
    site.logger.stop()
    with LogReader(site.path) as reader:
        logged = [(e.t_ms, e.alarm, e.subject, e.state, e.value, e.limit, e.unit, e.reason) for e in reader.events()]
        found = [
            (e.t_ms, e.alarm, e.subject, e.state, e.value, e.limit, e.unit, e.reason)
            for _, derived in replay(reader, Deriver(site.settings))
            for e in derived.events
        ]
    assert len(logged) >= 4
    assert logged == found


def test_every_reading_is_committed_within_the_commit_interval(tmp_path: Path) -> None:
    clock = FakeClock()
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock)
    for _ in range(60):
        site.run(1)
        with LogReader(site.path) as reader:
            span = reader.span_ms()
        if clock.now_ms > 5_000 + 11_000:
            assert span is not None
            # 10 s for the commit and 1 s because the test looks once a second.
            assert clock.wall_ms() - span[1] <= 11_000
    site.logger.stop()


def test_a_restart_goes_on_as_if_there_had_been_none(tmp_path: Path) -> None:
    clock = FakeClock()
    channels = busy_channels(5)
    first = BoardSite(tmp_path, channels, clock)
    first.run(110)
    first.logger.stop()
    second = BoardSite(tmp_path, channels, clock)
    second.run(190)
    second.logger.stop()
    live = flatten([derived for _, derived in first.seen + second.seen])
    assert replayed(first.path, first.settings) == live


def test_a_killed_logger_loses_no_alarm_event(tmp_path: Path) -> None:
    clock = FakeClock()
    channels = busy_channels(6)
    first = BoardSite(tmp_path, channels, clock)
    first.run(150)
    # As after kill -9: nothing is flushed, no state is kept.
    with contextlib.closing(sqlite3.connect(first.path)) as db, db:
        db.execute("DELETE FROM event")
    first.keeper.writer.close()
    second = BoardSite(tmp_path, channels, clock)
    second.logger.stop()
    with LogReader(first.path) as reader:
        logged = {(e.t_ms, e.alarm, e.state) for e in reader.events()}
        found = {(e.t_ms, e.alarm, e.state) for _, d in replay(reader, Deriver(first.settings)) for e in d.events}
    assert logged == found and logged


def test_a_channel_that_raises_does_not_stop_the_others(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    def broken(_: int) -> list[Reading]:
        raise RuntimeError("a bolt fell out")

    site = BoardSite(tmp_path, [Scripted("gauge", Kind.TIP, broken), level(lambda _: 1200.0)], FakeClock())
    site.run(60)
    site.logger.stop()
    with LogReader(site.path) as reader:
        assert reader.count() >= 60
    told = [record.getMessage() for record in caplog.records if "gauge" in record.getMessage()]
    assert told == ["sensor gauge: its driver failed: RuntimeError('a bolt fell out')"]


def test_a_search_for_sick_sensors_that_fails_costs_no_reading_and_is_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("a test")

    monkeypatch.setattr(sicksensors, "find_sickness", fails)
    monkeypatch.setattr(sicksensors, "SICKNESS_EVERY_MS", 10_000)
    site = BoardSite(tmp_path, [level(lambda _: 900.0)], FakeClock())
    site.run(60)
    site.logger.stop()
    assert len(site.stamps("level")) >= 59
    assert caplog.text.count("cannot be worked out") == 1


def test_a_reading_later_than_the_hold_back_still_takes_its_place(tmp_path: Path) -> None:
    late: list[int] = [0]

    def tips(t: int) -> list[Reading]:
        if t > 65_000 and not late[0]:
            late[0] = 1
            return [Reading("gauge", t - 25_000, 1.0)]
        return []

    channels = [*busy_channels(7)[:1], Scripted("gauge", Kind.TIP, tips)]
    site = BoardSite(tmp_path, channels, FakeClock())
    site.run(200)
    site.logger.stop()
    with LogReader(site.path) as reader:
        assert reader.count() == sum(len(batch) for batch in reader.batches())
        state = site.keeper.state
        for newest, _ in replay(reader, Deriver(site.settings)):
            again = newest
    assert repr(state) == repr(again)
    assert state is not None and state.gauge is not None and state.gauge.last_tip_ms is not None


@pytest.mark.parametrize("has_begun_anew", [False, True])
def test_the_service_manager_grants_the_time_to_put_stamps_right(
    has_begun_anew: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, notifier = FakeClock(wall_ms=1_000_000_000_000), Notifier(None, watchdog_us=60_000_000)
    site = BoardSite(tmp_path, busy_channels(9), clock, trusted=False, notifier=notifier)
    site.run(120)
    if has_begun_anew:
        site.path.rename(tmp_path / "taken.db")
        site.run(120)
    writer, allowed_us = site.keeper.writer, []
    correct_boot = writer.correct_boot

    def corrects(*told: Any, **more: Any) -> int | None:
        allowed_us.append(notifier._allowed_us)
        return correct_boot(*told, **more)

    monkeypatch.setattr(writer, "correct_boot", corrects)
    clock.step_wall(780_000_000_000)
    site.trusted = True
    site.run(120)
    site.logger.stop()
    assert set(allowed_us) == {LONG_WORK_MS * 1000}
    assert notifier._allowed_us == 60_000_000


def test_stamps_of_a_boot_move_together_when_its_clock_is_set_right(tmp_path: Path) -> None:
    clock = FakeClock(wall_ms=1_000_000_000_000)
    site = BoardSite(tmp_path, busy_channels(8), clock, trusted=False)
    site.run(120)
    clock.step_wall(780_000_000_000)
    site.trusted = True
    site.run(120)
    site.logger.stop()
    with LogReader(site.path) as reader:
        span = reader.span_ms()
        assert span is not None
        assert span[0] >= 1_780_000_000_000 - 1000  # a tip is stamped up to a second before the poll
        assert span[1] - span[0] < 241_000
        assert reader.clock_is_trusted()
        stamps = [t for batch in reader.batches(sensors=["level"]) for t in batch.t_ms.tolist()]
        gaps = {b - a for a, b in itertools.pairwise(stamps)}
        events = {(e.t_ms, e.alarm, e.state) for e in reader.events()}
        found = {(e.t_ms, e.alarm, e.state) for _, d in replay(reader, Deriver(site.settings)) for e in d.events}
    assert gaps == {1000}
    assert events == found and events


def test_a_clock_set_back_keeps_readings_in_order_and_whole(tmp_path: Path) -> None:
    clock = FakeClock()
    site = BoardSite(tmp_path, busy_channels(9), clock)
    site.run(60)
    clock.step_wall(-3_600_000)
    site.run(60)
    site.logger.stop()
    with LogReader(site.path) as reader:
        stamps = [t for batch in reader.batches(sensors=["level"]) for t in batch.t_ms.tolist()]
    assert len(stamps) >= 119
    assert {b - a for a, b in itertools.pairwise(stamps)} == {1000}


def test_readings_wait_in_memory_while_the_disk_refuses_and_none_is_lost(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock())
    site.run(30)
    append = site.keeper.writer.append

    def refuse(_rows: object) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(site.keeper.writer, "append", refuse)
    site.run(120)
    monkeypatch.setattr(site.keeper.writer, "append", append)
    site.run(30)
    site.logger.stop()
    with LogReader(site.path) as reader:
        stamps = [t for batch in reader.batches() for t in batch.t_ms.tolist()]
    assert {b - a for a, b in itertools.pairwise(stamps)} == {1000}
    assert len(stamps) >= 180
    told = [record.getMessage() for record in caplog.records if record.name == "rainstead.logger"]
    assert sum("they wait in memory" in line for line in told) == 1
    assert sum("readings are stored again" in line for line in told) == 1


def test_the_log_keeps_every_settings_text_it_was_run_with(tmp_path: Path) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock())
    site.run(5)
    site.logger.stop()
    with contextlib.closing(sqlite3.connect(site.path)) as db, db:
        assert db.execute("SELECT text FROM settings_kept").fetchall() == [(SITE,)]


def test_what_a_sensor_says_as_it_is_let_go_of_is_stored(tmp_path: Path) -> None:
    flow = Scripted("flow", Kind.PULSE, lambda t: [Reading("flow", t, 7.0)])
    # One in the millisecond after the last poll, and one of an edge that came while the lines were closed.
    flow.at_close = lambda t: [Reading("flow", t + 1, 5.0), Reading("flow", t + 40, 1.0)]
    site = BoardSite(tmp_path, [flow, level(lambda _: 900.0)], FakeClock())
    site.run(3.5)
    polls = sum(len(site_batch) for site_batch, _ in site.seen)
    site.logger.stop()
    assert polls < 8
    with LogReader(tmp_path / "readings.db") as reader:
        (batch,) = reader.batches(sensors=["flow"])
    assert batch.value.tolist()[-2:] == [5.0, 1.0]
    assert set(batch.value.tolist()[:-2]) == {7.0}


def test_a_sensor_that_fails_as_it_is_let_go_of_costs_the_others_nothing(tmp_path: Path) -> None:
    def fails(_: int) -> list[Reading]:
        raise RuntimeError("gone already")

    air = Scripted("air", Kind.TEMPERATURE, lambda _: [])
    air.at_close = fails
    site = BoardSite(tmp_path, [air, level(lambda _: 900.0)], FakeClock())
    site.run(3.5)
    site.logger.stop()
    with LogReader(tmp_path / "readings.db") as reader:
        assert reader.count() == 5
