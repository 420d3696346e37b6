"""A site folder with a log of a few rows, whose figures can be worked out by hand."""

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from rainstead.derive import Deriver
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Quality
from rainstead.replay import replay
from rainstead.settings import parse_settings, sensor_kind

__all__ = ["SETTINGS", "Row", "make_site", "utc_ms"]

Row = tuple[str, str, float | None] | tuple[str, str, float | None, Quality]
"""UTC as text, sensor, raw value; quality where it is not OK."""

# All invented. Dry air at the temperature that the ranger assumes: ullage is the raw millimetres. The house is 2 m
# across, so a metre of water is 1000 pi litres; a metre in the pool is 10 000.
SETTINGS = """
[site]
name = "Invented [hollow]"
time_zone = "Europe/Lisbon"
latitude_deg = 39.0
rain_day_clock = "local"
[sensors.house_level]
kind = "ranger-text"
port = "/nowhere/a"
every = 60
humidity_ratio = 0
assumed_air_c = 20
median_of = 1
[sensors.pool_level]
kind = "ranger-text"
port = "/nowhere/b"
every = 60
humidity_ratio = 0
assumed_air_c = 20
air = "shed_air"
median_of = 1
[sensors.shed_air]
kind = "one-wire"
path = "/nowhere/c"
[sensors.gauge]
kind = "tipping-bucket"
gpio = 5
calibrations = [{ depth_per_tip = 0.25 }]
[sensors.meter]
kind = "flow-pulse"
gpio = 6
calibrations = [{ k_factor_per_l = 400 }]
[tanks.house]
sensor = "house_level"
face_height = 2.5
brim = 2.0
outlet = 0.1
calibrations = [{ shape = "cylinder", diameter = 2.0 }]
[tanks.pool]
sensor = "pool_level"
face_height = 1.5
brim = 1.0
outlet = 0.05
covered = false
calibrations = [{ shape = "cuboid", length = 4.0, width = 2.5 }]
[tanks.drum]
brim = 0.8
calibrations = [{ shape = "cylinder", diameter = 0.6 }]
[rain]
gauge = "gauge"
storm_gap = "6 h"
[pump]
source = "pool"
meter = "meter"
run_gap = 30
fuel = { tank = 3, rate = 1.2 }
[reserve]
fire = 6000
tanks = ["house", "pool"]
[alarms]
overflow_risk = { freeboard = 300, deadband = 100, on_delay = 0, off_delay = 0 }
low_reserve = { on_delay = 0, off_delay = 0 }
"""


def utc_ms(text: str) -> int:
    """UTC milliseconds of ISO-8601 text without a zone."""
    return round(datetime.fromisoformat(text + "+00:00").timestamp() * 1000)


def make_site(folder: Path, rows: Iterable[Row], settings_text: str = SETTINGS) -> Path:
    """Settings, readings, and the alarm events that follow from them; returns the folder."""
    folder.mkdir(exist_ok=True)
    (folder / "site.toml").write_text(settings_text, encoding="utf-8")
    settings = parse_settings(settings_text, "site.toml")
    deriver = Deriver(settings)
    with LogWriter(folder / "readings.db") as writer:
        numbers = writer.sensor_numbers({name: sensor_kind(one) for name, one in settings.sensors.items()})
        segment = writer.begin_segment(writer.begin_boot("logger", "a test's boot", 0), 0, trusted=True)
        writer.keep_settings(0, deriver.digest, settings_text)
        writer.append(
            [
                (utc_ms(utc), numbers[name], segment, value, int(quality[0]) if quality else 0, None, None)
                for utc, name, value, *quality in rows
            ]
        )
        with LogReader(folder) as reader:
            found = [event for _, derived in replay(reader, deriver) for event in derived.events]
        writer.append_events(
            segment,
            found,
        )
    return folder
