"""Sensors on GPIO lines, on mock pins whose edges carry their own time."""

import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import pytest
from fake_clock import FakeClock
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPin
from hypothesis import given
from hypothesis import strategies as st

from rainstead.errors import DeviceError
from rainstead.readings import Quality, Reading
from rainstead.settings import EchoRanger, FlowPulse, TippingBucket
from rainstead_board.drivers.channel import Channel
from rainstead_board.drivers.flow_meter import FlowMeter
from rainstead_board.drivers.gpio_line import EdgeLine, OutputLine
from rainstead_board.drivers.ranger_echo import NOMINAL_M_S, TriggerEchoRanger
from rainstead_board.drivers.tipping_bucket import TippingBucketGauge
from rainstead_board.drivers.tips import TipFilter
from rainstead_board.twin.lines import StampedPin, TriggerPin, wire

GAUGE_GPIO, FLOW_GPIO, TRIGGER_GPIO, ECHO_GPIO = 17, 27, 23, 24
START_MS = 5_000

GAUGE = TippingBucket.model_validate(
    {"kind": "tipping-bucket", "gpio": GAUGE_GPIO, "calibrations": [{"depth_per_tip": 0.2}]}
)
METER = FlowPulse.model_validate({"kind": "flow-pulse", "gpio": FLOW_GPIO, "calibrations": [{"k_factor_per_l": 450.0}]})
RANGER = EchoRanger.model_validate(
    {"kind": "ranger-echo", "trigger_gpio": TRIGGER_GPIO, "echo_gpio": ECHO_GPIO, "every": 10.0}
)


class TickedFactory(MockFactory):  # type: ignore[misc]  # gpiozero has no type hints
    """Ticks that follow the test's clock."""

    clock: FakeClock

    def ticks(self) -> float:
        return self.clock.now_ms / 1000


class Board:
    """Lines, a clock, and the end of each wire that is not the driver's."""

    def __init__(self) -> None:
        self.clock, self.factory = FakeClock(boot_ms=START_MS), TickedFactory()
        self.factory.clock = self.clock
        Device.pin_factory = self.factory
        self.gauge: StampedPin = wire(self.factory, GAUGE_GPIO, StampedPin)
        self.meter: StampedPin = wire(self.factory, FLOW_GPIO, StampedPin)
        self.echo: StampedPin = wire(self.factory, ECHO_GPIO, StampedPin)
        self.trigger: TriggerPin = wire(self.factory, TRIGGER_GPIO, TriggerPin)
        self.range_mm: float | None = None
        self.trigger.woken = self._answer

    def closure(self, at_s: float, *, held_s: float = 0.1, bounces_ms: tuple[float, ...] = ()) -> None:
        """The gauge's switch closes, bounces at closing and again at opening, and is open."""
        for start_s in (at_s, at_s + held_s):
            for level, after_ms in enumerate((0.0, *bounces_ms)):
                self.gauge.drive(bool(level % 2) ^ (start_s != at_s), start_s + after_ms / 1000)
            self.gauge.drive(start_s != at_s, start_s + (max(bounces_ms, default=0.0) + 0.1) / 1000)

    def pulses(self, number: int) -> None:
        for _ in range(number):
            self.meter.drive(False, self.factory.ticks())
            self.meter.drive(True, self.factory.ticks())

    def live(self, channel: Channel, to_ms: int, every_ms: int = 10) -> list[Reading]:
        """Polls when polls are due, up to and with `to_ms`."""
        readings: list[Reading] = []
        while self.clock.now_ms < to_ms:
            if channel.next_due_ms(self.clock.now_ms) <= self.clock.now_ms:
                readings += channel.poll(self.clock.now_ms)
            self.clock.now_ms += every_ms
        return readings + channel.poll(self.clock.now_ms)

    def _answer(self) -> None:
        if self.range_mm is None:
            return
        rose_s = self.factory.ticks() + 0.0005
        self.echo.drive(True, rose_s)
        self.echo.drive(False, rose_s + 2 * self.range_mm / 1000 / NOMINAL_M_S)


@pytest.fixture
def board() -> Iterator[Board]:
    board = Board()
    yield board
    board.factory.close()
    Device.pin_factory = None


@pytest.fixture
def gauge(board: Board) -> TippingBucketGauge:
    gauge = TippingBucketGauge("rain", GAUGE, board.clock)
    gauge.poll(START_MS)
    return gauge


