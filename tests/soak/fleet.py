"""Part of `make soak`: many boards on one server: their steady state, and all of them back after a day without it.

Each board has a log of its own and a real forwarder with a connection of its own; a few processes hold them all. Logs
lie in memory where that can be had, for each board has a disk of its own. The day is simulated: the boards' back-off
runs to its full length on a faster clock, and the day's readings are put into each log at a moment of its own.

Run: .venv/bin/python tests/soak/fleet.py [--boards 1000] [--steady 180] [--every 30] [--history-every 240]
     [--processes 4] [--threads 32] [--together]; some ten minutes at full size. Needs what `make servers` builds.
"""

import argparse
import multiprocessing
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.extend(str(Path(__file__).parents[1] / place) for place in ("servers", "fakes", "bench"))

from comparing import compare
from fleet_boards import (
    BACK_OFF_S,
    END,
    LEVEL,
    MOST_RETURN_S,
    MOST_SETTLE_S,
    NEVER,
    OUTAGE,
    RETURN,
    SETTLE,
    STEADY,
    TEMPLATES,
    Plan,
    Shared,
    Template,
    Thread,
    folder_of,
    make_templates,
    name_of,
    worker,
)
from forwarded_site import expected_points, forward_table
from influxd import Influxd, NoServer
from measured import machine

BACK_OFF_PACE = 60.0
"""The outage as boards live through it: an hour, by when their waits are as long as they get."""
FIELDS = ("quality", "range_mm", "depth_m", "rain_mm", "flow_l_min", "volume_l", "duration_s", "limit")
"""Counted at the end; one of each measurement at least."""


def resident_mib(pid: int) -> float:
    """Of a process, now."""
    return int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def processor_s(pid: int) -> float:
    """Of a process, so far."""
    parts = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


class Watch:
    """Looks once a second."""

    def __init__(self, shared: Shared, server: Influxd, pids: Sequence[int]) -> None:
        self.shared, self.server, self.pids = shared, server, pids
        self.begin()

    def begin(self, *, server: bool = True) -> None:
        """A new part. server: whether there is one."""
        self.begun_s, self.begun_points = time.monotonic(), sum(self.shared.stored)
        self.begun_server_s, self.begun_boards_s = processor_s(self.server.pid) if server else 0.0, self._boards_s()
        self.server_mib = self.worst_lag_s = 0.0
        self.board_mib = 0.0

    def _boards_s(self) -> float:
        return sum(processor_s(pid) for pid in self.pids)

    def look(self, *, server: bool = True) -> None:
        """Once."""
        if self.shared.failed.value:
            raise RuntimeError("a board failed; see above")
        if server:
            self.server_mib = max(self.server_mib, resident_mib(self.server.pid))
        self.board_mib = max(self.board_mib, sum(resident_mib(pid) for pid in self.pids))
        oldest = min(self.shared.oldest)
        if oldest != NEVER:
            self.worst_lag_s = max(self.worst_lag_s, time.monotonic() - oldest)

    def rate(self) -> tuple[float, float, float]:
        """Points a second, and processor seconds a second of server and boards."""
        passed_s = time.monotonic() - self.begun_s
        return (
            (sum(self.shared.stored) - self.begun_points) / passed_s,
            (processor_s(self.server.pid) - self.begun_server_s) / passed_s,
            (self._boards_s() - self.begun_boards_s) / passed_s,
        )


