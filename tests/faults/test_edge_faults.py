"""Tips and pulses while everything else is slow, and lines that lose their edges."""

import gc
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from board_site import SITE
from fake_clock import FakeClock
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from rainstead.clock import SystemClock
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Quality
from rainstead.settings import FlowPulse, TippingBucket, parse_settings
from rainstead_board import drivers
from rainstead_board.drivers import build_channels, gpio_line, tipping_bucket
from rainstead_board.drivers.flow_meter import FlowMeter
from rainstead_board.drivers.tipping_bucket import TippingBucketGauge
from rainstead_board.drivers.tips import TipFilter
from rainstead_board.logger import Logger

PULSES = 1_000_000
BLOCKED_S = 5.0
GAUGE = TippingBucket.model_validate({"kind": "tipping-bucket", "gpio": 5, "calibrations": [{"depth_per_tip": 0.2}]})
AT_ONCE = GAUGE.model_copy(update={"bounce_s": 1e-6})
"""For pins that tick by the real clock: a test's edges come at once after a line is opened, as its bounce would."""
METER = FlowPulse.model_validate({"kind": "flow-pulse", "gpio": 17, "calibrations": [{"k_factor_per_l": 450.0}]})


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before = Device.pin_factory
    factory = Device.pin_factory = MockFactory()
    yield factory
    factory.reset()
    Device.pin_factory = before


@pytest.mark.slow
def test_no_pulse_of_a_million_is_lost_while_the_disk_is_blocked_and_memory_is_swept(
    tmp_path: Path, pins: MockFactory
) -> None:
    """At 1 kHz or faster: as fast as the mock pins go. Pulses come all the time that the disk is blocked."""
    settings = parse_settings(SITE.replace("[clock]", "[log]\ncommit_every = 3\n[clock]"), "test")
    clock = SystemClock()
    writer = LogWriter(tmp_path / "readings.db")
    append, blocked = writer.append, list[float]()
    pulsing = threading.Event()

    def slow(rows: Any) -> int:
        if pulsing.is_set() and sum(blocked) < BLOCKED_S:
            begun_s = time.perf_counter()
            time.sleep(BLOCKED_S)
            gc.collect()
            blocked.append(time.perf_counter() - begun_s)
        return append(rows)

    writer.append = slow  # type: ignore[method-assign]
    logger = Logger(
        settings,
        SITE,
        writer,
        [channel for channel in build_channels(settings, clock) if channel.name == "flow"],
        clock,
        clock_is_trusted=lambda: True,
        boot_uuid="test",
    )
    stopping = threading.Event()
    thread = threading.Thread(target=logger.run, args=(stopping.is_set,))
    thread.start()
    pin = pins.pin(17)
    while pin.function != "input" or pin.edges != "falling":
        time.sleep(0.01)
    time.sleep(0.1)
    begun_s = time.perf_counter()
    pulsing.set()
    for number in range(1, PULSES + 1):
        pin.drive_low()
        pin.drive_high()
        pin.states.clear()  # the mock keeps every state for ever
        if number % 1000 == 0:  # no faster than the disk is blocked, no slower than 1 kHz
            time.sleep(0.004)
    took_s = time.perf_counter() - begun_s
    stopping.set()
    thread.join(60)
    assert not thread.is_alive()
    assert blocked and blocked[0] < took_s, "the disk was to be blocked while pulses came"
    assert took_s < PULSES / 1000, "slower than 1 kHz"
    with LogReader(tmp_path / "readings.db") as reader:
        counted = sum(int(batch.value.sum()) for batch in reader.batches(sensors=["flow"]))
    assert counted == PULSES


