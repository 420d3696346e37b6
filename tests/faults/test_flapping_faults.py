"""Faults that come and go, for hours: few events, few lines, none hidden by a good moment; the present stays told."""

import logging
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from board_site import SITE, BoardSite, Scripted, level
from fake_clock import FakeClock

from rainstead.alarms import ACTIVE, NORMAL
from rainstead.boardhealth import read_board_health
from rainstead.events import AlarmEvent
from rainstead.readings import Kind, Reading
from rainstead.repeats import Repeats
from rainstead.settings import parse_settings
from rainstead_board.boardwatch import BoardWatch, Facts
from rainstead_board.lamp import LampSays
from rainstead_board.sampler import Sampler
from rainstead_board.waiting import Waiting

HOUR_S = 3_600
MINUTE_MS = 60_000
SLOW = SITE.replace("every = 1\n", "every = 10\n")


class Lines(logging.Handler):
    """What reaches the journal."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.said.append(record.getMessage())


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def journal(clock: FakeClock) -> Iterator[Lines]:
    """As `begin_journal` sets it up, by the test's clock."""
    lines, root = Lines(), logging.getLogger("rainstead")
    repeats = Repeats(lines, clock.boot_ms)
    root.addHandler(repeats)
    root.setLevel(logging.INFO)
    yield lines
    root.removeHandler(repeats)
    root.setLevel(logging.NOTSET)


def loose(bad_s: float, every_s: float, name: str = "level") -> Scripted:
    """A sensor that is away for so long of each so many seconds, and is asked each five."""

    class Loose(Scripted):
        def poll(self, boot_ms: int) -> list[Reading]:
            self._next_ms = boot_ms + 5_000
            if boot_ms % round(every_s * 1000) < bad_s * 1000:
                raise OSError("loose")
            return [Reading(name, boot_ms, 1200.0)]

        def next_due_ms(self, boot_ms: int) -> int:
            return max(boot_ms, self._next_ms)

    return Loose(name, Kind.LEVEL, lambda _: [])


