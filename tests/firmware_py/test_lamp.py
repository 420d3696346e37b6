"""The lamp, on a line of the test's own."""

import pytest

from rainstead.errors import DeviceError
from rainstead_board.lamp import Lamp, LampSays


class Line:
    def __init__(self) -> None:
        self.lit: list[bool] = []
        self.closed = False

    def set(self, high: bool) -> None:
        self.lit.append(high)

    def close(self) -> None:
        self.closed = True


def shown(says: LampSays, until_ms: int) -> list[tuple[int, bool]]:
    """When it changed, and to what."""
    line, at_ms, changes = Line(), 0, list[tuple[int, bool]]()
    lamp = Lamp(lambda: line)
    while at_ms < until_ms:
        before = len(line.lit)
        next_ms = lamp.tick(says, at_ms)
        assert next_ms > at_ms
        if len(line.lit) > before:
            changes.append((at_ms, line.lit[-1]))
        at_ms = next_ms
    return changes


@pytest.mark.parametrize(
    ("says", "changes"),
    [
        (LampSays.WELL, [(0, True)]),
        (LampSays.CLOCK, [(0, True), (1800, False), (2000, True), (3800, False)]),
        (LampSays.TROUBLE, [(0, True), (1000, False), (2000, True), (3000, False)]),
        (LampSays.DISK, [(150 * n, n % 2 == 0) for n in range(27)]),
    ],
)
def test_each_thing_has_a_pattern_of_its_own(says: LampSays, changes: list[tuple[int, bool]]) -> None:
    assert shown(says, 4000) == changes


def test_a_lamp_goes_dark_with_its_logger() -> None:
    line = Line()
    lamp = Lamp(lambda: line)
    lamp.tick(LampSays.WELL, 0)
    lamp.close()
    assert line.lit == [True, False]
    assert line.closed


def test_a_lamp_that_cannot_be_driven_stops_nothing_and_is_tried_again_each_minute() -> None:
    tries: list[int] = []

    def none_there() -> Line:
        tries.append(now_ms)
        raise DeviceError("GPIO 22: is busy")

    lamp = Lamp(none_there)
    for now_ms in range(0, 180_000, 500):
        lamp.tick(LampSays.DISK, now_ms)
    assert tries == [0, 60_000, 120_000]
    assert lamp.trouble == "GPIO 22: is busy"