def test_a_gauge_whose_edges_do_not_come_says_so_and_is_opened_anew(
    pins: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library may sleep through a line's edges from the start on: dry, as it seems, in any rain."""
    clock = FakeClock()
    gauge = TippingBucketGauge("rain", AT_ONCE, clock)
    gauge.poll(clock.now_ms)
    pin = pins.pin(5)
    told = pin.when_changed
    monkeypatch.setattr(pin, "_call_when_changed", lambda *_: None)
    pin.drive_high()
    rows = []
    for n in range(4):
        clock.now_ms += 250
        if n == 1:
            pin.drive_low()
        if n == 3:
            pin.drive_high()
        rows += gauge.poll(clock.now_ms)
    assert [row.quality for row in rows] == [Quality.SILENT]
    assert gauge.trouble is not None and "its edges do not come" in gauge.trouble
    assert gauge.counts()["opened_anew"] == 1
    monkeypatch.undo()
    clock.now_ms += 5_000
    gauge.poll(clock.now_ms)
    assert gauge.trouble is None
    assert pin.when_changed is not None and pin.when_changed != told
    clock.now_ms += 500
    pin.drive_low()
    assert [row.value for row in gauge.poll(clock.now_ms)] == [1.0]
    pin.drive_high()
    gauge.close(clock.now_ms)


def test_a_meter_whose_edges_do_not_come_says_so_and_is_opened_anew(
    pins: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = FakeClock()
    meter = FlowMeter("flow", METER, clock)
    meter.poll(clock.now_ms)
    pin = pins.pin(17)
    monkeypatch.setattr(pin, "_call_when_changed", lambda *_: None)
    rows = []
    for low in (False, True, False, True, False):
        pin.drive_low() if low else pin.drive_high()
        clock.now_ms += 1000
        rows += meter.poll(clock.now_ms)
    assert Quality.SILENT in [row.quality for row in rows]
    assert meter.counts() == {"opened_anew": 1}
    monkeypatch.undo()
    clock.now_ms += 5_000
    meter.poll(clock.now_ms)
    for _ in range(30):
        pin.drive_low()
        pin.drive_high()
    clock.now_ms += 1000
    assert sum(row.value or 0.0 for row in meter.poll(clock.now_ms)) == 30
    meter.close(clock.now_ms)


def test_ten_thousand_ordinary_tips_never_look_like_lost_edges(pins: MockFactory) -> None:
    clock = FakeClock()
    gauge = TippingBucketGauge("rain", GAUGE, clock)
    gauge.poll(clock.now_ms)
    pin, tips = pins.pin(5), 0
    for n in range(10_000):
        pin.drive_low()
        clock.now_ms += 50 + n % 300
        tips += sum(1 for row in gauge.poll(clock.now_ms) if row.value)
        pin.drive_high()
        clock.now_ms += 700
        tips += sum(1 for row in gauge.poll(clock.now_ms) if row.value)
    assert gauge.counts()["opened_anew"] == 0
    assert gauge.trouble is None
    gauge.close(clock.now_ms)


def test_a_line_that_oscillates_fills_no_memory_and_is_counted(
    pins: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tipping_bucket, "_MOST_EDGES", 1000)
    clock = FakeClock()
    gauge = TippingBucketGauge("rain", GAUGE, clock)
    gauge.poll(clock.now_ms)
    pin = pins.pin(5)
    for _ in range(1500):
        pin.drive_low()
        pin.drive_high()
    assert gauge.counts()["edges_given_up"] == 2000
    clock.now_ms += 250
    gauge.poll(clock.now_ms)
    gauge.close(clock.now_ms)


def test_a_callback_that_raises_ends_no_other_line(pins: MockFactory) -> None:
    clock = FakeClock()

    def raises(_us: int, _closed: bool) -> None:
        raise ZeroDivisionError

    line = gpio_line.EdgeLine(6, clock, raises, pull_up=True, closings_only=False)
    gauge = TippingBucketGauge("rain", AT_ONCE, clock)
    gauge.poll(clock.now_ms)
    for number in (6, 5):
        pins.pin(number).drive_low()
        pins.pin(number).drive_high()
    clock.now_ms += 250
    assert [row.value for row in gauge.poll(clock.now_ms)] == [1.0]
    gauge.close(clock.now_ms)
    line.close()


class Library:
    """Stands for the pin library: whether its one thread lives, and how often its chip was opened."""

    def __init__(self) -> None:
        self._notify_thread = threading.Thread(target=lambda: None)
        self.opened: list[int] = []
        self.closed: list[int] = []

    def gpiochip_open(self, chip: int) -> int:
        self.opened.append(chip)
        return 7

    def gpiochip_close(self, handle: int) -> None:
        self.closed.append(handle)


def test_the_end_of_the_librarys_thread_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    library = Library()
    monkeypatch.setitem(__import__("sys").modules, "lgpio", library)
    assert drivers.edges_have_ended()  # it was never started
    alive = threading.Event()
    library._notify_thread = threading.Thread(target=alive.wait, daemon=True)
    library._notify_thread.start()
    assert not drivers.edges_have_ended()
    alive.set()
    library._notify_thread.join()
    assert drivers.edges_have_ended()


@pytest.mark.usefixtures("pins")
def test_the_library_is_woken_when_a_line_is_opened_a_second_later_and_each_minute(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    library = Library()
    monkeypatch.setitem(__import__("sys").modules, "lgpio", library)
    monkeypatch.setattr(MockFactory, "__module__", "gpiozero.pins.lgpio")
    monkeypatch.setattr(MockFactory, "chip", 4, raising=False)
    clock = FakeClock()
    gauge = TippingBucketGauge("rain", GAUGE, clock)
    woken_ms = []
    for _ in range(4 * 130):
        before = len(library.opened)
        gauge.poll(clock.now_ms)
        woken_ms += [clock.now_ms - 5_000] * (len(library.opened) - before)
        clock.now_ms += 250
    assert woken_ms == [0, 1_000, 61_000, 121_000]
    assert library.opened == [4] * 4 and library.closed == [7] * 4
    monkeypatch.undo()
    gauge.close(clock.now_ms)


# --- edges that do not come, and starts in the middle of a closure ----------------------------------------------------

BOUNCES_US = (0, 400, 900, 1_700, 2_500)
CLOSED_US = 60_000


def closure(at_us: int) -> list[tuple[int, bool]]:
    """A closure that chatters as it closes and once more as it opens: (microseconds, closed)."""
    closing = [(at_us + later, number % 2 == 0) for number, later in enumerate(BOUNCES_US)]
    return closing + [
        (at_us + CLOSED_US + later, closed) for later, closed in ((0, False), (600, True), (1_100, False))
    ]


def counted(judge: TipFilter, edges: list[tuple[int, bool]]) -> int:
    tips = 0
    for at_us, closed in edges:
        if closed:
            tips += judge.is_tip(at_us)
        else:
            judge.opened(at_us)
    return tips


def storm_edges(*, bounces: bool, seed: int = 7, tips: int = 200) -> list[tuple[int, bool]]:
    """From drizzle to 300 mm/h."""
    draw, at_us, edges = random.Random(seed), 1_000_000, list[tuple[int, bool]]()
    for _ in range(tips):
        at_us += round(2_400_000 * draw.choice([1, 1.2, 3, 20]))
        edges += closure(at_us) if bounces else [(at_us, True), (at_us + CLOSED_US, False)]
    return edges


@pytest.mark.parametrize("bounces", [True, False])
def test_any_edge_of_a_storm_that_does_not_come_costs_one_tip_at_most_and_is_counted(bounces: bool) -> None:
    edges = storm_edges(bounces=bounces)
    whole = TipFilter(100_000, 400_000)
    assert counted(whole, edges) == 200
    assert whole.missed_edges == 0
    for missing in range(len(edges)):
        judge = TipFilter(100_000, 400_000)
        tips = counted(judge, edges[:missing] + edges[missing + 1 :])
        assert 199 <= tips <= 200, missing
        assert judge.missed_edges == (0 < missing < len(edges) - 1), missing


def test_a_start_at_any_moment_of_a_closure_takes_no_bounce_for_a_tip() -> None:
    """One process ends at that moment and the next one begins: together they count one tip."""
    edges = closure(5_000_000) + closure(8_000_000)
    for start_us in range(4_999_000, 5_063_000, 50):
        before, after = TipFilter(100_000, 400_000), TipFilter(100_000, 400_000)
        after.begins(start_us)
        first = counted(before, [edge for edge in edges if edge[0] < start_us])
        rest = counted(after, [edge for edge in edges if edge[0] >= start_us])
        # What closes within the bounce time of a start is given up: it may be a bounce.
        assert (first, rest) == (int(start_us > 5_000_000), 1), start_us


def test_a_switch_that_chatters_long_after_a_start_is_no_tip_until_it_has_been_open(pins: MockFactory) -> None:
    judge = TipFilter(100_000, 400_000)
    judge.begins(0)
    chatter = [(at_us, at_us % 60_000 == 0) for at_us in range(30_000, 2_000_000, 30_000)]
    assert counted(judge, chatter) == 0
    assert counted(judge, closure(3_000_000)) == 1
    clock = FakeClock()
    gauge = TippingBucketGauge("rain", GAUGE, clock)
    gauge.poll(clock.now_ms)
    for _ in range(5):  # at once, as the mock's clock goes
        pins.pin(5).drive_low()
        pins.pin(5).drive_high()
    clock.now_ms += 250
    assert gauge.poll(clock.now_ms) == []
    assert gauge.counts()["bounces"] == 5
    gauge.close(clock.now_ms)
