"""A messenger that is killed again and again between handing over and putting down, and what came of it.

Run: killed_messenger.py FOLDER SEED KILLS; prints one JSON object. It forks, so it is a process of its own.
"""

import contextlib
import itertools
import json
import os
import random
import signal
import sys
import time
from pathlib import Path

from telling_site import TABLE, FakeCarrier, TellingSite

from rainstead.messages.carrier import Carrier, Job, Outcome
from rainstead.messages.store import Store

CHANNELS = ("mail", "push")


class LoggingCarrier(FakeCarrier):
    """Puts down what it takes on the disk first: from then on it is with the receiver."""

    def __init__(self, path: Path, draw: random.Random, kill_at: str) -> None:
        super().__init__(self._take)
        self._path, self._draw, self._kill_at = path, draw, kill_at

    def _take(self, job: Job) -> Outcome:
        if self._draw.random() < 0.2:
            return Outcome(False, "it takes no connection")
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(job.title + "\n" + job.body) + "\n")
        if self._kill_at == "taken" and self._draw.random() < 0.5:
            os.kill(os.getpid(), signal.SIGKILL)
        return Outcome(True)


def live(site: TellingSite, seed: int, kill_at: str) -> None:
    """Until killed: as soon as something was taken, inside a transaction, or anywhere."""
    draw = random.Random(seed)
    if kill_at in ("before", "after"):
        write = Store._write

        def cut(self: Store, db: object) -> None:
            if kill_at == "after":
                write(self, db)  # type: ignore[arg-type]
            if any(key[0] == "delivery" for key in self._pending) and draw.random() < 0.5:
                os.kill(os.getpid(), signal.SIGKILL)
            if kill_at == "before":
                write(self, db)  # type: ignore[arg-type]

        Store._write = cut  # type: ignore[method-assign]
    site.messenger = None
    ways: dict[str, Carrier] = {name: LoggingCarrier(site.folder / f"{name}.taken", draw, kill_at) for name in CHANNELS}
    site.start(ways)
    while True:
        site.run(10_000)


def main() -> None:
    """Raise alarms, kill, go on; at the end one life in peace."""
    folder, seed, kills = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    draw = random.Random(seed)
    table = TABLE.replace("test_every", "most_an_hour = 1000\ntest_every")
    site = TellingSite(folder, table + '[messages.channels.push]\naddress_file = "push.address"\n')
    site.start()
    site.run(1000)
    assert site.messenger is not None
    site.messenger.close()
    site.end_log()
    number = itertools.count()
    raised: list[str] = []
    killed: dict[str, int] = {}
    for kill in range(kills + 1):
        site.clock.now_ms += 10_000
        site.begin_log()
        for _ in range(draw.randrange(1, 4)):
            site.clock.now_ms += 1
            name = f"sensor_{next(number):04d}"
            raised.append(name)
            site.alarm(True, "sensor_fault", name, reason=f"{name} is silent")
        site.end_log()
        child = os.fork()
        if child == 0:
            with contextlib.suppress(BaseException):
                kill_at = ("taken", "before", "after", "anywhere")[kill % 4] if kill < kills else "never"
                if kill_at == "never":
                    site.messenger = None
                    draw_last = random.Random(seed)
                    site.start({n: LoggingCarrier(folder / f"{n}.taken", draw_last, "never") for n in CHANNELS})
                    site.run(3 * 3_600_000)
                    os._exit(0)
                live(site, seed * 1000 + kill, kill_at)
            os._exit(3)
        how = ("taken", "before", "after", "anywhere")[kill % 4] if kill < kills else "never"
        if how == "anywhere":
            time.sleep(draw.uniform(0.0, 0.25))
            os.kill(child, signal.SIGKILL)
        else:
            end = time.monotonic() + 3.0 if how != "never" else time.monotonic() + 60.0
            while os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
                if time.monotonic() > end:
                    os.kill(child, signal.SIGKILL)
                    break
                time.sleep(0.002)
        _, status = os.waitpid(child, 0)
        if os.WIFSIGNALED(status):
            killed[how] = killed.get(how, 0) + 1
        elif how != "never" or os.WEXITSTATUS(status) != 0:
            killed["ended by itself"] = killed.get("ended by itself", 0) + 1
    print(json.dumps({"raised": len(raised), "killed": killed} | reported(folder, raised)))


def reported(folder: Path, raised: list[str]) -> dict[str, dict[str, object]]:
    """What each channel has taken: how much, what of it never came, and whether the first times are in order."""
    found: dict[str, dict[str, object]] = {"taken": {}, "lost": {}, "out_of_order": {}}
    for channel in CHANNELS:
        lines = [json.loads(line) for line in (folder / f"{channel}.taken").read_text("utf-8").splitlines()]
        first: dict[str, tuple[int, int]] = {}
        for k, text in enumerate(lines):
            said = text.partition("Also standing")[0]
            for name in raised:
                if name in said:
                    first.setdefault(name, (k, said.index(name)))
        order = sorted(first, key=lambda name: first[name])
        found["taken"][channel] = len(lines)
        found["lost"][channel] = [name for name in raised if name not in first]
        found["out_of_order"][channel] = order != sorted(order)
    return found


if __name__ == "__main__":
    main()
