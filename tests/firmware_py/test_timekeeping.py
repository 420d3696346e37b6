"""Whether the wall clock is to be believed, and what a step of it means."""

from pathlib import Path

import pytest
from fake_clock import FakeClock

from rainstead_board import timekeeping
from rainstead_board.timekeeping import ClockNews, TimeKeeper, machine_clock_is_synchronised


class Trust:
    def __init__(self, given: bool) -> None:
        self.given, self.asked = given, 0

    def __call__(self) -> bool:
        self.asked += 1
        return self.given


def test_the_offset_is_what_the_wall_clock_is_ahead() -> None:
    keeper = TimeKeeper(FakeClock(boot_ms=5_000, wall_ms=1_000_005_000), Trust(True))
    assert (keeper.offset_ms, keeper.trusted) == (1_000_000_000, True)


def test_time_that_passes_is_no_news() -> None:
    clock = FakeClock()
    keeper = TimeKeeper(clock, Trust(True))
    offset_ms = keeper.offset_ms
    for _ in range(100):
        clock.now_ms += 3_600_000
        assert keeper.look() is ClockNews.NONE
    assert keeper.offset_ms == offset_ms


@pytest.mark.parametrize("trusted", [True, False])
@pytest.mark.parametrize(
    ("by_ms", "news"),
    [
        (1_000, ClockNews.NONE),
        (1_001, ClockNews.NUDGED_FORWARD),
        (60_000, ClockNews.STEPPED_FORWARD),
        (-1_000, ClockNews.NONE),
        (-59_999, ClockNews.NONE),
        (-60_000, ClockNews.STEPPED_BACK),
        (86_400_000, ClockNews.STEPPED_FORWARD),
        (-86_400_000, ClockNews.STEPPED_BACK),
    ],
)
def test_a_step_forward_of_a_second_or_back_of_a_minute_is_told_once(
    by_ms: int, news: ClockNews, trusted: bool
) -> None:
    clock = FakeClock()
    keeper = TimeKeeper(clock, Trust(trusted))
    before_ms = keeper.offset_ms
    clock.step_wall(by_ms)
    assert keeper.look() is news
    assert keeper.offset_ms == (before_ms if news is ClockNews.NONE else before_ms + by_ms)
    assert keeper.look() is ClockNews.NONE


def test_small_steps_add_up_until_they_are_told() -> None:
    clock = FakeClock()
    keeper = TimeKeeper(clock, Trust(True))
    news = []
    for _ in range(3):
        clock.step_wall(400)
        news.append(keeper.look())
    assert news == [ClockNews.NONE, ClockNews.NONE, ClockNews.NUDGED_FORWARD]


@pytest.mark.parametrize("by_ms", [-90_000_000, 0, 900, 90_000_000])
def test_a_clock_that_is_set_right_says_so_once_in_a_boot(by_ms: int) -> None:
    clock, trust = FakeClock(), Trust(False)
    keeper = TimeKeeper(clock, trust)
    before_ms = keeper.offset_ms
    clock.step_wall(by_ms)
    trust.given = True
    assert keeper.look() is ClockNews.SET_RIGHT
    assert keeper.trusted
    assert keeper.offset_ms == before_ms + (by_ms if abs(by_ms) > 1_000 else 0)
    assert keeper.look() is ClockNews.NONE


def test_trust_once_won_is_not_asked_for_again() -> None:
    trust = Trust(True)
    keeper = TimeKeeper(FakeClock(), trust)
    trust.given = False
    keeper.look()
    assert keeper.trusted
    assert trust.asked == 1


class Kernel:
    def __init__(self, answer: int) -> None:
        self.answer = answer

    def adjtimex(self, asked: object) -> int:
        assert bytes(asked) == bytes(512)  # type: ignore[call-overload]  # all nought: it only asks
        return self.answer


@pytest.mark.parametrize(
    # adjtimex(2): 0 to 4 are states of leap seconds with a clock that is set, 5 is TIME_ERROR, -1 a refusal
    ("answer", "set_right"),
    [(0, True), (1, True), (4, True), (5, False), (-1, False)],
)
def test_the_kernel_is_asked_where_no_flag_stands(
    answer: int, set_right: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(timekeeping, "_SYNCHRONISED_FLAG", tmp_path / "synchronized")
    monkeypatch.setattr("ctypes.CDLL", lambda _name: Kernel(answer))
    assert machine_clock_is_synchronised() is set_right


def test_the_time_daemons_flag_is_enough(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    flag = tmp_path / "synchronized"
    flag.touch()
    monkeypatch.setattr(timekeeping, "_SYNCHRONISED_FLAG", flag)
    monkeypatch.setattr("ctypes.CDLL", lambda _name: Kernel(5))
    assert machine_clock_is_synchronised()


def test_a_machine_without_the_call_is_not_trusted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timekeeping, "_SYNCHRONISED_FLAG", tmp_path / "synchronized")
    monkeypatch.setattr("ctypes.CDLL", lambda _name: object())
    assert not machine_clock_is_synchronised()


def test_a_clock_that_nobody_set_is_not_believed_before_what_the_log_has_already() -> None:
    clock = FakeClock(boot_ms=5_000, wall_ms=1_000_000)
    keeper = TimeKeeper(clock, trust := Trust(False), floor_ms=2_000_000_000)
    assert clock.now_ms + keeper.offset_ms == 2_000_000_001
    clock.now_ms += 7_000
    clock.step_wall(86_400_000)  # still before what is known
    assert keeper.look() is ClockNews.NONE
    clock.step_wall(3_000_000_000)
    assert keeper.look() is ClockNews.STEPPED_FORWARD
    clock.step_wall(-2_900_000_000)
    assert keeper.look() is ClockNews.STEPPED_BACK
    assert keeper.offset_ms == 2_000_000_001 - 5_000  # back to the floor, not below it
    trust.given = True
    assert keeper.look() is ClockNews.SET_RIGHT
    assert keeper.offset_ms == clock.offset_ms


def test_small_steps_back_are_held_until_they_add_up_to_a_minute() -> None:
    clock = FakeClock()
    keeper = TimeKeeper(clock, Trust(True))
    before_ms = keeper.offset_ms
    clock.step_wall(-40_000)
    assert (keeper.look(), keeper.offset_ms) == (ClockNews.NONE, before_ms)
    clock.step_wall(-40_000)
    assert (keeper.look(), keeper.offset_ms) == (ClockNews.STEPPED_BACK, before_ms - 80_000)
