"""A salvage that is cut off at many points, and what each cut left behind. It forks, so it is a process of its own.

Run: cut_salvage.py FOLDER SITE_LOG OLD_LOG; prints one JSON object.
"""

import json
import random
import shutil
import sys
from pathlib import Path

from cut_writer import JOBS, run_cut
from parted_logs import KINDS, content, readings_of

from rainstead.log import LogWriter, check_log
from rainstead.log.salvage import OldLog

CUTS = 24


def salvage(path: Path) -> None:
    """What another log beside it has."""
    with OldLog(path.with_name("old.db")) as old, LogWriter(path) as writer:
        writer.take_in(old, KINDS, lambda _: None)


def main() -> None:
    """Cut, look, do it again."""
    folder, site, old = (Path(argument) for argument in sys.argv[1:])
    JOBS["salvage"] = salvage
    draw = random.Random(1)

    def laid(name: str) -> Path:
        here = folder / name
        here.mkdir()
        shutil.copy(old, here / "old.db")
        return Path(shutil.copy(site, here / "readings.db"))

    before = content(site)
    uncut = laid("uncut")
    steps = run_cut("salvage", uncut, ("steps", 2**60))
    assert steps, "it took no steps"
    after, readings = content(uncut), readings_of(uncut)
    cuts = [("steps", draw.randrange(steps)) for _ in range(CUTS)] + [("steps", steps - k) for k in range(1, 6)]
    cuts += [("size", draw.randrange(1, site.stat().st_size + old.stat().st_size)) for _ in range(CUTS // 2)]
    struck, halves, wrong = 0, 0, []
    for k, cut in enumerate(cuts):
        path = laid(str(k))
        struck += run_cut("salvage", path, cut) is None
        found = content(path)
        halves += found == before
        if found not in (before, after):
            wrong.append(f"{cut}: half of it is there")
        if not check_log(path).is_whole:
            wrong.append(f"{cut}: the log is not whole")
        salvage(path)
        if content(path) != after or readings_of(path) != readings:
            wrong.append(f"{cut}: the next run did not finish it")
        shutil.rmtree(path.parent)
    print(json.dumps({"cuts": len(cuts), "struck": struck, "undone": halves, "wrong": wrong}))


if __name__ == "__main__":
    main()