@pytest.fixture
def meter(board: Board) -> FlowMeter:
    meter = FlowMeter("pump", METER, board.clock)
    meter.poll(START_MS)
    return meter


def tips(readings: list[Reading]) -> list[tuple[int, float | None]]:
    return [(one.boot_ms, one.value) for one in readings if one.value != 0]


# --- the library -------------------------------------------------------------------------------------------------


def test_the_mock_pin_takes_a_bounce_time_and_ignores_it() -> None:
    # Were this to change, drivers would have to be tested against the library's own idea of bounce as well.
    pin, seen = MockFactory().pin(4), []
    pin.function, pin.pull, pin.bounce, pin.edges = "input", "up", 0.5, "both"
    assert pin.bounce == 0.5

    def ear(_ticks: float, level: int) -> None:
        seen.append(bool(level))

    pin.when_changed = ear
    for _ in range(3):
        pin.drive_low()
        pin.drive_high()
    assert seen == [False, True] * 3


def test_the_mock_pin_keeps_a_method_weakly() -> None:
    # As the boards' pins do: a driver that drops its line hears nothing more.
    class Ear:
        heard = 0

        def hear(self, _ticks: float, _level: int) -> None:
            Ear.heard += 1

    pin, ear = MockFactory().pin(4), Ear()
    pin.function, pin.edges = "input", "both"
    pin.when_changed = ear.hear
    pin.drive_high()
    del ear
    pin.drive_low()
    assert Ear.heard == 1


# --- one line ------------------------------------------------------------------------------------------------------


def test_an_edge_is_told_in_the_boot_clocks_time(board: Board) -> None:
    seen: list[tuple[int, bool]] = []
    line = EdgeLine(
        GAUGE_GPIO, board.clock, lambda us, closed: seen.append((us, closed)), pull_up=True, closings_only=False
    )
    board.clock.now_ms = 6_000
    board.gauge.drive(False, 5.876543)
    board.gauge.drive(True, 5.9)
    assert seen == [(5_876_543, True), (5_900_000, False)]
    assert not line.closed
    line.close()


def test_no_bounce_time_is_left_to_the_library(board: Board) -> None:
    board.gauge.function = "input"
    board.gauge.bounce = 0.2  # from an earlier life
    line = EdgeLine(GAUGE_GPIO, board.clock, lambda _us, _closed: None, pull_up=True, closings_only=False)
    assert board.gauge.bounce is None
    line.close()


def test_stamps_of_another_clock_give_way_to_arrival_once(board: Board) -> None:
    # Such as wall-clock seconds, or ticks that have wrapped: what follows is told from there, to the microsecond.
    seen: list[int] = []
    line = EdgeLine(GAUGE_GPIO, board.clock, lambda us, _closed: seen.append(us), pull_up=True, closings_only=False)
    board.clock.now_ms = 6_000
    board.gauge.drive(False, 1_780_000_000.0)
    board.clock.now_ms = 6_005
    board.gauge.drive(True, 1_780_000_000.004321)
    assert seen == pytest.approx([6_000_000, 6_004_321], abs=1)
    line.close()


def test_a_callback_that_raises_harms_no_other_line(board: Board) -> None:
    seen: list[int] = []

    def broken(_us: int, _closed: bool) -> None:
        raise ValueError("broken on purpose")

    first = EdgeLine(GAUGE_GPIO, board.clock, broken, pull_up=True, closings_only=True)
    second = EdgeLine(FLOW_GPIO, board.clock, lambda us, _closed: seen.append(us), pull_up=True, closings_only=True)
    board.gauge.drive(False, 5.0)
    board.pulses(3)
    assert len(seen) == 3
    first.close()
    second.close()


def test_a_closed_line_is_silent(board: Board) -> None:
    seen: list[int] = []
    line = EdgeLine(FLOW_GPIO, board.clock, lambda us, _closed: seen.append(us), pull_up=True, closings_only=True)
    line.close()
    board.meter.drive(False, 5.0)
    assert seen == []


class Refusing(MockFactory):  # type: ignore[misc]  # gpiozero has no type hints
    """No line can be had, until `refused` is False."""

    refused = True

    def pin(self, name: Any, pin_class: Any = None) -> Any:
        if self.refused:
            raise RuntimeError("GPIO busy")
        return super().pin(name, pin_class=pin_class)


