"""`make soak`: lives of a site under random faults, one seed after another, for so many seconds.

Run: .venv/bin/python tests/soak/run.py [--seconds 180] [--hours 2] [--seed N]
"""

import argparse
import logging
import sys
import tempfile
import time
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "fakes"))

from stress import Stress


def main() -> None:
    """Stop at the first life that does not agree with the truth, and name its seed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=180.0, help="begin no new life after this")
    parser.add_argument("--hours", type=float, default=2.0, help="of each life")
    parser.add_argument("--seed", type=int, default=None, help="only this one")
    arguments = parser.parse_args()
    logging.disable(logging.CRITICAL)
    begun_s = time.perf_counter()
    seed = 1 if arguments.seed is None else arguments.seed
    while True:
        with tempfile.TemporaryDirectory() as folder:
            life_s = time.perf_counter()
            report = Stress(Path(folder), seed, arguments.hours).run()
        faults = sum(report.faults.values())
        print(
            f"seed {seed}: {report.hours:g} h in {time.perf_counter() - life_s:.0f} s, {faults} faults, "
            f"{report.readings:,} readings, "
            f"tips {report.tips} ({report.tips_lost_by_cuts} lost by cuts or at a held switch), "
            f"pulses {report.pulses:,} ({report.pulses_lost_by_cuts} lost by cuts)",
            flush=True,
        )
        if report.wrong:
            print("\n".join(f"  WRONG {one}" for one in report.wrong), flush=True)
            print(f"again: .venv/bin/python tests/soak/run.py --seed {seed} --hours {arguments.hours:g}")
            sys.exit(1)
        if arguments.seed is not None or time.perf_counter() - begun_s >= arguments.seconds:
            return
        seed += 1


if __name__ == "__main__":
    main()