def main() -> None:
    """Run, print, judge; exit code 1 where a point is lost, doubled or changed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=1000)
    parser.add_argument("--steady", type=float, default=180.0, help="seconds of the steady state")
    parser.add_argument("--every", type=float, default=30.0, help="seconds between level readings, and commits")
    parser.add_argument("--history-every", type=float, default=240.0, help="the same in the day of the outage")
    parser.add_argument("--processes", type=int, default=4)
    parser.add_argument("--threads", type=int, default=32, help="of each process: so many boards can write at once")
    parser.add_argument("--together", action="store_true", help="all boards begin in one moment, with no back-off")
    asked = parser.parse_args()
    plan = Plan(
        asked.boards, asked.steady, asked.every, asked.history_every, asked.processes, asked.threads, asked.together
    )
    try:
        server = Influxd()
    except NoServer as error:
        print(f"fleet: nothing is tried, {error}")
        return
    in_memory = Path("/dev/shm")
    place = Path(tempfile.mkdtemp(prefix="rainstead-fleet-", dir=in_memory if in_memory.is_dir() else None))
    cores = len(os.sched_getaffinity(0))
    print(f"a fleet of {plan.boards} boards; {machine()}, shared; boards and server on {cores} of the cores")
    children: list[Any] = []
    shared = Shared(plan)
    try:
        is_well = run(plan, shared, server, place, children)
    finally:
        shared.phase.value = END
        for one in children:
            one.join(5)
            if one.is_alive():
                one.kill()
        server.close()
        shutil.rmtree(place, ignore_errors=True)
    sys.exit(0 if is_well else 1)


def run(plan: Plan, shared: Shared, server: Influxd, place: Path, children: list[Any]) -> bool:
    """All of it."""
    bucket = server.new_bucket()
    begun_s = time.monotonic()
    templates = make_templates(plan)
    told: Any = multiprocessing.Queue()
    table = forward_table(server, bucket)
    rooms = plan.processes * plan.threads
    for k in range(plan.processes):
        mine = [range(k * plan.threads + j, plan.boards, rooms) for j in range(plan.threads)]
        threads = [Thread(plan, shared, templates, one, place, table, server.token) for one in mine]
        children.append(multiprocessing.Process(target=worker, args=(threads, told), daemon=True))
        children[-1].start()
    watch = Watch(shared, server, [one.pid for one in children])
    while sum(shared.ready) < plan.boards:
        watch.look()
        time.sleep(0.2)
    print(f"  {plan.processes} processes of {plan.threads} threads; built in {time.monotonic() - begun_s:.0f} s")
    steady(plan, shared, watch)
    outage(plan, shared, watch, templates)
    server.start()
    comeback(plan, shared, watch, templates)
    finish(shared, watch, templates)
    waits: dict[int, list[float]] = {STEADY: [], RETURN: []}
    said: list[tuple[int, str]] = []
    for _ in children:
        some, lines = told.get(timeout=120)
        said += lines
        for phase, values in some.items():
            waits[phase] += values
    for phase, name in ((STEADY, "in the steady state"), (RETURN, "after the return")):
        if waits[phase]:
            print(f"  from commit to stored, {name}: {_spread(np.array(waits[phase]))}")
        troubles = [line for when, line in said if when == phase and line.startswith("nothing")]
        print(f"  writes that failed {name}: {len(troubles)} {sorted(set(troubles))[:2] if troubles else ''}")
    return judge(plan, server, bucket, place)


def steady(plan: Plan, shared: Shared, watch: Watch) -> None:
    """The hour that each log begins with is sent first, and is no part of the figures."""
    shared.turn(SETTLE)
    begun_s = time.monotonic()
    while min(shared.settled) < 1 and time.monotonic() - begun_s < MOST_SETTLE_S:
        _look_for(watch, 1)
    settled = sum(one > 0 for one in shared.settled)
    print(f"  {settled:.0f} boards had sent the hour they began with after {time.monotonic() - begun_s:.0f} s")
    shared.turn(STEADY)
    watch.begin()
    _look_for(watch, plan.steady_s)
    print(f"  steady state: levels every {plan.every_s:g} s, each board commits as often")
    _row("points a second", f"{watch.rate()[0]:,.0f}")
    _row("slowest board", f"at most {watch.worst_lag_s:.1f} s from commit to stored")
    _machine(plan, watch)


def outage(plan: Plan, shared: Shared, watch: Watch, templates: Sequence[Template]) -> None:
    """A day of readings comes into each log, and nothing goes out."""
    shared.turn(OUTAGE, BACK_OFF_PACE)
    watch.server.kill()
    watch.begin(server=False)
    while time.monotonic() - watch.begun_s < BACK_OFF_S or min(shared.at) < templates[0].day:
        watch.look(server=False)
        time.sleep(0.5)
    print("  a day without a server")
    _row("resident", _each(watch.board_mib, plan))


def comeback(plan: Plan, shared: Shared, watch: Watch, templates: Sequence[Template]) -> None:
    """Until every board's day is through."""
    shared.turn(RETURN)
    back_s = time.monotonic()
    watch.begin()
    samples = [(0.0, list(shared.stored))]
    while max(shared.done_s) == NEVER and time.monotonic() - back_s < MOST_RETURN_S - 60:
        watch.look()
        time.sleep(1)
        samples.append((time.monotonic() - back_s, list(shared.stored)))
        if len(samples) % 60 == 0:
            through = sum(one != NEVER for one in shared.done_s)
            many = sum(shared.stored) - sum(samples[0][1])
            print(f"    … {samples[-1][0]:.0f} s: {many:,.0f} points, {through} boards are through", flush=True)
    sent = np.array([one for _, one in samples]) - np.array(samples[0][1])
    passed_s, total = np.array([s for s, _ in samples]), sent.sum(axis=1)
    ten_s = np.searchsorted(passed_s, passed_s + 10)
    rates = [(total[b] - total[a]) / (passed_s[b] - passed_s[a]) for a, b in enumerate(ten_s) if b < len(total)]
    first = np.array(shared.at_newest) - np.array(samples[0][1])
    waiting = sum(len(templates[k % TEMPLATES].pieces[templates[0].day].rows) for k in range(plan.boards))
    how = "began anew in one moment" if plan.together else "tried again as their waits ended"
    print(f"  the server is back: levels every {plan.history_every_s:g} s in the day; boards {how}")
    _row("readings waiting", f"{waiting:,}")
    best = f"; best ten seconds {max(rates):,.0f}" if rates else ""
    _row("points a second", f"{watch.rate()[0]:,.0f} until the last board was through{best}")
    _row("newest reading there", _spread(np.array(shared.first_s) - back_s))
    _row("all of the day there", _spread(np.array(shared.done_s) - back_s))
    _row("sent before the newest", f"{np.median(first):,.0f} of a board's {np.median(sent[-1]):,.0f} points (medians)")
    _row("a board's day took", _spread(np.array(shared.done_s) - np.array(shared.first_s)))
    if plan.together:
        half = sent[int(np.searchsorted(total, total[-1] / 2))]
        _row("fairness", f"{_jain(half):.2f} at half of all points (Jain's index of the boards' shares; 1: all alike)")
    _machine(plan, watch)


