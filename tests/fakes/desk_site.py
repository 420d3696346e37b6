"""A small site whose every number can be worked out by hand, and its log."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from rainstead.derive import Deriver
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Kind, Quality
from rainstead.replay import replay
from rainstead.settings import parse_settings
from rainstead.statekeeping import state_to_text

__all__ = ["SETTINGS", "Raw", "level", "make_site", "ms", "pulses", "tips"]

# Dry air at the sensor's own assumed temperature: no correction, so ullage is the range that the sensor says.
# The tanks are 2 m by 1 m: 2000 L per metre of depth; face at 2.5 m, so 1500 mm of range is 1 m of depth.
SETTINGS = """
[site]
name = "Hand-worked"
time_zone = "Europe/Lisbon"
latitude_deg = 39.0

[sensors.east_level]
kind = "ranger-text"
port = "/dev/null"
every = "60 s"
humidity_ratio = 0.0
median_of = 1

[sensors.west_level]
kind = "ranger-text"
port = "/dev/zero"
every = "60 s"
humidity_ratio = 0.0
median_of = 1

[sensors.gauge]
kind = "tipping-bucket"
gpio = 17
calibrations = [{ depth_per_tip = "0.2 mm", u_ratio = 0.0 }]

[sensors.meter]
kind = "flow-pulse"
gpio = 27
calibrations = [{ k_factor_per_l = 100, u_ratio = 0.0 }]

[tanks.east]
sensor = "east_level"
face_height = "2.5 m"
brim = "2.0 m"
outlet = "0.1 m"
calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m", volume_u_ratio = 0.0 }]

[tanks.west]
sensor = "west_level"
face_height = "2.5 m"
brim = "2.0 m"
outlet = "0.1 m"
calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m", volume_u_ratio = 0.0 }]

[tanks.spare]
brim = "1.0 m"
calibrations = [{ shape = "cuboid", length = "2 m", width = "1 m" }]

[pump]
source = "east"
meter = "meter"
fuel = { tank = "3 L", rate = "1.2 L/h" }

[rain]
gauge = "gauge"

[reserve]
fire = "1500 L"
tanks = ["east", "west"]

[alarms.overflow_risk]
freeboard = "200 L"
deadband = "100 L"
on_delay = "0 s"
off_delay = "0 s"

[alarms.low_reserve]
on_delay = "0 s"
off_delay = "0 s"
"""

_KINDS = {"east_level": Kind.LEVEL, "west_level": Kind.LEVEL, "gauge": Kind.TIP, "meter": Kind.PULSE}

Raw = tuple[int, str, float | None, Quality]


def ms(text: str) -> int:
    """UTC milliseconds of ISO-8601 text; UTC where it names no zone."""
    when = datetime.fromisoformat(text if text.endswith("Z") or "+" in text else text + "Z")
    return round(when.timestamp() * 1000)


def level(when: str, sensor: str, range_mm: float | None, quality: Quality = Quality.OK) -> Raw:
    """A ranger's reading."""
    return (ms(when), sensor, range_mm, quality)


def tips(when: str, count: float | None, quality: Quality = Quality.OK) -> Raw:
    """A row of the gauge."""
    return (ms(when), "gauge", count, quality)


def pulses(when: str, count: float) -> Raw:
    """A row of the meter."""
    return (ms(when), "meter", count, Quality.OK)


def make_site(folder: Path, rows: Sequence[Raw], *, text: str = SETTINGS, watched: bool = True) -> Path:
    """A site's folder with its settings and a log of these readings, as a logger leaves it.

    watched=False leaves out what the logger worked out: events and kept state.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(text, encoding="utf-8")
    path = folder / "readings.db"
    deriver = Deriver(parse_settings(text, "site.toml"))
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(_KINDS)
        segment = writer.begin_segment(writer.begin_boot("logger", "a boot", 0), 0, trusted=True)
        writer.append(sorted((t, numbers[s], segment, v, int(q), None, None) for t, s, v, q in rows))
        if watched:
            writer.keep_settings(min((row[0] for row in rows), default=0), deriver.digest, text)
            with LogReader(path) as reader:
                for state, derived in replay(reader, deriver):
                    writer.append_events(
                        segment,
                        derived.events,
                    )
                    assert state.upto_ms is not None
                    writer.save_checkpoint(state.upto_ms, deriver.digest, state_to_text(state))
    return folder