class NoEdges(MockPin):  # type: ignore[misc]  # gpiozero has no type hints
    """A line that can be had but not be set up, nor closed in peace."""

    def _set_edges(self, _value: str) -> None:
        raise RuntimeError("kernel says no")

    def _set_function(self, value: str) -> None:
        if value == "output":
            raise RuntimeError("kernel says no")
        super()._set_function(value)

    def close(self) -> None:
        raise RuntimeError("nor this")


@pytest.mark.parametrize(
    "make",
    [
        lambda clock: TippingBucketGauge("one", GAUGE, clock),
        lambda clock: FlowMeter("one", METER, clock),
        lambda clock: TriggerEchoRanger("one", RANGER, clock),
    ],
    ids=["gauge", "meter", "ranger"],
)
def test_a_line_that_cannot_be_opened_is_absent_until_it_can(make: Callable[[FakeClock], Channel]) -> None:
    clock, Device.pin_factory = FakeClock(boot_ms=START_MS), Refusing()
    channel, readings = make(clock), []
    while clock.now_ms <= 125_000:
        if channel.next_due_ms(clock.now_ms) <= clock.now_ms:
            readings += channel.poll(clock.now_ms)
        clock.now_ms += 100
    assert len(readings) >= 2
    assert {(one.value, one.quality) for one in readings} == {(None, Quality.ABSENT)}
    assert channel.trouble is not None and "GPIO" in channel.trouble and "group gpio" in channel.trouble
    Device.pin_factory.refused = False
    for _ in range(60):
        clock.now_ms += 1_000
        channel.poll(clock.now_ms)
    told: str | None = channel.trouble
    assert told is None or "no echo" in told
    channel.close(clock.now_ms)


