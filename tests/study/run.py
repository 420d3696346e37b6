"""The study: sites drawn at random, asked through the desk's answers, and how often their intervals hold the truth.

Run: .venv/bin/python tests/study/run.py --sites 1000 --out tests/study/results
"""

import argparse
import json
import os
import pickle
import platform
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads only wait for one another

from coverage import Asked, as_dicts, markdown, rows
from happening import Happened, happen
from held_log import HeldLog
from questions import ABSOLUTE, ask
from random_site import draw_site, driest
from sensing import columns, write_log

from rainstead.log import LogReader

_THROUGH_A_FILE = 10
"""Of so many sites one goes through a real log on disk, the others through the same readings held in memory."""


def study(first: int, count: int) -> Iterator[list[Asked]]:
    """Answers of `count` sites; those in which a tank might run dry are drawn anew."""
    seed, done = first, 0
    while done < count:
        site = draw_site(seed)
        seed += 1
        if not happen(driest(site)).ran_dry:
            yield asked_site(happen(site), through_file=done % _THROUGH_A_FILE == 0)
            done += 1


def asked_site(happened: Happened, *, through_file: bool) -> list[Asked]:
    """All questions to one site, from its log."""
    if not through_file:
        return ask(happened, HeldLog(columns(happened)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.db"
        write_log(path, happened)
        with LogReader(path) as reader:
            return ask(happened, reader)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="seed of the first site")
    parser.add_argument("--out", type=Path, help="folder for the table; printed alone without it")
    parser.add_argument("--keep", type=Path, help="file for every single answer")
    asked_for = parser.parse_args()
    begun = time.perf_counter()
    everything: list[Asked] = []
    sites = 0
    for found in study(asked_for.first, asked_for.sites):
        everything += found
        sites += 1
        if sites % 25 == 0:
            print(f"{sites} sites in {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
            if asked_for.keep:
                asked_for.keep.write_bytes(pickle.dumps(everything))
    table = rows(everything, ABSOLUTE)
    seconds = time.perf_counter() - begun
    said = (
        f"{sites} invented sites from seed {asked_for.first}, {seconds / sites:.1f} s a site; "
        f"Python {platform.python_version()}, {platform.machine()}"
    )
    text = markdown(table)
    print(said, text, sep="\n\n")
    if asked_for.out:
        asked_for.out.mkdir(parents=True, exist_ok=True)
        (asked_for.out / "coverage.md").write_text(f"{_HEAD}\n{said}.\n\n{text}", encoding="utf-8")
        (asked_for.out / "coverage.json").write_text(
            json.dumps({"study": said, "rows": as_dicts(table)}, indent=1) + "\n", encoding="utf-8"
        )


_HEAD = """# How often a 95 % interval holds the truth

Made by `make study`; sites, weather and water are invented, each site's errors drawn from what its settings state.
`sites`: all of them, then by the part of their storms in which water was lost over the last brim. `hold the truth`: of
the intervals that were given, with the 95 % interval of that share (Clopper and Pearson). `half width` and `bias` are
relative to the truth, the width a median, the bias a mean with its standard error. `z`: mean and standard deviation of
(value - truth) / u. `bounds`: answers that only said "at least", and how many of them were right.
"""

if __name__ == "__main__":
    main()
