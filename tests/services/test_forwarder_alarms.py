"""What is raised now is told before the backlog in which it was raised."""

from pathlib import Path

import pytest
from desk_site import SETTINGS, ms
from fake_server import FakeServer

from rainstead.events import AlarmEvent
from rainstead.forward import Forwarder
from rainstead.log import LogWriter
from rainstead.readings import Kind
from rainstead.settings import parse_settings

SITE = parse_settings(SETTINGS, "site.toml")
NOON_MS = ms("2026-03-02T12:00:00")
MINUTES = 12_000
ACTIVE, NORMAL = "active_unacknowledged", "normal"


@pytest.mark.parametrize("order", ["newest", "oldest"])
def test_how_alarms_stand_goes_with_the_newest_readings_and_not_after_the_backlog(tmp_path: Path, order: str) -> None:
    writer, server = LogWriter(tmp_path / "readings.db"), FakeServer()
    number = writer.sensor_numbers({"east_level": Kind.LEVEL})["east_level"]
    segment = writer.begin_segment(writer.begin_boot("logger", "a", 0), 0, trusted=True)
    writer.append([(NOON_MS + k * 60_000, number, segment, 1500.0 + k % 7, 0, None, None) for k in range(MINUTES)])

    def changed(minute: int, alarm: str, state: str) -> AlarmEvent:
        return AlarmEvent(NOON_MS + minute * 60_000, alarm, "east", state, 1.0, 2.0, "L", "why")

    writer.append_events(segment, [changed(100, "overflow_risk", ACTIVE), changed(5_000, "overflow_risk", NORMAL)])
    writer.append_events(segment, [changed(6_000, "low_space", ACTIVE)])
    forwarder = Forwarder(SITE, tmp_path, server, order="oldest" if order == "oldest" else "newest", most_lines=100_000)
    newest = ("level,sensor=east_level,site=Hand-worked", NOON_MS + (MINUTES - 1) * 60_000)
    now_ms = 0
    while newest not in server.points:
        now_ms = forwarder.step(now_ms, NOON_MS)
    last = max(t_ms for _, t_ms in server.of("alarm"))
    assert len(server.of("level")) < 100  # nothing of the backlog has gone yet
    assert sorted(server.of("alarm")) == [
        (f"alarm,alarm=low_space,site=Hand-worked,state={ACTIVE},subject=east", last),
        (f"alarm,alarm=overflow_risk,site=Hand-worked,state={NORMAL},subject=east", NOON_MS + 5_000 * 60_000),
    ]
    for _ in range(500):
        now_ms = forwarder.step(now_ms, NOON_MS)
        stands = {head.split(",")[1]: "" for head, _ in server.of("alarm")}
        for (head, _), _fields in sorted(server.of("alarm").items(), key=lambda one: one[0][1]):
            stands[head.split(",")[1]] = head.split(",")[3]
        assert stands == {"alarm=low_space": f"state={ACTIVE}", "alarm=overflow_risk": f"state={NORMAL}"}
        if len(server.of("level")) == MINUTES:
            break
    assert len(server.of("level")) == MINUTES
    assert len(server.of("alarm")) == 3
    forwarder.close()
    writer.close()
