"""Which backups go: whatever came whole or damaged, they stay few, and the two that matter stay."""

from dataclasses import dataclass
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from rainstead.backups.copies import Copy, named, oldest_first
from rainstead.backups.going import beyond, newest_whole, order_of_going


@dataclass(frozen=True, slots=True)
class Made:
    """A copy of one night."""

    night: int
    is_whole: bool


NIGHTS = st.lists(st.booleans(), max_size=40)
KEEP = st.integers(min_value=1, max_value=15)
DAY_MS = 86_400_000
BEGIN_MS = 1_790_000_000_000
CLOCKS = st.lists(
    st.tuples(st.integers(min_value=-90, max_value=90), st.lists(st.booleans(), min_size=1, max_size=8)),
    min_size=1,
    max_size=6,
    unique_by=lambda run: run[0],
)
"""By how many times 100 days the clock is wrong, for some nights; and for each whether its copy is whole."""


def copies(nights: list[bool]) -> list[Made]:
    return [Made(night, is_whole) for night, is_whole in enumerate(nights)]


@given(NIGHTS, KEEP)
def test_the_newest_and_the_newest_whole_copy_stay_and_no_whole_one_goes_for_a_damaged_one(
    nights: list[bool], keep: int
) -> None:
    there = copies(nights)
    gone = beyond(there, keep)
    stay = [copy for copy in there if copy not in gone]
    assert len(gone) + len(stay) == len(there)
    must_stay = {*there[-1:], *[copy for copy in [newest_whole(there)] if copy]}
    assert must_stay <= set(stay)
    assert len(stay) == min(len(there), max(keep, len(must_stay)))
    if any(copy.is_whole for copy in gone):
        assert all(copy.is_whole for copy in stay if copy is not there[-1])
    for is_whole in (True, False):
        older = [copy.night for copy in gone if copy.is_whole is is_whole]
        newer = [copy.night for copy in stay if copy.is_whole is is_whole]
        assert not older or not newer or max(older) < min(newer)


@given(NIGHTS, KEEP, st.sets(st.integers(min_value=0, max_value=39), max_size=4))
def test_what_must_stay_stays_within_the_number_asked_for_where_it_can(
    nights: list[bool], keep: int, held: set[int]
) -> None:
    there = copies(nights)
    must_stay = [copy for copy in there if copy.night in held]
    gone = beyond(there, keep, must_stay)
    assert not set(gone) & set(must_stay)
    assert len(there) - len(gone) <= max(keep, len(must_stay) + 2)


@given(NIGHTS, KEEP)
def test_night_after_night_there_are_never_more_than_asked_for_or_two(nights: list[bool], keep: int) -> None:
    there: list[Made] = []
    whole: list[int] = []
    for made in copies(nights):
        there.append(made)
        whole += [made.night] if made.is_whole else []
        gone = beyond(there, keep)
        there = [copy for copy in there if copy not in gone]
        assert len(there) <= max(keep, 2)
        assert there[-1] == made
        # As many of the newest whole ones as were asked for, but for the place of one damaged newest.
        kept = [copy.night for copy in there if copy.is_whole]
        assert kept == whole[len(whole) - len(kept) :]
        assert len(kept) >= min(len(whole), keep if made.is_whole else max(1, keep - 1))


def test_damaged_ones_go_first_and_the_oldest_of_them_before_others() -> None:
    there = copies([True, False, True, False, True, False])
    assert [copy.night for copy in order_of_going(there)] == [1, 3, 0, 2]
    assert order_of_going(copies([False, False])) == (Made(0, False),)
    assert order_of_going(copies([])) == ()


@given(CLOCKS, KEEP)
def test_whatever_clocks_there_were_the_copies_of_the_last_nights_by_one_clock_stay(
    clocks: list[tuple[int, list[bool]]], keep: int
) -> None:
    there: list[Copy] = []
    night, any_whole = 0, False
    for wrong_by, nights in clocks:
        whole: list[Copy] = []  # of this clock
        for is_whole in nights:
            night += 1
            now_ms = BEGIN_MS + (night + 100 * wrong_by) * DAY_MS
            made = named(Path(), now_ms, is_whole=is_whole)
            there = [*oldest_first(there, now_ms), made]
            gone = beyond(there, keep)
            there = [copy for copy in there if copy not in gone]
            whole += [made] if is_whole else []
            any_whole = any_whole or is_whole
            assert len(there) <= max(keep, 2)
            assert made in there
            assert any(copy.is_whole for copy in there) == any_whole
            must_stay = whole[-(keep if is_whole else max(1, keep - 1)) :]
            assert set(must_stay) <= set(there)
            assert newest_whole(there) == (must_stay[-1] if must_stay else newest_whole(there))


@given(st.lists(st.tuples(st.integers(min_value=-800, max_value=800), st.booleans()), max_size=12, unique=True))
def test_what_is_named_for_a_time_to_come_counts_as_older_than_all_others(hours: list[tuple[int, bool]]) -> None:
    copies = [named(Path(), BEGIN_MS + hour * 3_600_000, is_whole=whole) for hour, whole in hours]
    order = oldest_first(copies, BEGIN_MS)
    assert {copy.path for copy in order} == {copy.path for copy in copies}
    stamps = [(not copy.is_ahead, copy.stamp) for copy in order]
    assert stamps == sorted(stamps)
    ahead = [named(Path(), BEGIN_MS + hour * 3_600_000).stamp for hour, _ in hours if hour > 24]
    assert sorted(copy.stamp for copy in order if copy.is_ahead) == sorted(ahead)
    whole_now = [copy for copy in order if copy.is_whole and not copy.is_ahead]
    if whole_now:
        assert newest_whole(order) == whole_now[-1]


def test_no_clock_is_too_late_for_names() -> None:
    last_ms = 253_402_300_799_000
    assert oldest_first([named(Path(), last_ms)], last_ms)[0].is_ahead is False
