"""What a board's clock does in a paddock: wrong by years, set while running, never set. Order and durations stay."""

import itertools
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from board_site import BoardSite, Scripted, level
from fake_clock import FakeClock

from rainstead.clockword import clock_is_confirmed, confirm_clock
from rainstead.log import LogReader
from rainstead.readings import Kind, Reading
from rainstead_board.timekeeping import RELEASED_MS

TRUE_MS = 1_780_000_000_000
YEAR_MS = 365 * 86_400_000
STEPS_MS = [-5 * YEAR_MS, -YEAR_MS, -3_600_000, -120_000, -20_000, 20_000, 120_000, 3_600_000, YEAR_MS, 5 * YEAR_MS]

Runs = Callable[..., BoardSite]


def ticking(clock: FakeClock) -> Scripted:
    """A level each second whose value is the boot clock's second: it tells when it was read, whatever its stamp."""
    return level(lambda _: float(clock.now_ms // 1000))


@pytest.fixture
def runs(tmp_path: Path) -> Runs:
    """A logger on the site's one log: a boot of its own, whose wall clock shows what it shows."""

    def run(seconds: float, *, boot: str, wall_ms: int, trusted: bool, boot_ms: int = 5_000) -> BoardSite:
        clock = FakeClock(boot_ms=boot_ms, wall_ms=wall_ms)
        site = BoardSite(tmp_path, [ticking(clock)], clock, trusted, boot=boot)
        site.run(seconds)
        return site

    return run


def stamps_by_segment(path: Path) -> dict[int, list[int]]:
    """Stamps in the log's order, by the boot that they belong to."""
    with closing(sqlite3.connect(path)) as db:
        found: dict[int, list[int]] = {}
        rows = db.execute(
            "SELECT s.boot, r.t_ms FROM reading r JOIN segment s ON s.id = r.segment ORDER BY r.t_ms"
        ).fetchall()
    for boot, t_ms in rows:
        found.setdefault(boot, []).append(t_ms)
    return found


def gaps_ms(stamps: list[int]) -> set[int]:
    return {later - earlier for earlier, later in itertools.pairwise(stamps)}


@pytest.mark.parametrize("wrong_by_ms", STEPS_MS)
def test_a_boot_with_a_wrong_clock_is_put_right_whole_once_the_clock_is_set(runs: Runs, wrong_by_ms: int) -> None:
    site = runs(90, boot="a", wall_ms=TRUE_MS + wrong_by_ms, trusted=False)
    with LogReader(site.path) as reader:
        assert not reader.clock_is_trusted()
    site.clock.step_wall(-wrong_by_ms)
    site.trusted = True
    site.run(30)
    site.logger.stop()
    stamps = site.stamps("level")
    assert len(stamps) >= 119
    assert gaps_ms(stamps) == {1000}
    assert abs(stamps[0] - TRUE_MS) <= 1000
    with LogReader(site.path) as reader:
        assert reader.clock_is_trusted()


@pytest.mark.parametrize("by_ms", STEPS_MS)
def test_a_clock_that_is_set_while_running_keeps_order_and_durations(runs: Runs, by_ms: int) -> None:
    site = runs(60, boot="a", wall_ms=TRUE_MS, trusted=True)
    site.clock.step_wall(by_ms)
    site.run(60)
    site.logger.stop()
    stamps, values = site.stamps("level"), site.values("level")
    assert values == sorted(values)
    assert len(stamps) >= 119
    # A step forward of less than a minute leaves a hole of its own size, and nothing else changes any duration.
    assert gaps_ms(stamps) - {1000} == ({1000 + by_ms} if 1000 < by_ms < 60_000 else set())


def test_a_clock_that_is_set_ten_times_ends_with_every_reading_once_and_in_order(runs: Runs) -> None:
    site = runs(30, boot="a", wall_ms=TRUE_MS, trusted=True)
    for by_ms in STEPS_MS:
        site.clock.step_wall(by_ms)
        site.run(20)
    site.logger.stop()
    values = site.values("level")
    assert values == sorted(set(values))
    assert len(values) >= 229


def test_two_boots_in_one_wrong_hour_stay_apart_and_in_order(runs: Runs) -> None:
    """No clock chip: each boot begins at the same moment of the past, and nobody sets it."""
    wrong_ms = TRUE_MS - 7 * YEAR_MS
    for boot in ("a", "b", "c"):
        runs(60, boot=boot, wall_ms=wrong_ms, trusted=False).logger.stop()
    path = runs(1, boot="d", wall_ms=wrong_ms, trusted=False).path
    found = stamps_by_segment(path)
    ordered = [found[boot] for boot in sorted(found)]
    assert len(ordered) >= 3
    for earlier, later in itertools.pairwise(ordered):
        assert earlier[-1] < later[0]
    assert all(gaps_ms(stamps) <= {1000} for stamps in ordered)


def test_boots_that_were_never_dated_lie_before_the_first_that_is_though_their_clock_was_ahead(runs: Runs) -> None:
    for boot in ("a", "b"):
        runs(60, boot=boot, wall_ms=TRUE_MS + 5 * YEAR_MS, trusted=False).logger.stop()
    last = runs(60, boot="c", wall_ms=TRUE_MS, trusted=True)
    last.logger.stop()
    found = stamps_by_segment(last.path)
    first, second, third = (found[boot] for boot in sorted(found))
    assert first[-1] < second[0] <= second[-1] < third[0]
    assert abs(third[0] - TRUE_MS) <= 1000
    assert [gaps_ms(stamps) for stamps in (first, second, third)] == [{1000}] * 3


def test_a_boot_in_the_future_that_is_set_right_later_takes_the_undated_one_before_it_along(runs: Runs) -> None:
    runs(60, boot="a", wall_ms=TRUE_MS + YEAR_MS, trusted=False).logger.stop()
    site = runs(60, boot="b", wall_ms=TRUE_MS, trusted=False)
    site.trusted = True
    site.run(30)
    site.logger.stop()
    first, second = (stamps for _, stamps in sorted(stamps_by_segment(site.path).items()))
    assert first[-1] < second[0]
    assert abs(second[0] - TRUE_MS) <= 1000


def test_runs_of_one_boot_are_put_right_together(runs: Runs) -> None:
    """The logger was started again while the clock was wrong: the boot's clock was the same for both runs."""
    first = runs(60, boot="a", wall_ms=TRUE_MS - YEAR_MS, trusted=False)
    first.logger.stop()
    clock = first.clock
    second = runs(60, boot="a", wall_ms=clock.wall_ms() + 7_000, boot_ms=clock.now_ms + 7_000, trusted=False)
    second.clock.step_wall(YEAR_MS)
    second.trusted = True
    second.run(30)
    second.logger.stop()
    stamps = second.stamps("level")
    assert abs(stamps[0] - TRUE_MS) <= 1000
    assert gaps_ms(stamps) <= {1000, 7000, 8000}
    with LogReader(second.path) as reader:
        assert reader.undated_runs() == []


@pytest.mark.parametrize("was_trusted", [False, True])
def test_a_clock_set_while_no_logger_ran_dates_the_runs_before_it_in_the_same_boot(
    runs: Runs, was_trusted: bool
) -> None:
    """Set between two runs, or while a disk refused the correction and then the process was killed."""
    first = runs(60, boot="a", wall_ms=TRUE_MS - YEAR_MS, trusted=was_trusted)
    first.logger.stop()
    second = runs(
        30, boot="a", wall_ms=first.clock.wall_ms() + YEAR_MS + 7_000, boot_ms=first.clock.now_ms + 7_000, trusted=True
    )
    second.logger.stop()
    stamps = second.stamps("level")
    assert abs(stamps[0] - TRUE_MS) <= 1000
    assert gaps_ms(stamps) <= {1000, 7000, 8000}
    with LogReader(second.path) as reader:
        assert reader.undated_runs() == []
        assert reader.clock_is_trusted()


def test_a_boot_that_is_never_dated_goes_on_from_what_the_log_has(runs: Runs) -> None:
    runs(60, boot="a", wall_ms=TRUE_MS, trusted=True).logger.stop()
    second = runs(120, boot="b", wall_ms=TRUE_MS - 3_600_000, trusted=False)
    second.logger.stop()
    stamps = second.stamps("level")
    assert stamps == sorted(stamps)
    assert gaps_ms(stamps) <= {1, 1000}
    with LogReader(second.path) as reader:
        assert not reader.clock_is_trusted()


def test_a_clock_that_nobody_sets_is_told_after_an_hour(runs: Runs) -> None:
    site = runs(3_500, boot="a", wall_ms=TRUE_MS, trusted=False)
    assert site.events("clock_unset") == []
    site.run(200)
    site.trusted = True
    site.run(60)
    site.logger.stop()
    assert [event.state for event in site.events("clock_unset")] == ["active_unacknowledged", "normal"]
    assert "rainstead clock confirm" in site.events("clock_unset")[0].reason


def test_the_owners_word_holds_for_the_boot_in_which_it_was_given(tmp_path: Path) -> None:
    assert not clock_is_confirmed(tmp_path, "a")
    confirm_clock(tmp_path, "a", TRUE_MS)
    assert clock_is_confirmed(tmp_path, "a")
    assert not clock_is_confirmed(tmp_path, "b")
    for noise in (b"", b"[]", b"\xff\xfe", b'{"boot": 7}', b'"a"'):
        (tmp_path / "clock-word.json").write_bytes(noise)
        assert not clock_is_confirmed(tmp_path, "a")


def test_tips_keep_their_distances_through_any_setting_of_the_clock(tmp_path: Path) -> None:
    clock, due = FakeClock(), [10_000 + 700 * n for n in range(100)]

    def tips(t: int) -> list[Reading]:
        return [Reading("gauge", due.pop(0), 1.0) for _ in range(len(due)) if due and due[0] <= t]

    site = BoardSite(tmp_path, [Scripted("gauge", Kind.TIP, tips)], clock)
    for by_ms in (-YEAR_MS, 90_000, -90_000, 3_600_000):
        site.run(15)
        clock.step_wall(by_ms)
    site.run(60)
    site.logger.stop()
    assert gaps_ms(site.stamps("gauge")) == {700}
    assert len(site.stamps("gauge")) == 100


@pytest.mark.parametrize("chip_ms", [0, 946_684_800_000], ids=["1970", "2000"])
@pytest.mark.parametrize("said_to_be_right", [False, True])
def test_a_clock_chip_with_a_flat_cell_is_not_believed_whoever_says_so(
    runs: Runs, chip_ms: int, said_to_be_right: bool
) -> None:
    site = runs(60, boot="a", wall_ms=chip_ms + 5_000, trusted=said_to_be_right)
    with LogReader(site.path) as reader:
        assert not reader.clock_is_trusted()
    assert min(site.stamps("level")) >= RELEASED_MS, "no stamp before there was a logger"
    site.clock.step_wall(TRUE_MS - site.clock.wall_ms())
    site.trusted = True
    site.run(60)
    site.logger.stop()
    with LogReader(site.path) as reader:
        assert reader.clock_is_trusted()
    stamps = site.stamps("level")
    assert gaps_ms(stamps) == {1000}
    assert abs(stamps[0] - (TRUE_MS - 60_000)) <= 2000


@pytest.mark.parametrize("by_ms", [-YEAR_MS, 0, YEAR_MS], ids=["a year behind", "at the last stop", "a year ahead"])
def test_a_clock_chip_is_a_hint_and_no_more(runs: Runs, by_ms: int) -> None:
    """A chip that is wrong and plausible: its stamps are a guess until the clock is set, then all of them move."""
    runs(60, boot="a", wall_ms=TRUE_MS, trusted=True).logger.stop()
    true_ms = TRUE_MS + 86_400_000
    site = runs(60, boot="b", wall_ms=TRUE_MS + 60_000 + by_ms, trusted=False)
    site.clock.step_wall(true_ms + 60_000 - site.clock.wall_ms())
    site.trusted = True
    site.run(60)
    site.logger.stop()
    second = stamps_by_segment(site.path)[2]
    assert gaps_ms(second) == {1000} and abs(second[0] - true_ms) <= 2000
