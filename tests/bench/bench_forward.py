"""The forwarder beside the bare client: speed, memory over months of backlog, and what an outage costs each of them.

Run: .venv/bin/python tests/bench/bench_forward.py [speed] [outage]; minutes each. Needs what `make servers` builds.
"""

import json
import logging
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.extend(str(Path(__file__).parents[1] / place) for place in ("bench", "servers", "fakes"))

from comparing import compare
from forwarded_site import END_MS, columns_of, expected_points, forward_table, settings_of, settings_text
from growing_site import GrowingSite, Piece, pieces
from influxd import Influxd, NoServer
from measured import cpu_s, machine, resident_mib

from rainstead.forward import Answer, Forwarder, InfluxServer, Server, Word, read_standing, server_name
from rainstead.forward.process import server_of
from rainstead.settings import parse_settings

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
MONTHS_DAYS, MONTHS_EVERY_S = 90, 30.0
TIMES = 600
"""How much faster than life the site of the outage lives: then it makes some 400 points a second."""
BEFORE_S, OUTAGE_S, AFTER_S, MOST_S = 20, 240, 20, 420
"""The outage is longer than the 180 s for which the client's batching tries again by default."""


def main() -> None:
    """Print the figures: of the parts named on the command line, or of all."""
    if sys.argv[1:2] == ["child"]:
        CHILDREN[sys.argv[2]](*sys.argv[3:])
        return
    parts = {"speed": _speed, "outage": _outage}
    try:
        server = Influxd()
    except NoServer as error:
        print(f"forwarding: nothing is measured, {error}")
        return
    print(f"forwarding to a real server on loopback; {machine()}, shared")
    try:
        for name in sys.argv[1:] or list(parts):
            with tempfile.TemporaryDirectory() as folder:
                parts[name](Path(folder), server)
    finally:
        server.close()


