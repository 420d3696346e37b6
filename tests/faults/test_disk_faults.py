"""A disk that is full, read-only or failing: readings go on, wait, and are told of; nothing is lost in silence."""

import itertools
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock
from small_disk import fill, loop_disk, small_disk

from rainstead.answers import replay_log
from rainstead.errors import DiskRefuses
from rainstead.log import LogReader
from rainstead_board import keeper
from rainstead_board.boardwatch import DISK_WELL_MS
from rainstead_board.keeper import RETRY_MS
from rainstead_board.lamp import Lamp

ACTIVE, NORMAL = "active_unacknowledged", "normal"
FEW_MB = SITE + "low_space = { free_mb = 1.5, deadband_mb = 0.5 }\n"


class Light:
    """The lamp's line."""

    def __init__(self, clock: FakeClock) -> None:
        self._clock = clock
        self.changes: list[tuple[int, bool]] = []

    def set(self, high: bool) -> None:
        self.changes.append((self._clock.now_ms, high))

    def close(self) -> None:
        pass

    def blinks_since(self, boot_ms: int) -> int:
        return sum(1 for at_ms, _ in self.changes if at_ms >= boot_ms)


def site_on(folder: Path, text: str = SITE, **more: Any) -> BoardSite:
    return BoardSite(folder, [level(lambda t: 1200.0 + t % 7)], FakeClock(), text=text, **more)


def gaps_ms(stamps: list[int]) -> set[int]:
    return {later - earlier for earlier, later in itertools.pairwise(stamps)}


def states(site: BoardSite, alarm: str) -> list[str]:
    return [event.state for event in site.events(alarm)]


def refusing(site: BoardSite, monkeypatch: pytest.MonkeyPatch, message: str = "disk I/O error") -> Callable[[], None]:
    """From now on every write fails, until the returned function is called."""
    context = monkeypatch.context()
    patch = context.__enter__()

    def refuse(*_: object, **__: object) -> int:
        raise sqlite3.OperationalError(message)

    for name in ("append", "append_events", "correct_boot", "begin_segment", "save_checkpoint", "reopen", "seal_some"):
        patch.setattr(site.keeper.writer, name, refuse)

    def heal() -> None:
        context.__exit__(None, None, None)

    return heal


