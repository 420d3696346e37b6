"""Makes schema_1.db, once: a kept log is never made again after its schema was released.

The site and all its readings are invented. Run: .venv/bin/python tests/shared_logs/make_schema_1.py
"""

import math
from pathlib import Path

from rainstead.events import AlarmEvent
from rainstead.log import SCHEMA_VERSION, LogWriter, Row
from rainstead.readings import Kind, Quality

SITE = """\
# An invented site, for a log that must open for ever.
[site]
name = "Kept log, schema 1 (invented)"
time_zone = "Europe/Lisbon"
latitude_deg = 38.5
"""
BEGIN_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
KINDS = {"air": Kind.TEMPERATURE, "flow": Kind.PULSE, "gauge": Kind.TIP, "level": Kind.LEVEL}


def main() -> None:
    """Write the file beside this script."""
    path = Path(__file__).with_name("schema_1.db")
    if SCHEMA_VERSION != 1 or path.exists():
        raise SystemExit(f"{path}: is there, or would not be of schema 1; a kept log stays as it is")
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(KINDS)
        writer.keep_settings(BEGIN_MS, "1:invented", SITE)
        right = writer.begin_segment(writer.begin_boot("logger", "boot-1", 20_000), BEGIN_MS, trusted=True)
        writer.append([row for k in range(360) for row in _rows(BEGIN_MS + 10_000 * k, k, right, numbers)])
        writer.append_events(
            right,
            [
                AlarmEvent(
                    BEGIN_MS + 600_000,
                    "overflow_risk",
                    "house",
                    "active_unacknowledged",
                    250.5,
                    300.0,
                    "L",
                    "freeboard",
                )
            ],
        )
        boot = writer.begin_boot("logger", "boot-2", 0)
        wrong = writer.begin_segment(boot, 0, trusted=False)  # the clock stood at 1970, and was set later
        writer.append([row for k in range(60) for row in _rows(10_000 * k, k, wrong, numbers)])
        writer.correct_boot(boot, BEGIN_MS + 7_200_000)
        writer.save_checkpoint(BEGIN_MS + 3_590_000, "1:invented", "{}")
    path.with_name(path.name + ".lock").unlink()


def _rows(t_ms: int, k: int, segment: int, numbers: dict[str, int]) -> list[Row]:
    rows: list[Row] = [(t_ms, numbers["level"], segment, 900.0 + k % 7, Quality.OK, 1.4826, 9)]
    if k % 50 == 49:
        rows = [(t_ms, numbers["level"], segment, None, Quality.NO_ECHO, None, 0)]
    if k % 6 == 0:
        rows.append((t_ms, numbers["air"], segment, round(12 + 3 * math.sin(k / 60), 4), Quality.OK, None, None))
    if k % 20 == 5:
        rows.append((t_ms + 123, numbers["gauge"], segment, 1.0, Quality.OK, None, None))
    if 100 <= k < 110:
        rows.append((t_ms, numbers["flow"], segment, 1500.0, Quality.OK, None, None))
    return sorted(rows)


if __name__ == "__main__":
    main()