def _child(mode: str, *arguments: object) -> dict[str, Any]:
    done = subprocess.run(_command(mode, *arguments), capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{mode}: {done.stderr}")
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def _command(mode: str, *arguments: object) -> list[str]:
    return [sys.executable, __file__, "child", mode, *map(str, arguments)]


# --- speed, and memory over months ---


def _speed(folder: Path, server: Influxd) -> None:
    _child("months", folder / "site", server.url, server.org, server.token, server.new_bucket())
    without = folder / "without"
    shutil.copytree(folder / "site", without)
    with sqlite3.connect(without / "readings.db") as db:
        db.execute("DELETE FROM checkpoint")
    db.close()
    dry = _child("dry", folder / "site", folder / "lines")
    named = (server.url, server.org, server.token)
    bare_a = _child("bare", folder / "lines", *named, server.new_bucket())
    ours = _child("forward", folder / "site")
    bare_b = _child("bare", folder / "lines", *named, server.new_bucket())
    fresh = _child("forward", without)
    print(f"  {MONTHS_DAYS} days of the demo's site, levels every {MONTHS_EVERY_S:g} s: {ours['lines']:,} points wait")
    bare = (bare_a["rate"] + bare_b["rate"]) / 2
    _row("bare client", f"{bare_a['rate']:,.0f} and {bare_b['rate']:,.0f} points a second, pre-rendered, 5,000 a write")
    _row("forwarder", f"{ours['rate']:,.0f} points a second: {ours['rate'] / bare:.2f} × the bare client")
    _row("", f"{dry['rate']:,.0f} with a server that takes no time; {ours['cpu_s'] / ours['lines'] * 1e6:.0f} µs of")
    _row("", f"processor a point, the client's own work in it ({bare_a['cpu_s'] / bare_a['lines'] * 1e6:.0f} µs bare)")
    _memory("resident", ours)
    _memory("with no state kept", fresh)
    _row("bare client, resident", f"{bare_a['peak_mib']:.1f} MiB")


def _memory(title: str, told: dict[str, Any]) -> None:
    days, mib = np.array(told["days"]), np.array(told["mib"])
    # What is loaded, and the first packages, are no growth.
    settled = days >= days.max() * 0.1
    slope = np.polyfit(days[settled], mib[settled] * 1024, 1)[0] * 30
    _row(title, f"{mib[settled].min():.1f}–{mib[settled].max():.1f} MiB, {slope:+.0f} KiB a month of backlog")
    _row("", f"at most {told['peak_mib']:.1f} MiB; {told['lines'] / told['seconds']:,.0f} points a second")


def _months(folder: str, url: str, org: str, token: str, bucket: str) -> None:
    """A log as a logger leaves it: sealed, with a state kept each day."""
    table = f'url = "{url}"\norg = "{org}"\nbucket = "{bucket}"\ntoken_file = "server.token"\n'
    text = f"{settings_text()}\n[forward]\n{table}"
    settings = parse_settings(text, "site.toml")
    columns = columns_of(settings, days=MONTHS_DAYS, every_s=MONTHS_EVERY_S)
    first_ms = END_MS - MONTHS_DAYS * DAY_MS
    site = GrowingSite(Path(folder), text, token, first_ms)
    edges_ms = range(first_ms - first_ms % DAY_MS + DAY_MS, END_MS + DAY_MS, DAY_MS)
    for piece in pieces(settings, columns, edges_ms):
        site.add(piece)
        while site.seal():
            pass
    site.close()
    print("{}")


class _Dry:
    """A server that takes no time, and keeps what it is sent in a file."""

    def __init__(self, name: str, path: Path) -> None:
        self.name, self._file = name, path.open("w", encoding="utf-8")
        self.lines, self.used_s = 0, 0.0

    def write(self, lines: Sequence[str]) -> Answer:
        """See Server."""
        begun_s = time.perf_counter()
        self._file.write("\n".join(lines) + "\n\n")
        self.lines += len(lines)
        self.used_s += time.perf_counter() - begun_s
        return Answer(Word.STORED)

    def delete(self, site: str, from_ms: int, upto_ms: int, only: Sequence[str] = ()) -> Answer:  # noqa: ARG002
        """See Server."""
        return Answer(Word.STORED)

    def close(self) -> None:
        """All of it is in the file."""
        self._file.close()


def _all_through(folder: Path, server: Server) -> dict[str, Any]:
    forwarder = Forwarder(settings_of(folder), folder, server)
    days: list[float] = []
    mib: list[float] = []
    begun_s, begun_cpu_s, now_ms, whole_ms = time.perf_counter(), cpu_s(), 0, 0
    while True:
        now_ms = max(forwarder.step(now_ms, END_MS), now_ms)
        health = forwarder.health()
        whole_ms = max(whole_ms, health.backlog_ms)
        sent_days = (whole_ms - health.backlog_ms) / DAY_MS
        if forwarder.is_idle and (not days or sent_days - days[-1] >= 0.5):
            days.append(sent_days)
            mib.append(resident_mib())
        if forwarder.is_idle and health.lag_ms == health.backlog_ms == 0:
            break
        if health.word is not Word.STORED:
            raise RuntimeError(health.reason)
    seconds = time.perf_counter() - begun_s
    forwarder.close()
    told = {"lines": health.stored, "seconds": seconds, "rate": health.stored / seconds, "cpu_s": cpu_s() - begun_cpu_s}
    return {**told, "days": days, "mib": mib, "peak_mib": _peak_mib("self")}


def _forward(folder: str) -> None:
    settings = settings_of(Path(folder))
    assert settings.forward is not None
    server = server_of(settings.forward, Path(folder))
    print(json.dumps(_all_through(Path(folder), server)))
    server.close()


def _dry(folder: str, lines: str) -> None:
    # Another name: the cursor for the real server stays where it is.
    copy = Path(lines + "-site")
    shutil.copytree(folder, copy)
    server = _Dry("dry", Path(lines))
    told = _all_through(copy, server)
    server.close()
    print(json.dumps({**told, "rate": told["lines"] / (told["seconds"] - server.used_s)}))


def _bare(lines: str, url: str, org: str, token: str, bucket: str) -> None:
    """Ready-made lines through the client's synchronous writes: what is read from the file is not timed."""
    server = InfluxServer(url=url, org=org, bucket=bucket, token=token)
    seconds = used_s = 0.0
    many = 0
    for some in _by_5000(Path(lines)):
        begun_s, begun_cpu_s = time.perf_counter(), cpu_s()
        answer = server.write(some)
        seconds, used_s = seconds + time.perf_counter() - begun_s, used_s + cpu_s() - begun_cpu_s
        many += len(some)
        if answer.word is not Word.STORED:
            raise RuntimeError(answer.reason)
    server.close()
    told = {"lines": many, "rate": many / seconds, "cpu_s": used_s, "peak_mib": _peak_mib("self")}
    print(json.dumps(told))


def _by_5000(path: Path) -> Iterator[list[str]]:
    some: list[str] = []
    with path.open(encoding="utf-8") as file:
        for line in file:
            if line != "\n":
                some.append(line[:-1])
            if len(some) == 5000:
                yield some
                some = []
    if some:
        yield some


def _peak_mib(pid: int | str) -> float:
    told = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) / 1024 for line in told.splitlines() if line.startswith("VmHWM"))