@pytest.mark.parametrize("sensor", [GAUGE, METER, RANGER], ids=["gauge", "meter", "ranger"])
def test_letting_go_of_a_line_never_raises(
    board: Board, sensor: TippingBucket | FlowPulse | EchoRanger, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The logger closes its channels before its last commit.
    def broken(_pin: MockPin) -> None:
        raise RuntimeError("bad handle")

    channel: Channel
    match sensor:
        case TippingBucket():
            channel = TippingBucketGauge("one", sensor, board.clock)
        case FlowPulse():
            channel = FlowMeter("one", sensor, board.clock)
        case EchoRanger():
            channel = TriggerEchoRanger("one", sensor, board.clock)
    channel.poll(START_MS)
    assert channel.trouble is None
    with monkeypatch.context() as broken_chip:
        broken_chip.setattr(MockPin, "close", broken)
        channel.close(board.clock.now_ms)
    channel.close(board.clock.now_ms)


@pytest.mark.parametrize("line", ["edge", "output"])
def test_a_line_that_cannot_be_set_up_is_a_device_error(line: str) -> None:
    factory = Device.pin_factory = MockFactory()
    factory.pin_class = NoEdges
    with pytest.raises(DeviceError, match="GPIO 5: cannot be set up \\(kernel says no\\)"):
        if line == "edge":
            EdgeLine(5, FakeClock(), lambda _us, _closed: None, pull_up=True, closings_only=True)
        else:
            OutputLine(5)
    factory.pins.clear()


# --- rain gauge ----------------------------------------------------------------------------------------------------


def test_a_tip_is_stamped_at_its_edge(board: Board, gauge: TippingBucketGauge) -> None:
    board.clock.now_ms = 7_200
    board.closure(7.123)
    assert gauge.poll(7_300) == [Reading("rain", 7_123, 1.0)]


@pytest.mark.parametrize(
    "bounces_ms",
    [(), (0.3, 0.6), (0.1, 0.2, 0.3, 0.4, 0.5, 0.6), (1.0, 4.0, 9.0, 12.0), (0.05, 20.0)],
)
def test_a_bouncing_switch_counts_once(board: Board, gauge: TippingBucketGauge, bounces_ms: tuple[float, ...]) -> None:
    for at_s in (6.0, 7.5, 9.0):
        board.clock.now_ms = round(at_s * 1000) + 150
        board.closure(at_s, bounces_ms=bounces_ms)
    assert tips(gauge.poll(9_200)) == [(6_000, 1.0), (7_500, 1.0), (9_000, 1.0)]
    assert gauge.filter.too_close == 0
    assert (gauge.filter.bounces > 0) == bool(bounces_ms)


def test_two_tips_too_close_are_refused_and_counted(board: Board, gauge: TippingBucketGauge) -> None:
    board.clock.now_ms = 6_500
    board.closure(6.0, held_s=0.05)
    board.closure(6.3, held_s=0.05)
    assert tips(gauge.poll(6_600)) == [(6_000, 1.0)]
    assert gauge.filter.too_close == 1
    # The refused one does not put the next one off.
    board.clock.now_ms = 6_700
    board.closure(6.45)
    assert tips(gauge.poll(6_800)) == [(6_450, 1.0)]


@given(st.lists(st.integers(400_000, 3_000_000), min_size=1, max_size=30), st.data())
def test_tips_are_counted_exactly_whatever_the_bounce(gaps_us: list[int], data: st.DataObject) -> None:
    judge, at_us, counted = TipFilter(100_000, 400_000), 0, 0
    for gap_us in gaps_us:
        at_us += gap_us
        bounces = sorted(data.draw(st.lists(st.integers(1, 45_000), max_size=5)))
        counted += judge.is_tip(at_us)
        for after_us in bounces:  # at closing, and at opening 50 ms later
            judge.opened(at_us + after_us)
            counted += judge.is_tip(at_us + after_us)
            counted += judge.is_tip(at_us + 50_000 + after_us)
    assert counted == len(gaps_us)


def test_closed_at_start_is_no_tip(board: Board) -> None:
    board.gauge.held = False
    board.gauge._state = False
    gauge = TippingBucketGauge("rain", GAUGE, board.clock)
    assert board.live(gauge, 10_000) == []
    assert gauge.poll(10_100) == []


def test_a_switch_that_stays_closed_is_stuck_then_well_again(board: Board, gauge: TippingBucketGauge) -> None:
    board.clock.now_ms = 6_000
    board.gauge.drive(False, 6.0)
    readings = board.live(gauge, 80_000, 50)
    assert readings[0] == Reading("rain", 6_000, 1.0)
    assert [(one.value, one.quality) for one in readings[1:]] == [(None, Quality.STUCK)] * 2
    assert 16_000 <= readings[1].boot_ms <= 16_300
    assert 76_000 <= readings[2].boot_ms <= 76_600
    assert gauge.trouble is not None and "GPIO 17" in gauge.trouble and "stays closed" in gauge.trouble
    # It opens, and bounces as it does: that is no tip.
    for at_s, level in ((80.0, True), (80.001, False), (80.003, True)):
        board.gauge.drive(level, at_s)
    assert board.live(gauge, 81_000, 50) == []
    told: str | None = gauge.trouble
    assert told is None
    board.closure(81.0)
    assert tips(board.live(gauge, 82_000, 50)) == [(81_000, 1.0)]


def test_a_dry_gauge_says_nought_each_ten_minutes(board: Board, gauge: TippingBucketGauge) -> None:
    readings = board.live(gauge, 1_900_000, 250)
    assert [(one.boot_ms, one.value, one.quality) for one in readings] == [
        (at_ms, 0.0, Quality.OK) for at_ms in (600_000, 1_200_000, 1_800_000)
    ]


def test_stamps_of_tips_are_strictly_increasing(board: Board, gauge: TippingBucketGauge) -> None:
    board.clock.now_ms = 599_990
    early = gauge.poll(600_000)
    board.closure(599.9)  # handed over after the poll that said nought
    late = gauge.poll(600_250)
    assert [one.value for one in early + late] == [0.0, 1.0]
    assert early[0].boot_ms < late[0].boot_ms


def test_a_level_that_cannot_be_read_loses_no_tip_and_the_line_is_opened_again(
    board: Board, gauge: TippingBucketGauge, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_pin: StampedPin) -> bool:
        raise RuntimeError("bad handle")

    board.clock.now_ms = 7_200
    board.closure(7.123)
    with monkeypatch.context() as broken_chip:
        broken_chip.setattr(StampedPin, "_get_state", broken)
        unknown = Reading("rain", 7_300, None, Quality.SILENT)
        assert gauge.poll(7_300) == [Reading("rain", 7_123, 1.0), unknown]
    assert gauge.trouble is not None and "GPIO 17: cannot be read (bad handle)" in gauge.trouble
    assert gauge.poll(7_400) == []  # the back-off's first second
    board.clock.now_ms = 8_400
    assert gauge.poll(8_400) == []
    told: str | None = gauge.trouble
    assert told is None
    board.clock.now_ms = 9_200
    board.closure(9.1)
    assert gauge.poll(9_300) == [Reading("rain", 9_100, 1.0)]


# --- flow meter ----------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 4_000)), max_size=30))
def test_a_meter_closed_in_mid_flow_tells_its_last_pulses(steps: list[tuple[int, int]]) -> None:
    board = Board()
    meter, readings = FlowMeter("pump", METER, board.clock), []
    readings += meter.poll(board.clock.now_ms)
    for pulses, wait_ms in steps:
        readings += meter.poll(board.clock.now_ms)
        board.clock.now_ms += wait_ms
        board.pulses(pulses)
    readings += meter.poll(board.clock.now_ms) + meter.close(board.clock.now_ms)
    assert sum(one.value or 0 for one in readings) == sum(pulses for pulses, _ in steps)
    stamps = [one.boot_ms for one in readings]
    assert all(a < b for a, b in pairwise(stamps))
    assert meter.close(board.clock.now_ms + 1) == []
    board.factory.close()


def test_a_gauge_closed_after_a_tip_tells_it(board: Board, gauge: TippingBucketGauge) -> None:
    board.clock.now_ms = 7_200
    gauge.poll(7_200)
    board.closure(7.3)
    board.clock.now_ms = 7_500
    assert gauge.close(7_500) == [Reading("rain", 7_300, 1.0)]


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 4_000)), max_size=30))
def test_pulses_in_are_pulses_out(steps: list[tuple[int, int]]) -> None:
    board = Board()
    meter, readings = FlowMeter("pump", METER, board.clock), []
    readings += meter.poll(board.clock.now_ms)
    for pulses, wait_ms in steps:
        board.pulses(pulses)
        board.clock.now_ms += wait_ms
        readings += meter.poll(board.clock.now_ms)
    for _ in range(2):
        board.clock.now_ms += 1_000
        readings += meter.poll(board.clock.now_ms)
    assert sum(one.value or 0 for one in readings) == sum(pulses for pulses, _ in steps)
    stamps = [one.boot_ms for one in readings]
    assert all(a < b for a, b in pairwise(stamps))
    # Whatever flows stands between noughts.
    values = [one.value for one in readings]
    assert values[0] == values[-1] == 0
    assert meter.close(board.clock.now_ms) == []
    board.factory.close()


