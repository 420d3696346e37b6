"""Makes schema_2.db, once: a kept log is never made again after its schema was released.

The site and all its readings are invented. It goes on from schema_1.db, as a real log would: brought up to date,
sealed, one hour thinned, some rows fresh. Run: .venv/bin/python tests/shared_logs/make_schema_2.py
"""

import shutil
from pathlib import Path

from rainstead.log import SCHEMA_VERSION, Keep, LogWriter, Row
from rainstead.readings import Kind, Quality

BEGIN_MS = 1_767_225_600_000  # 2026-01-01T00:00Z, where schema_1.db begins
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


def main() -> None:
    """Write the file beside this script."""
    here = Path(__file__).parent
    path = here / "schema_2.db"
    if SCHEMA_VERSION != 2 or path.exists():
        raise SystemExit(f"{path}: is there, or would not be of schema 2; a kept log stays as it is")
    shutil.copy(here / "schema_1.db", path)
    later_ms = BEGIN_MS + 3 * DAY_MS
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers({"level": Kind.LEVEL, "gauge": Kind.TIP})
        boot = writer.begin_boot("logger", "boot-3", 0)
        segment = writer.begin_segment(boot, later_ms, trusted=True)
        for k in range(720):
            t_ms = later_ms + k * 10_000
            # Values that each way of packing is there for: halves, ragged ones, few different ones, none at all.
            value = (1200.5, 1201.0, 1199.5)[k % 3] if k < 360 else 1200.0 + k / 7
            rows: list[Row] = [(t_ms, numbers["level"], segment, value, Quality.OK, (0.7413, 1.4826)[k % 2], 8)]
            if k % 100 == 50:
                rows = [(t_ms, numbers["level"], segment, None, Quality.NO_ECHO, None, None)]
            if k % 90 == 0:
                rows.append((t_ms + 1, numbers["gauge"], segment, 1.0, Quality.OK, None, None))
            writer.append(rows)
        while writer.seal_some(later_ms + HOUR_MS + 300_000):
            pass
        writer.thin_some(Keep(days=0))  # the first hour of schema_1.db
        writer.end_boot(boot, 7_200_000)
        writer._db.execute("VACUUM")
    path.with_name(path.name + ".lock").unlink()


if __name__ == "__main__":
    main()