def finish(shared: Shared, watch: Watch, templates: Sequence[Template]) -> None:
    """All logs of a history to one length, and all of them sent."""
    shared.target.value = min(round(max(shared.at)) + 1, len(templates[0].pieces) - 1)
    shared.turn(LEVEL)
    stop_s = time.monotonic() + 300
    before = -1.0
    while time.monotonic() < stop_s and (min(shared.at) < shared.target.value or before != sum(shared.stored)):
        before = sum(shared.stored)
        time.sleep(11)  # two rounds of an idle forwarder
        watch.look()
    shared.turn(END)


def judge(plan: Plan, server: Influxd, bucket: str, place: Path) -> bool:
    """Every board's points counted; one board of each history compared point by point."""
    got: dict[str, dict[str, int]] = {}
    window = "range(start: 0, stop: 2100-01-01T00:00:00Z)"
    for name in FIELDS:
        wanted = f'r._field == "{name}" and r._measurement != "site"'
        rows = server.query(
            f'from(bucket: "{bucket}") |> {window} |> filter(fn: (r) => {wanted})'
            ' |> count() |> group(columns: ["site"]) |> sum()'
        )
        for row in rows:
            got.setdefault(row["site"], {})[name] = int(row["_value"])
    points, wrong, closely = 0, [], 0
    for k in range(min(TEMPLATES, plan.boards)):
        all_points = expected_points(folder_of(place, k))
        counts = {name: sum(name in fields for fields in all_points.values()) for name in FIELDS}
        counts = {name: count for name, count in counts.items() if count}
        told = compare(server, bucket, all_points, name_of(k))
        closely += told.wanted
        if not told.agrees:
            wrong += [f"{name_of(k)}: {one}" for one in told.examples]
        for number in range(k, plan.boards, TEMPLATES):
            points += len(all_points)
            if got.get(name_of(number)) != counts:
                wrong.append(f"{name_of(number)}: {got.get(name_of(number))} for {counts}")
    others = set(got) - {name_of(number) for number in range(plan.boards)}
    wrong += [f"{one}: nobody's" for one in others]
    print(f"  {points:,} points are wanted: counted by field for each board, {closely:,} compared one by one")
    disk = sum(one.stat().st_size for one in (server.folder / "engine").rglob("*") if one.is_file())
    print(f"  on the server's disk {disk / 1e6:,.0f} MB, {disk / points:.1f} bytes a point, its write-ahead log in it")
    print(f"  lost, doubled, changed: {'none' if not wrong else 'SOME'}")
    for line in wrong[:10]:
        print(f"    WRONG {line}")
    return not wrong


def _look_for(watch: Watch, seconds: float) -> None:
    stop_s = time.monotonic() + seconds
    while time.monotonic() < stop_s:
        watch.look()
        time.sleep(1)


def _row(title: str, text: str) -> None:
    print(f"    {title:<24}{text}", flush=True)


def _each(mib: float, plan: Plan) -> str:
    return f"boards {mib:.0f} MiB together, {mib / plan.boards:.2f} each"


def _machine(plan: Plan, watch: Watch) -> None:
    _, server_s, boards_s = watch.rate()
    _row("processor", f"server {server_s:.2f}, boards {boards_s:.2f} of a core")
    _row("resident", f"server {watch.server_mib:.0f} MiB; {_each(watch.board_mib, plan)}")


def _spread(values_s: Any) -> str:
    if np.any(values_s > NEVER / 2):
        return f"NOT ALL: {int(np.sum(values_s > NEVER / 2))} boards are not through"
    middle, high, most = np.quantile(values_s, [0.5, 0.99, 1])
    return f"median {middle:.1f} s, 99 of 100 under {high:.1f} s, slowest {most:.1f} s"


def _jain(shares: Any) -> float:
    return float(shares.sum() ** 2 / (len(shares) * (shares**2).sum())) if shares.any() else 1.0


if __name__ == "__main__":
    main()
