"""What is said again and again fills no journal, and nothing of it goes unsaid for good."""

import io
import logging
from collections.abc import Callable, Iterator

import pytest
from fake_clock import FakeClock

from rainstead.journal import about
from rainstead.repeats import AT_ONCE, MOST_MATTERS, Repeats

HOUR_S = 3_600


class Heard(logging.Handler):
    """Lines with their level."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[tuple[str, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append((record.levelname, record.getMessage()))


class Desk:
    """A program that says things, by a clock that the test moves."""

    def __init__(self) -> None:
        self.clock, self.heard = FakeClock(), Heard()
        self.repeats = Repeats(self.heard, self.clock.boot_ms)
        self.said = logging.getLogger("rainstead.tried.repeats")
        self.said.setLevel(logging.INFO)
        self.said.propagate = False
        self.said.handlers[:] = [self.repeats]

    def run(self, seconds: float, every_s: float, say: Callable[[int], None] = lambda _: None) -> None:
        """Say it so often for so long."""
        for n in range(round(seconds / every_s)):
            say(n)
            self.clock.now_ms += round(every_s * 1000)
            self.repeats.tick()


@pytest.fixture
def desk() -> Iterator[Desk]:
    desk = Desk()
    yield desk
    desk.said.handlers[:] = []


def toggle(desk: Desk) -> Callable[[int], None]:
    def say(n: int) -> None:
        if n % 2:
            desk.said.info("sensor %s is back", "level", extra=about(sensor="level"))
        else:
            desk.said.warning("sensor %s: no frame for %d s", "level", n, extra=about(sensor="level"))

    return say


def test_what_is_said_once_and_seldom_is_said_as_it_comes(desk: Desk) -> None:
    desk.run(10 * HOUR_S, 1_000, lambda n: desk.said.warning("the clock was set; offset is now %d ms", n))
    assert len(desk.heard.lines) == 36


def test_a_sensor_that_comes_and_goes_each_quarter_of_a_minute_is_told_in_a_few_lines(desk: Desk) -> None:
    desk.run(24 * HOUR_S, 15, toggle(desk))
    lines = desk.heard.lines
    assert lines[:2] == [("WARNING", "sensor level: no frame for 0 s"), ("INFO", "sensor level is back")]
    assert lines[AT_ONCE] == ("WARNING", "236 times in the last 1 h, the last: sensor level is back")
    assert len(lines) <= 12
    desk.repeats.close()
    numbers = [int(text.split()[0]) for _, text in lines[AT_ONCE:]]
    assert AT_ONCE + sum(numbers) == 24 * HOUR_S / 15


def test_numbers_come_though_nothing_is_said_any_more_and_then_all_is_as_at_first(desk: Desk) -> None:
    desk.run(600, 15, toggle(desk))
    assert len(desk.heard.lines) == AT_ONCE
    desk.run(2 * HOUR_S, 1)
    assert desk.heard.lines[-1] == ("WARNING", "36 times in the last 1 h, the last: sensor level is back")
    desk.run(2 * HOUR_S, 1)
    assert len(desk.heard.lines) == AT_ONCE + 1
    desk.run(15, 15, toggle(desk))
    assert desk.heard.lines[-1] == ("WARNING", "sensor level: no frame for 0 s")


def test_one_matter_silences_no_other(desk: Desk) -> None:
    desk.run(600, 15, toggle(desk))
    desk.said.warning("sensor %s: gone", "gauge", extra=about(sensor="gauge"))
    desk.said.error("readings cannot be stored")
    assert [text for _, text in desk.heard.lines[AT_ONCE:]] == ["sensor gauge: gone", "readings cannot be stored"]


def test_words_that_differ_each_time_are_bounded_too(desk: Desk) -> None:
    def letters(n: int) -> str:
        return "".join(chr(97 + int(digit)) for digit in str(n))

    desk.run(24 * HOUR_S, 5, lambda n: desk.said.warning("garbled: %s", letters(n)))
    assert len(desk.heard.lines) < 24 * 2 * MOST_MATTERS
    assert len(desk.repeats._matters) <= MOST_MATTERS + 1


def test_the_end_of_a_program_says_what_was_held(desk: Desk) -> None:
    desk.run(300, 15, toggle(desk))
    desk.repeats.close()
    assert desk.heard.lines[-1] == ("WARNING", "16 times in the last 5 min, the last: sensor level is back")


def test_a_traceback_is_said_with_the_first_and_not_with_a_number(desk: Desk) -> None:
    heard: list[bool] = []
    desk.heard.emit = lambda record: heard.append(record.exc_info is not None)  # type: ignore[method-assign]
    desk.run(HOUR_S + 60, 60, lambda _: desk.said.error("it failed", exc_info=ValueError("no")))
    assert heard == [True] * AT_ONCE + [False]


def test_a_line_whose_own_words_are_wrong_ends_nothing(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logging, "raiseExceptions", False)
    told = io.StringIO()
    desk.said.handlers[:] = [Repeats(logging.StreamHandler(told), desk.clock.boot_ms)]
    desk.said.warning("%d readings", "many")
    desk.said.warning("%d readings", 5)
    assert told.getvalue() == "5 readings\n"