def test_a_full_disk_loses_nothing_and_comes_back_without_a_restart(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        site = site_on(disk, FEW_MB)
        site.run(60)
        filler = fill(disk, 0)
        site.run(300)
        assert site.logger._keeper.disk_trouble is not None
        assert "full" in site.logger._keeper.disk_trouble
        filler.unlink()
        site.run(60 + DISK_WELL_MS / 1000)
        site.logger.stop()
        stamps = site.stamps("level")
        assert gaps_ms(stamps) == {1000}
        assert len(stamps) >= 419
        assert states(site, "disk_fault") == [ACTIVE, NORMAL]
        assert "none was lost" in site.events("disk_fault")[-1].reason


def test_little_space_is_told_before_the_disk_is_full(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        site = site_on(disk, FEW_MB)
        site.run(30)
        filler = fill(disk, 1_200_000)
        site.run(30)
        assert states(site, "low_space") == [ACTIVE]
        assert states(site, "disk_fault") == []
        filler.unlink()
        site.run(30)
        site.logger.stop()
        assert states(site, "low_space") == [ACTIVE, NORMAL]
        assert "MB are free" in site.events("low_space")[0].reason


def test_a_file_that_may_not_grow_is_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same by SQLite's own limit, for machines where nothing can be mounted."""
    site = site_on(tmp_path)
    site.run(30)
    monkeypatch.setattr(site.keeper.writer, "reopen", lambda: None)  # the limit is the connection's
    db = site.keeper.writer._db
    (pages,) = db.execute("PRAGMA page_count").fetchone()
    db.execute(f"PRAGMA max_page_count = {pages}")
    site.run(1500)
    assert site.logger._keeper.disk_trouble == "database or disk is full"
    db.execute("PRAGMA max_page_count = 1000000")
    site.run(60)
    site.logger.stop()
    assert gaps_ms(site.stamps("level")) == {1000}
    assert len(site.stamps("level")) >= 1589


def test_a_file_system_that_turns_read_only_is_waited_out(tmp_path: Path) -> None:
    with loop_disk(tmp_path / "disk", 8) as disk:
        site = site_on(disk)
        site.run(30)
        subprocess.run(["mount", "-o", "remount,abort", disk], check=False)
        site.run(200)
        assert site.logger._keeper.disk_trouble is not None
        assert len(site.logger._waiting) >= 190
        # It cannot come back; what can be said is said, and the end is in order.
        site.logger.stop()


def test_writes_that_fail_for_an_hour_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = site_on(tmp_path)
    site.run(60)
    heal = refusing(site, monkeypatch)
    site.run(3600)
    heal()
    site.run(60 + DISK_WELL_MS / 1000)
    site.logger.stop()
    assert gaps_ms(site.stamps("level")) == {1000}
    assert len(site.stamps("level")) >= 3719
    told = site.events("disk_fault")
    assert [event.state for event in told] == [ACTIVE, NORMAL]
    assert "disk I/O error" in told[0].reason


def test_a_fault_that_stays_with_the_open_file_is_over_within_half_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after a stick was pulled and put back: the same connection fails for ever, another one writes."""
    site = site_on(tmp_path)
    site.run(60)
    writer = site.keeper.writer
    append, reopen, opened_anew = writer.append, writer.reopen, list[int]()

    def stale(rows: Any) -> int:
        if not opened_anew:
            raise sqlite3.OperationalError("disk I/O error")
        return append(rows)

    def anew() -> None:
        reopen()
        opened_anew.append(site.clock.now_ms)

    monkeypatch.setattr(writer, "append", stale)
    monkeypatch.setattr(writer, "reopen", anew)
    began_ms = site.clock.now_ms
    site.run(60)
    assert len(opened_anew) == 1 and opened_anew[0] - began_ms <= 45_000
    assert site.keeper.disk_trouble is None
    site.logger.stop()
    assert gaps_ms(site.stamps("level")) == {1000}


def test_a_log_that_cannot_be_read_for_a_moment_is_no_fault_of_the_calculation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[Path] = []

    class Refused(LogReader):
        def __init__(self, path: Path) -> None:
            opened.append(path)
            if len(opened) == 1:
                raise DiskRefuses(f"{path}: the disk refuses")
            super().__init__(path)

    monkeypatch.setattr(keeper, "LogReader", Refused)
    site = site_on(tmp_path)
    site.run(60)
    assert len(opened) > 1 and site.keeper.state is not None
    assert site.events("calculation_fault") == []
    site.logger.stop()


def test_a_clock_that_is_nudged_while_the_disk_refuses_makes_no_more_tries(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_on(tmp_path)
    site.run(60)
    heal, tries = refusing(site, monkeypatch), list[int]()
    refused = site.keeper.writer.append

    def counted(rows: Any) -> int:
        tries.append(site.clock.now_ms)
        return refused(rows)

    monkeypatch.setattr(site.keeper.writer, "append", counted)
    site.run(30)
    site.clock.step_wall(5000)
    tries.clear()
    site.run(600)
    assert len(tries) <= 601_000 / RETRY_MS
    heal()
    site.logger.stop()


def test_a_batch_that_was_stored_though_the_disk_said_no_is_stored_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A write may fail after the data is down: the same readings are written again."""
    site = site_on(tmp_path)
    site.run(30)
    append, failed = site.keeper.writer.append, [0]

    def stored_but_failed(rows: Any) -> int:
        added = append(rows)
        if failed[0] < 3:
            failed[0] += 1
            raise sqlite3.OperationalError("disk I/O error")
        return added

    monkeypatch.setattr(site.keeper.writer, "append", stored_but_failed)
    site.run(90)
    site.logger.stop()
    assert failed == [3]
    assert gaps_ms(site.stamps("level")) == {1000}


def test_a_queue_that_is_full_gives_up_the_oldest_and_says_how_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_on(tmp_path, most_waiting=100)
    site.run(60)
    heal = refusing(site, monkeypatch)
    before = len(site.stamps("level"))
    site.run(400)
    heal()
    site.run(60 + DISK_WELL_MS / 1000)
    site.logger.stop()
    stamps = site.stamps("level")
    hole_ms = max(gaps_ms(stamps))
    lost = hole_ms // 1000 - 1
    assert 280 <= lost <= 330
    assert gaps_ms(stamps) == {1000, hole_ms}
    assert stamps.index(next(t for t, u in itertools.pairwise(stamps) if u - t == hole_ms)) + 1 == before  # the oldest
    (_, last) = site.events("disk_fault")
    assert f"{lost} readings were lost, the oldest first" in last.reason


def test_a_clock_set_while_the_disk_refuses_is_put_right_when_it_is_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], FakeClock(wall_ms=1_000_000_000_000), trusted=False)
    site.run(60)
    heal = refusing(site, monkeypatch)
    site.clock.step_wall(780_000_000_000)
    site.trusted = True
    site.run(120)
    heal()
    site.run(60)
    site.logger.stop()
    stamps = site.stamps("level")
    assert gaps_ms(stamps) == {1000}
    assert stamps[0] >= 1_780_000_000_000


