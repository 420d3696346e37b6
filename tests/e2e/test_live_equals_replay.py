"""The whole path, in real time: twin, pseudo-terminals and mock pins, drivers, logger, log, replay."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from derived_bits import flatten, replayed
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from rainstead.clock import SystemClock
from rainstead.derive import Derived, Deriver, LevelRows
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Batch, Quality
from rainstead.replay import replay
from rainstead.settings import parse_settings
from rainstead_board.drivers import build_channels
from rainstead_board.logger import Logger
from rainstead_board.twin import demo_history, demo_settings_text
from rainstead_board.twin.harness import LiveTwin, Script

SECONDS = 24


@pytest.fixture
def mock_pins() -> Iterator[MockFactory]:
    before = Device.pin_factory
    factory = Device.pin_factory = MockFactory()
    yield factory
    factory.reset()
    Device.pin_factory = before


def test_what_the_logger_worked_out_live_is_what_replay_works_out(tmp_path: Path, mock_pins: MockFactory) -> None:
    clock = SystemClock()
    # Above all that the tank starts with at any hour and season, and with any error of its sensor: raised for sure.
    text = demo_settings_text(tmp_path, every="1 s").replace('freeboard = "200 L"', 'freeboard = "350 L"')
    settings = parse_settings(text, "demo")
    start = demo_history(settings, end_ms=clock.wall_ms(), days=3, seed=3).end
    script = Script(storm_s=(1.0, 9.0), storm_mm_h=500.0, pump_s=(10.0, 16.0), pump_l_min=55.0)
    twin = LiveTwin(settings, start, tmp_path, clock, mock_pins, script=script)
    seen: list[tuple[Batch, Derived]] = []
    logger = Logger(
        settings,
        text,
        LogWriter(tmp_path / "readings.db"),
        build_channels(settings, clock),
        clock,
        clock_is_trusted=lambda: True,
        boot_uuid="e2e",
        on_derived=lambda batch, derived: seen.append((batch, derived)),
    )
    twin.start()
    end_ms = clock.boot_ms() + SECONDS * 1000
    unplug_ms, replug_ms = end_ms - 9_000, end_ms - 6_000
    try:
        while clock.boot_ms() < end_ms:
            clock.wait_until(logger.step())
            if unplug_ms and clock.boot_ms() > unplug_ms:
                twin.unplug("house_level")
                unplug_ms = 0
            if replug_ms and clock.boot_ms() > replug_ms:
                twin.replug("house_level")
                replug_ms = 0
        tips_ms, pulses = list(twin.tips_ms), twin.pulses
        true_l = dict(zip(settings.tanks, twin.volumes_l, strict=True))
    finally:
        logger.stop()
        twin.stop()

    live = flatten([derived for _, derived in seen])
    path = tmp_path / "readings.db"
    assert replayed(path, settings) == live
    assert replayed(path, settings, size=11) == live

    with LogReader(path) as reader:
        logged = [(e.t_ms, e.alarm, e.subject, e.state, e.value, e.reason) for e in reader.events()]
        found: list[tuple[object, ...]] = []
        last: dict[str, LevelRows] = {}
        for _, derived in replay(reader, Deriver(settings)):
            found += [(e.t_ms, e.alarm, e.subject, e.state, e.value, e.reason) for e in derived.events]
            last |= {rows.tank: rows for rows in derived.levels if len(rows.t_ms)}
        rain = sum(int(rows.sum()) for rows in (batch.value for batch in reader.batches(sensors=["rain_gauge"])))
        flow = sum(int(batch.value.sum()) for batch in reader.batches(sensors=["pump_meter"]))
        house = [q for batch in reader.batches(sensors=["house_level"]) for q in batch.quality.tolist()]
    assert logged == found
    assert any(alarm == "overflow_risk" for _, alarm, *_ in logged)
    assert rain == len(tips_ms) > 3
    assert flow == pulses > 1000
    # The unplugged ranger says why it has no level, and comes back.
    assert Quality.ABSENT in house
    assert house[-1] == Quality.OK
    for tank, rows in last.items():
        # Three standard uncertainties, and what the pump and rain move in a second.
        assert abs(float(rows.volume_l[-1]) - true_l[tank]) < 3 * float(rows.volume_u_l[-1]) + 10, tank