class BusyMeter(FlowMeter):
    """A pulse comes right after each look at the counter, in the edges' own thread."""

    pulses_come = 0

    @property
    def _counted(self) -> int:
        self.pulses_come += 1
        return self.pulses_come - 1

    @_counted.setter
    def _counted(self, _value: int) -> None: ...


def test_a_pulse_that_comes_while_pulses_are_reported_is_in_the_next_row(board: Board) -> None:
    meter = BusyMeter("pump", METER, board.clock)
    readings = board.live(meter, 10_500)
    assert sum(one.value or 0 for one in readings) == meter.pulses_come - 1
    assert meter.pulses_come > 4


def test_a_thousand_pulses_in_one_period_are_a_thousand(board: Board, meter: FlowMeter) -> None:
    board.pulses(1_000)
    board.clock.now_ms = 6_000
    assert [one.value for one in meter.poll(6_000)] == [0.0, 1_000.0]


def test_a_run_stands_between_noughts(board: Board, meter: FlowMeter) -> None:
    readings = board.live(meter, 10_500)
    for _ in range(2):
        board.pulses(25)
        readings += board.live(meter, board.clock.now_ms + 1_000)
    readings += board.live(meter, 20_000)
    assert [(one.boot_ms, one.value) for one in readings] == [
        (6_000, 0.0),
        (10_000, 0.0),
        (11_000, 25.0),
        (12_000, 25.0),
        (13_000, 0.0),
    ]


def test_what_flows_at_the_start_stands_after_a_nought(board: Board, meter: FlowMeter) -> None:
    board.pulses(7)
    readings = board.live(meter, 6_000)
    assert [(one.boot_ms, one.value) for one in readings] == [(START_MS, 0.0), (6_000, 7.0)]


