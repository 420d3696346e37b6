"""A clock that is set by less than a minute while it rains and while the pump runs: no length and no flow changes."""

import functools
import tempfile
from pathlib import Path
from typing import Any

from board_site import SITE, BoardSite, Scripted, level
from fake_clock import FakeClock
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rainstead.answers import pump, storms
from rainstead.log import LogReader
from rainstead.readings import Kind, Reading

WALL_MS = 1_790_000_000_000
BEGIN_MS = 6_000_000
STILL_S = 900
"""Longer than storm and run take to be over."""
TEXT = SITE.replace('gauge = "gauge"\n', 'gauge = "gauge"\nstorm_gap = "10 min"\n')
FLOWS = [(200, 260), (1350, 1400)]
RAINS = [(60, 600), (1300, 1500)]
END_S = 1500 + STILL_S


def within(spans: list[tuple[int, int]], second: int) -> bool:
    return any(begin < second <= end for begin, end in spans)


def channels() -> list[Scripted]:
    def flow(boot_ms: int) -> list[Reading]:
        second = (boot_ms - BEGIN_MS) // 1000
        if within(FLOWS, second):
            return [Reading("flow", boot_ms, 390.0 + second % 7)]
        return [Reading("flow", boot_ms, 0.0)] if second % 600 == 0 or within(FLOWS, second + 1) else []

    def tips(boot_ms: int) -> list[Reading]:
        second = (boot_ms - BEGIN_MS) // 1000
        if within(RAINS, second) and second % 50 == 0:
            return [Reading("gauge", boot_ms, 1.0)]
        return [Reading("gauge", boot_ms, 0.0)] if second % 600 == 0 else []

    def still(_: int) -> float:
        return 1200.0

    return [Scripted("flow", Kind.PULSE, flow), Scripted("gauge", Kind.TIP, tips), level(still)]


@functools.cache
def never_set() -> list[Any]:
    found, _ = lived([])
    assert len(found) == 4
    return found


def lived(steps: list[tuple[int, int]]) -> tuple[list[Any], int]:
    """Lengths, counts and flows of all storms and runs; by how much the last stamp is off in the end."""
    with tempfile.TemporaryDirectory() as folder:
        return lived_in(Path(folder), steps)


def lived_in(folder: Path, steps: list[tuple[int, int]]) -> tuple[list[Any], int]:
    clock = FakeClock(boot_ms=BEGIN_MS, wall_ms=WALL_MS)
    site = BoardSite(folder, channels(), clock, text=TEXT)
    for at_s, by_ms in sorted(steps):
        site.run((BEGIN_MS + at_s * 1000 - clock.now_ms) / 1000)
        clock.step_wall(by_ms)
        assert abs(site.keeper.time.offset_ms - clock.offset_ms) < 120_000
    site.run((BEGIN_MS + END_S * 1000 - clock.now_ms) / 1000)
    site.logger.stop()
    as_of_ms = clock.wall_ms() + 120_000
    with LogReader(site.path) as reader:
        found: list[Any] = [
            (line.storm.tips, line.duration_s) for line in storms(site.settings, reader, as_of_ms).storms
        ]
        runs = pump(site.settings, reader, as_of_ms).runs
        found += [(line.run.pulses, line.run.end_ms - line.run.start_ms, line.run.flow_l_min) for line in runs]
    return found, site.stamps("level")[-1] - clock.wall_ms()


steps = st.lists(st.tuples(st.integers(10, 1600), st.integers(-59_000, 59_000)), max_size=4)


@settings(max_examples=8, deadline=None)
@given(steps)
@example([(230, 50_000)])
@example([(230, 50_000), (1370, 50_000)])
def test_a_clock_that_is_set_by_seconds_changes_no_length_and_no_flow(given_steps: list[tuple[int, int]]) -> None:
    found, off_ms = lived(given_steps)
    assert found == never_set()
    # Forward it is heeded as soon as nothing goes on; back by less than a minute at the next start.
    assert -2000 <= off_ms < 62_000
