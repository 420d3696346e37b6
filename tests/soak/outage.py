"""Part of `make soak`: a month without a server in compressed time, then its return; the same with 50 random kills.

Run: .venv/bin/python tests/soak/outage.py [--days 30] [--kills 50] [--every 60] [--seed 1]; some five minutes.
Needs the server that `make servers` builds.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.extend(str(Path(__file__).parents[1] / place) for place in ("servers", "fakes", "bench"))

from influxd import Influxd, NoServer
from measured import machine
from outage_life import Life, live


def main() -> None:
    """Both lives; exit code 1 where a point is lost, doubled, changed or set aside."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=30, help="of the outage")
    parser.add_argument("--kills", type=int, default=50, help="of forwarder and server, in the second life")
    parser.add_argument("--every", type=float, default=60.0, help="seconds between level readings")
    parser.add_argument("--outage-seconds", type=float, default=60.0, help="what the outage takes here")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    try:
        server = Influxd()
    except NoServer as error:
        print(f"outage: nothing is tried, {error}")
        return
    shared = {"days": arguments.days, "outage_s": arguments.outage_seconds, "every_s": arguments.every}
    lives = {
        "nobody is killed": Life(**shared, seed=arguments.seed),
        f"{arguments.kills} kills, each write takes 0.3 s longer": Life(
            **shared, seed=arguments.seed + 1, kills=arguments.kills, slow_s=0.3
        ),
    }
    print(f"an outage of {arguments.days} days in {arguments.outage_seconds:g} s; {machine()}, shared")
    is_well = True
    try:
        for name, life in lives.items():
            begun_s = time.monotonic()
            with tempfile.TemporaryDirectory() as folder:
                report = live(Path(folder), server, life)
            told = report.comparison
            print(f"  {name} ({time.monotonic() - begun_s:.0f} s)")
            as_said = "yes" if report.log_is_the_twins else "NO"
            faults = f"{told.missing}, {told.too_many}, {told.different}, {report.refused}"
            rows = {
                "readings": f"{report.readings:,}; the log is what the twin's sensors said: {as_said}",
                "points": f"{told.wanted:,} wanted, {told.found:,} found",
                "lost, doubled, changed, set aside": faults,
                "kills": f"{report.killed_forwarder} of the forwarder, {report.killed_server} of the server",
                "newest reading there": f"{report.newest_after_s:.1f} s after the return",
                "all there": f"{report.all_after_s:.0f} s after the return",
                "sent again": f"{report.again_ratio:.1%} of the lines, written over themselves",
                "forwarder, at most": f"{report.peak_mib:.1f} MiB resident",
            }
            for title, text in rows.items():
                print(f"    {title:<34}{text}", flush=True)
            for line in told.examples[:10]:
                print(f"    WRONG {line}")
            is_well = is_well and report.is_well
    finally:
        server.close()
    sys.exit(0 if is_well else 1)


if __name__ == "__main__":
    main()