def test_an_idle_meter_says_nought_each_ten_minutes(board: Board, meter: FlowMeter) -> None:
    readings = board.live(meter, 1_300_000, 100)
    assert [one.boot_ms for one in readings] == [6_000, 600_000, 1_200_000]
    assert {one.value for one in readings} == {0.0}


# --- echo ranger ---------------------------------------------------------------------------------------------------


@pytest.fixture
def ranger(board: Board) -> Iterator[TriggerEchoRanger]:
    ranger = TriggerEchoRanger("tank", RANGER, board.clock)
    yield ranger
    ranger.close(board.clock.now_ms)


@pytest.mark.parametrize("range_mm", [251.0, 512.4, 1234.5, 3000.0, 4499.0])
def test_an_echos_time_is_the_range(board: Board, ranger: TriggerEchoRanger, range_mm: float) -> None:
    board.range_mm = range_mm
    (reading,) = board.live(ranger, 10_000)
    assert reading.value == pytest.approx(range_mm, abs=0.5)
    assert (reading.boot_ms, reading.quality) == (10_000, Quality.OK)
    assert reading.count is not None and reading.count >= 10


def test_the_trigger_is_high_for_ten_microseconds_at_least(
    board: Board, ranger: TriggerEchoRanger, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[tuple[float, bool]] = []
    monkeypatch.setattr(time, "sleep", lambda wait_s: waits.append((wait_s, bool(board.trigger.state))))
    board.live(ranger, 10_000)
    # 10 us: what modules of this kind ask for (common practice)
    assert len(waits) >= 10
    assert all(wait_s >= 10e-6 and high for wait_s, high in waits)
    assert not board.trigger.state


def test_no_echo_is_never_the_last_value(board: Board, ranger: TriggerEchoRanger) -> None:
    board.range_mm = 1000.0
    board.live(ranger, 10_000)
    board.range_mm = None
    readings = board.live(ranger, 40_000)
    assert [(one.value, one.quality, one.count) for one in readings] == [(None, Quality.SILENT, 0)] * 3
    assert ranger.trouble is not None and "GPIO 24" in ranger.trouble
    board.range_mm = 900.0
    (reading,) = board.live(ranger, 50_000)
    assert reading.value == pytest.approx(900, abs=0.5)
    told: str | None = ranger.trouble
    assert told is None


def test_an_echo_cut_in_mid_burst_keeps_what_came(board: Board, ranger: TriggerEchoRanger) -> None:
    board.range_mm = 1000.0
    board.live(ranger, 9_500)
    board.range_mm = None
    (reading,) = board.live(ranger, 10_000)
    assert reading.value == pytest.approx(1000, abs=0.5)
    assert reading.count is not None and 5 <= reading.count <= 9


def test_an_echo_that_never_falls_is_no_range(board: Board, ranger: TriggerEchoRanger) -> None:
    board.trigger.woken = lambda: board.echo.drive(True, board.factory.ticks())
    (reading,) = board.live(ranger, 10_000)
    assert (reading.value, reading.quality) == (None, Quality.SILENT)


def test_too_few_echoes_are_no_echo(board: Board, ranger: TriggerEchoRanger) -> None:
    answer, pings = board.trigger.woken, []

    def once() -> None:
        pings.append(board.clock.now_ms)
        if len(pings) == 5 and answer is not None:
            answer()

    board.range_mm, board.trigger.woken = 1000.0, once
    (reading,) = board.live(ranger, 10_000)
    assert (reading.value, reading.quality, reading.count) == (None, Quality.NO_ECHO, 1)


@pytest.mark.parametrize("every_ms", [10, 35, 47])
def test_a_range_uses_its_own_burst_alone(board: Board, ranger: TriggerEchoRanger, every_ms: int) -> None:
    # No ping of one burst may be left over for the reading of the next, a period later.
    board.range_mm = 1000.0
    board.live(ranger, 10_100, every_ms)
    assert ranger._ranges_mm == []
    assert ranger._pinged_ms is None


def test_a_reading_that_comes_late_has_no_old_echoes(board: Board, ranger: TriggerEchoRanger) -> None:
    board.range_mm = 1000.0
    board.live(ranger, 9_900)
    board.clock.now_ms = 25_000  # the loop was held up
    assert [(one.value, one.quality) for one in ranger.poll(25_000)] == [(None, Quality.SILENT)]