# --- the same outage for both ---


class _Sender:
    """A process that sends, and what is seen of it."""

    def __init__(self, title: str, bucket: str, command: list[str]) -> None:
        self.title, self.bucket, self._command = title, bucket, command
        self.before_mib = self.peak_mib = 0.0
        self.killed = False
        self.begin()

    def begin(self) -> None:
        self.process = subprocess.Popen(self._command, stderr=subprocess.DEVNULL)

    def kill(self) -> None:
        self.look()
        self.process.kill()
        self.process.wait()
        self.killed = True
        self.begin()

    def look(self) -> None:
        if self.process.poll() is None:
            self.peak_mib = max(self.peak_mib, _peak_mib(self.process.pid))

    def end(self, most_s: float) -> None:
        self.look()
        try:
            self.process.wait(timeout=most_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def _outage(folder: Path, server: Influxd) -> None:
    seconds = BEFORE_S + OUTAGE_S + AFTER_S
    first_ms = END_MS - 4 * DAY_MS
    settings = parse_settings(settings_text(), "site.toml")
    columns = columns_of(settings, days=4, every_s=10.0)
    edges_ms = [first_ms + (k + 1) * TIMES * 1000 for k in range(seconds)]
    made = list(pieces(settings, columns, edges_ms))
    lines = folder / "lines"
    _render(folder / "dry", made, first_ms, lines)

    sites: list[GrowingSite] = []
    senders: list[_Sender] = []
    forwarder = "from rainstead.forward.process import main; main()"
    begin_s = time.time() + 10
    for name in ("forwarder", "forwarder, killed"):
        bucket = server.new_bucket()
        text = settings_text() + forward_table(server, bucket)
        sites.append(GrowingSite(folder / name, text, server.token, first_ms))
        senders.append(_Sender(name, bucket, [sys.executable, "-c", forwarder, str(folder / name)]))
    for name in ("client's batching", "client's batching, killed"):
        bucket = server.new_bucket()
        named = (lines, first_ms, begin_s, server.url, server.org, server.token, bucket)
        senders.append(_Sender(name, bucket, _command("batching", *named)))

    kill_at = BEFORE_S + OUTAGE_S // 2
    for k, piece in enumerate(made):
        time.sleep(max(0.0, begin_s + k + 1 - time.time()))
        for site in sites:
            site.add(piece, keep_state=k % 6 == 0)
        for one in senders:
            one.look()
            if k == BEFORE_S:
                one.before_mib = one.peak_mib
            if k == kill_at and "killed" in one.title:
                one.kill()
        if k == BEFORE_S:
            server.kill()
        if k == BEFORE_S + OUTAGE_S:
            server.start()
    _wait_for_all(sites)
    for one in senders:
        if "forwarder" in one.title:
            one.process.terminate()
        one.end(200)
    wanted = expected_points(sites[0].folder)
    print(
        f"  the same {len(wanted):,} points for all, {len(wanted) / seconds:,.0f} a second for {seconds} s; no"
        f" server for {OUTAGE_S} s,\n  in the middle of which two of the four are killed and begun again"
    )
    for one in senders:
        told = compare(server, one.bucket, wanted, settings.site.name)
        title = one.title.partition(",")[0] + (", killed" if one.killed else "")
        _row(title, f"lost {told.missing:,}; resident {one.before_mib:.1f} MiB before, at most {one.peak_mib:.1f} MiB")
        if told.different or told.too_many:
            _row("", f"WRONG: {told.examples[:3]}")
    for site in sites:
        site.close()


def _wait_for_all(sites: Sequence[GrowingSite]) -> None:
    """Their back-off has grown to minutes by now."""
    stop_s = time.monotonic() + MOST_S
    for site in sites:
        assert site.settings.forward is not None
        while time.monotonic() < stop_s:
            standing = read_standing(site.folder, server_name(site.settings.forward))
            if standing and not standing.cursor.stretches and standing.cursor.live_ms == site.newest_ms:
                break
            time.sleep(1)


def _render(folder: Path, made: Sequence[Piece], first_ms: int, lines: Path) -> None:
    """What the forwarder would send, in order of time."""
    site = GrowingSite(folder, settings_text(), "", first_ms)
    for piece in made:
        site.add(piece, seal=False)
    site.close()
    server = _Dry("dry", lines)
    _all_through(folder, server)
    server.close()
    told = {line for line in lines.read_text(encoding="utf-8").splitlines() if line and not line.startswith("site,")}
    lines.write_text("\n".join(sorted(told, key=_stamp)) + "\n", encoding="utf-8")


def _stamp(line: str) -> int:
    return int(line.rsplit(" ", 1)[1])


def _batching(lines: str, first_ms: str, begin_s: str, url: str, org: str, token: str, bucket: str) -> None:
    """The client's own batching with its defaults: each line is handed to it when its time has come."""
    from influxdb_client.client.influxdb_client import InfluxDBClient
    from influxdb_client.client.write_api import WriteOptions
    from influxdb_client.domain.write_precision import WritePrecision

    logging.disable(logging.CRITICAL)
    client: Any = InfluxDBClient(url=url, org=org, token=token, enable_gzip=True)
    api = client.write_api(write_options=WriteOptions())
    ms: Any = WritePrecision.MS
    with Path(lines).open(encoding="utf-8") as file:
        line = file.readline()
        if _passed_ms(begin_s) > 10_000 * TIMES:
            # Begun again: it goes on with what is new, for what was in its memory is gone.
            while line and _stamp(line) - int(first_ms) <= _passed_ms(begin_s):
                line = file.readline()
        while line:
            now_ms, some = int(first_ms) + _passed_ms(begin_s), []
            while line and _stamp(line) <= now_ms:
                some.append(line[:-1])
                line = file.readline()
            if some:
                api.write(bucket=bucket, record=some, write_precision=ms)
            time.sleep(0.1)
    api.close()
    client.close()


def _passed_ms(begin_s: str) -> float:
    return (time.time() - float(begin_s)) * 1000 * TIMES


def _row(title: str, text: str) -> None:
    print(f"    {title:<28}{text}", flush=True)


CHILDREN: dict[str, Callable[..., None]] = {
    "months": _months,
    "dry": _dry,
    "forward": _forward,
    "bare": _bare,
    "batching": _batching,
}

if __name__ == "__main__":
    main()
