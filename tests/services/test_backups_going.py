"""Which backups go: whatever came whole or damaged, they stay few, and the two that matter stay."""

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from rainstead.backups.going import beyond, newest_whole, order_of_going


@dataclass(frozen=True, slots=True)
class Made:
    """A copy of one night."""

    night: int
    is_whole: bool


NIGHTS = st.lists(st.booleans(), max_size=40)
KEEP = st.integers(min_value=1, max_value=15)


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