def test_a_sensor_that_comes_and_goes_each_quarter_of_a_minute_is_told_in_a_few_lines(
    clock: FakeClock, journal: Lines
) -> None:
    sampler = Sampler([loose(15, 30)], clock, Waiting())
    for _ in range(24 * HOUR_S // 5):
        sampler.step()
        clock.now_ms += 5_000
    assert journal.said[:2] == ["sensor level: its driver failed: OSError('loose')", "sensor level is back"]
    assert "times in the last 4 h, the last: sensor level" in journal.said[-1]
    assert len(journal.said) <= 12


def test_a_sensor_that_is_away_but_for_some_seconds_of_each_ten_minutes_is_told(
    tmp_path: Path, clock: FakeClock
) -> None:
    site = BoardSite(tmp_path, [loose(595, 600)], clock, text=SLOW)
    begun_ms = clock.wall_ms()
    site.run(0.5 * HOUR_S)
    site.logger.stop()
    (event,) = site.events("sensor_fault")
    assert (event.subject, event.state) == ("level", ACTIVE)
    assert event.t_ms - begun_ms <= 16 * MINUTE_MS
    assert event.reason == "its driver failed: OSError('loose'); it comes and goes, 2 times until now"


def test_a_disk_that_refuses_every_second_write_is_one_event_and_a_few_lines(
    tmp_path: Path, clock: FakeClock, journal: Lines, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock, text=SLOW, health_path=tmp_path / "health.json")
    append, tried = site.keeper.writer.append, [0]

    def every_second(*rows: Any) -> None:
        tried[0] += 1
        if tried[0] % 2:
            raise sqlite3.OperationalError("disk I/O error")
        append(*rows)

    monkeypatch.setattr(site.keeper.writer, "append", every_second)
    site.run(HOUR_S // 3)
    assert tried[0] > 150
    (event,) = site.events("disk_fault")
    assert event.state == ACTIVE and "disk I/O error" in event.reason
    assert len(journal.said) <= 12
    monkeypatch.undo()
    site.run(240)
    # The alarm stands for a while; lamp and account tell the present.
    assert len(site.events("disk_fault")) == 1
    assert site.logger._sampler.lamp_says is LampSays.WELL
    told = read_board_health(tmp_path, "a test's site", tmp_path)
    assert told is not None and told["disk_trouble"] is None
    site.run(120)
    site.logger.stop()
    cleared = site.events("disk_fault")[-1]
    assert cleared.state == NORMAL
    assert "the disk takes readings again; none was lost; it had come and gone" in cleared.reason
    assert len(set(site.stamps("level"))) == len(site.stamps("level")) >= HOUR_S // 3


def facts(boot_ms: int, **more: Any) -> Facts:
    given: dict[str, Any] = {
        "troubles": {},
        "free_mb": 900.0,
        "disk_trouble": None,
        "waiting": 0,
        "dropped": 0,
        "clock_is_trusted": True,
        "calculation_failed": None,
    }
    return Facts(boot_ms=boot_ms, t_ms=1_780_000_000_000 + boot_ms, **(given | more))


@pytest.fixture
def watch() -> BoardWatch:
    return BoardWatch(parse_settings(SITE, "test"), ())


@pytest.mark.parametrize(
    ("alarm", "bad"),
    [
        ("disk_fault", {"disk_trouble": "disk I/O error"}),
        ("disk_fault", {"dropped": 7}),
        ("low_space", {"free_mb": 1.0}),
        ("supply_low", {"supply_is_low": True}),
        ("calculation_fault", {"calculation_failed": "no"}),
        ("log_damaged", {"damaged_logs": ("one",)}),
        ("sensor_fault", {"troubles": {"level": "loose"}}),
    ],
)
def test_no_alarm_of_the_board_makes_many_events_a_day_however_it_comes_and_goes(
    watch: BoardWatch, alarm: str, bad: dict[str, Any]
) -> None:
    well = {"troubles": {"level": None}, "supply_is_low": False}
    events: list[AlarmEvent] = []
    for boot_ms in range(0, 86_400_000, 30_000):
        # The worst there is: well until it is cleared, bad until it is raised.
        is_bad = not any(key[0] == alarm for key in watch.active)
        events += watch.look(facts(boot_ms, **(well | bad if is_bad else well)))
    mine = [event for event in events if event.alarm == alarm]
    assert 10 <= len(mine) <= 15
    assert "raised 2 times in a day, so it is over only after" in mine[2].reason
    assert events == mine


def test_what_a_slow_disk_costs_is_summed_until_it_is_over(watch: BoardWatch) -> None:
    events: list[AlarmEvent] = []
    for boot_ms in range(0, 3_600_000, 5_000):
        events += watch.look(facts(boot_ms, dropped=10 if boot_ms % 60_000 == 0 and boot_ms < 1_800_000 else 0))
    assert [event.state for event in events] == [ACTIVE, NORMAL]
    assert "300 readings were lost" in events[-1].reason


def test_the_bound_holds_over_restarts() -> None:
    """Each minute the process is another one, which knows what the log knows."""
    settings, events = parse_settings(SITE, "test"), list[AlarmEvent]()
    for begun_ms in range(0, 86_400_000, 420_000):
        watch = BoardWatch(settings, tuple(events))
        assert watch.active == ({("disk_fault", "site")} if events and events[-1].state == ACTIVE else set())
        for boot_ms in range(begun_ms, begun_ms + 420_000, 30_000):
            is_bad = not watch.active
            events += watch.look(facts(boot_ms, disk_trouble="disk I/O error" if is_bad else None))
    assert len(events) <= 15


def test_a_restart_does_not_forget_trouble_that_is_on_its_way_to_an_alarm(tmp_path: Path, clock: FakeClock) -> None:
    """A logger that is started again each ten minutes would never tell of a sensor that is gone."""
    told_at = []
    for _ in range(3):
        site = BoardSite(tmp_path, [loose(600, 600)], clock, text=SLOW, health_path=tmp_path / "health.json")
        site.run(600)
        site.logger.stop()
        told_at.append(len(site.events("sensor_fault")))
    assert told_at == [0, 1, 1]
    assert site.events("sensor_fault")[0].reason == "its driver failed: OSError('loose')", "it was away all the time"


def test_trouble_that_another_boot_left_is_none_of_this_one(tmp_path: Path, clock: FakeClock) -> None:
    site = BoardSite(tmp_path, [loose(600, 600)], clock, text=SLOW, health_path=tmp_path / "health.json")
    site.run(300)
    site.logger.stop()
    for boot, pending in (("test", 1), ("another", 0)):
        site = BoardSite(tmp_path, [loose(0, 10)], clock, text=SLOW, health_path=tmp_path / "health.json", boot=boot)
        assert len(site.logger._watch.turns.pending()) == pending
        site.logger.stop()


def test_a_clock_that_nobody_sets_is_told_however_often_the_logger_is_started_again(
    tmp_path: Path, clock: FakeClock
) -> None:
    for _ in range(3):
        site = BoardSite(tmp_path, [loose(0, 10)], clock, False, text=SLOW, health_path=tmp_path / "health.json")
        site.run(1_300)
        site.logger.stop()
    (event,) = site.events("clock_unset")
    assert event.value == pytest.approx(1.0, abs=0.01) and event.unit == "h"


def test_an_account_that_is_garbage_is_no_trouble_on_its_way(tmp_path: Path, clock: FakeClock) -> None:
    for rubbish in (
        '{"site": "a test\'s site", "written_ms": 1, "boot_uuid": "test", "pending_alarms": [7, {"alarm": 1}, {}]}',
        '{"site": "a test\'s site", "written_ms": 1, "boot_uuid": "test", "pending_alarms": {"alarm": []}}',
        "not json",
    ):
        (tmp_path / "health.json").write_text(rubbish, encoding="utf-8")
        site = BoardSite(tmp_path, [loose(1, 10)], clock, text=SLOW, health_path=tmp_path / "health.json")
        assert site.logger._watch.turns.pending() == []
        site.logger.stop()