def test_alarms_that_are_raised_while_the_disk_refuses_reach_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = SITE.replace("on_delay = 10", "on_delay = 1")
    near_brim = BoardSite(tmp_path, [level(lambda t: 1500.0 if t < 90_000 else 510.0)], FakeClock(), text=text)
    near_brim.run(60)
    heal = refusing(near_brim, monkeypatch)
    near_brim.run(120)
    heal()
    near_brim.run(60)
    near_brim.logger.stop()
    assert states(near_brim, "overflow_risk") == [ACTIVE]
    # It is dated when the water came, not when the disk was back.
    assert near_brim.events("overflow_risk")[0].t_ms < near_brim.clock.wall_ms() - 100_000


def test_the_lamp_says_that_readings_are_not_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = FakeClock()
    light = Light(clock)
    site = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock, lamp=Lamp(lambda: light))
    site.run(60)
    assert light.blinks_since(20_000) == 0
    heal = refusing(site, monkeypatch)
    site.run(30)
    sick_ms = clock.now_ms
    site.run(30)
    assert light.blinks_since(sick_ms) > 150
    heal()
    site.run(30)
    well_ms = clock.now_ms
    site.run(30)
    assert light.blinks_since(well_ms) == 0
    site.logger.stop()
    assert light.changes[-1][1] is False


def test_a_disk_fault_that_a_power_cut_ended_is_cleared_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = FakeClock()
    first = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock)
    first.run(30)
    heal = refusing(first, monkeypatch)
    first.run(60)
    heal()
    first.keeper._commit(clock.now_ms)  # the alarm is down, its end is not
    first.keeper.writer.close()
    second = BoardSite(tmp_path, [level(lambda _: 1200.0)], clock, boot="next")
    second.run(30 + DISK_WELL_MS / 1000)
    second.logger.stop()
    assert states(second, "disk_fault") == [ACTIVE, NORMAL]


def test_what_the_board_says_of_itself_is_no_difference_to_a_replay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_on(tmp_path)
    site.run(60)
    heal = refusing(site, monkeypatch)
    site.run(60)
    heal()
    site.run(60)
    site.logger.stop()
    with LogReader(site.path) as reader:
        assert any(event.alarm == "disk_fault" for event in reader.events())
        assert replay_log(site.settings, reader, site.clock.wall_ms()).is_identical
