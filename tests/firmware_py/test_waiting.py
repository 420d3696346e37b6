"""Readings that wait for the disk."""

from hypothesis import given
from hypothesis import strategies as st

from rainstead.readings import Reading
from rainstead_board.waiting import Waiting


def readings(*boot_ms: int) -> list[Reading]:
    return [Reading("level", t, 1.0) for t in boot_ms]


def test_what_is_taken_is_oldest_first_and_keeps_a_millisecond_whole() -> None:
    waiting = Waiting()
    waiting.put(readings(5, 3, 3, 4, 9))
    assert [r.boot_ms for r in waiting.take(8, 1)] == [3, 3]
    assert len(waiting) == 5  # what is on its way still waits
    waiting.stored()
    assert [r.boot_ms for r in waiting.take(8, 10)] == [4, 5]
    waiting.put_back(readings(4, 5))
    assert (waiting.oldest_ms(), waiting.newest_ms(), len(waiting)) == (4, 9, 3)


def test_the_oldest_goes_when_there_is_no_more_room_and_is_counted() -> None:
    waiting = Waiting(3)
    waiting.put(readings(1, 2))
    taken = waiting.take(2, 10)
    waiting.put(readings(3, 4, 5))
    assert waiting.dropped == 2  # what is being written cannot be given up
    waiting.put_back(taken)
    assert waiting.dropped == 2
    assert [r.boot_ms for r in waiting.take(99, 10)] == [1, 2, 5]
    assert waiting.forget_dropped() == 2
    assert waiting.forget_dropped() == 0


@given(st.lists(st.tuples(st.sampled_from("ptsb"), st.integers(0, 50)), max_size=60), st.integers(1, 20))
def test_every_reading_is_stored_waiting_or_counted(steps: list[tuple[str, int]], most: int) -> None:
    waiting, put, stored, now, taken = Waiting(most), 0, 0, 0, list[Reading]()
    for what, number in steps:
        if what == "p":
            waiting.put(readings(*range(now, now + number)))
            put, now = put + number, now + number
        elif what == "t" and not taken:
            taken = waiting.take(number * 3, 7)
        elif what == "s" and taken:
            stored += len(taken)
            taken = []
            waiting.stored()
        elif what == "b" and taken:
            waiting.put_back(taken)
            taken = []
    assert len(waiting) <= max(most, len(taken))
    assert stored + len(waiting) + waiting.dropped == put
