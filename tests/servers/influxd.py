"""A real time-series server as a process on loopback, with a fresh folder of its own; or one that somebody names."""

import csv
import io
import json
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
import uuid
from pathlib import Path
from typing import Any

__all__ = ["Influxd", "Influxd1", "NoServer", "Points", "free_port", "points_of_lines"]

BUILD = Path(__file__).with_name("build-influxd.sh")
Points = dict[tuple[str, int], dict[str, float | str]]
"""Fields by measurement with tags, and stamp in milliseconds."""


class NoServer(Exception):
    """It cannot be had here; says what to install."""


def built(line: str) -> Path:
    """The server's program. Raises NoServer."""
    done = subprocess.run(["sh", BUILD, "--have", line], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise NoServer(f"there is no server of version {line} to test against: {done.stderr.strip()}")
    return Path(done.stdout.strip().splitlines()[-1])


def free_port() -> int:
    """A port on loopback that nobody listens on."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


class Influxd:
    """Version 2, or any server with its interface at `url`: then it cannot be killed."""

    org = "test"

    def __init__(self, url: str | None = None, org: str | None = None, token: str | None = None) -> None:
        self.is_ours = url is None
        self._process: subprocess.Popen[bytes] | None = None
        if url is not None:
            self.url, self.org, self.token = url.rstrip("/"), org or "test", token or ""
            return
        self._program = built("2")
        self.folder = Path(tempfile.mkdtemp(prefix="rainstead-influxd-"))
        self.port = free_port()
        self.url, self.token = f"http://127.0.0.1:{self.port}", "a-test-token"
        self.start()
        told = {"username": "tester", "password": "not-a-secret", "org": self.org, "bucket": "first"}
        self.ask("POST", "/api/v2/setup", {**told, "token": self.token})

    # --- the process -------------------------------------------------------------------------------------------

    def _command(self) -> list[str]:
        at = self.folder
        return [
            str(self._program),
            *("--bolt-path", str(at / "influxd.bolt"), "--sqlite-path", str(at / "influxd.sqlite")),
            *("--engine-path", str(at / "engine"), "--http-bind-address", f"127.0.0.1:{self.port}"),
            *("--reporting-disabled", "--log-level", "error"),
        ]

    def start(self) -> None:
        """Begin, and wait until it answers."""
        with (self.folder / "said.txt").open("ab") as said:
            self._process = subprocess.Popen(self._command(), stdout=said, stderr=said)
        end_s = time.monotonic() + 60
        while not self._answers():
            if self._process.poll() is not None or time.monotonic() > end_s:
                raise RuntimeError(f"influxd does not start: {(self.folder / 'said.txt').read_text()[-2000:]}")
            time.sleep(0.05)

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/ready", timeout=2) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    @property
    def pid(self) -> int:
        """Of the process."""
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        """As a power cut does."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()

    def pause(self) -> None:
        """It hangs: connections are taken, nothing is answered."""
        os.kill(self.pid, signal.SIGSTOP)

    def go_on(self) -> None:
        """After `pause`."""
        os.kill(self.pid, signal.SIGCONT)

    def close(self) -> None:
        """Stop it and take its folder away."""
        if self._process is not None:
            self.kill()
            shutil.rmtree(self.folder, ignore_errors=True)

    # --- its interface -----------------------------------------------------------------------------------------

    def ask(self, method: str, path: str, body: Any = None, accept: str = "application/json") -> Any:
        """One request; JSON or text."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Token {self.token}", "Content-Type": "application/json", "Accept": accept}
        request = urllib.request.Request(f"{self.url}{path}", data, headers, method=method)
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                text = answer.read().decode()
        except urllib.error.HTTPError as error:
            raise RuntimeError(f"{method} {path}: {error.code} {error.read().decode()[:500]}") from None
        return json.loads(text) if text and accept.endswith("json") else text

    def new_bucket(self) -> str:
        """A bucket for one test."""
        name = f"test-{uuid.uuid4().hex[:12]}"
        (org,) = [one["id"] for one in self.ask("GET", f"/api/v2/orgs?org={self.org}")["orgs"]]
        self.ask("POST", "/api/v2/buckets", {"orgID": org, "name": name, "retentionRules": []})
        return name

    def drop_bucket(self, name: str) -> None:
        """Take it away with all that is in it."""
        for one in self.ask("GET", f"/api/v2/buckets?name={name}")["buckets"]:
            self.ask("DELETE", f"/api/v2/buckets/{one['id']}")

    def query(self, flux: str) -> list[dict[str, str]]:
        """Rows of a query's answer, all tables after one another."""
        body = {"query": flux, "type": "flux", "dialect": {"header": True, "annotations": []}}
        return rows_of_csv(self.ask("POST", f"/api/v2/query?org={self.org}", body, accept="application/csv"))

    def points(self, bucket: str) -> Points:
        """All that a bucket holds. For small buckets."""
        found: Points = {}
        flux = f'from(bucket: "{bucket}") |> range(start: 0, stop: 2100-01-01T00:00:00Z)'
        flux += " |> map(fn: (r) => ({r with ms: int(v: r._time) / 1000000}))"
        no_tags = {"", "result", "table", "ms"}
        for row in self.query(flux):
            tags = {k: v for k, v in row.items() if k not in no_tags and not k.startswith("_") and v}
            head = ",".join([row["_measurement"], *(f"{key}={tags[key]}" for key in sorted(tags))])
            found.setdefault((head, int(row["ms"])), {})[row["_field"]] = _value(row["_value"])
        return found

    def count(self, bucket: str, field: str = "quality") -> int:
        """How many values of a field there are; `quality`: how many readings."""
        flux = f'from(bucket: "{bucket}") |> range(start: 0, stop: 2100-01-01T00:00:00Z)'
        flux += f' |> filter(fn: (r) => r._field == "{field}") |> count() |> group() |> sum()'
        return sum(int(row["_value"]) for row in self.query(flux))


class Influxd1(Influxd):
    """Version 1.8: the same write and Flux paths, databases for buckets, no organisations."""

    org = "-"

    def __init__(self) -> None:
        self.is_ours = True
        self._program = built("1")
        self.folder = Path(tempfile.mkdtemp(prefix="rainstead-influxd1-"))
        self.port = free_port()
        self.url, self.token = f"http://127.0.0.1:{self.port}", "user:password"
        (self.folder / "influxd.conf").write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{free_port()}"\n'
            f'[meta]\n dir = "{self.folder}/meta"\n'
            f'[data]\n dir = "{self.folder}/data"\n wal-dir = "{self.folder}/wal"\n'
            f'[http]\n bind-address = "127.0.0.1:{self.port}"\n flux-enabled = true\n log-enabled = false\n'
            '[monitor]\n store-enabled = false\n[logging]\n level = "error"\n'
        )
        self.start()

    def _command(self) -> list[str]:
        return [str(self._program), "-config", str(self.folder / "influxd.conf")]

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/ping", timeout=2) as answer:
                return bool(answer.status == 204)
        except OSError:
            return False

    def new_bucket(self) -> str:
        """A database with its own retention policy."""
        name = f"test{uuid.uuid4().hex[:12]}"
        with urllib.request.urlopen(
            urllib.request.Request(f"{self.url}/query?q=CREATE+DATABASE+{name}", method="POST"), timeout=20
        ):
            return f"{name}/autogen"

    def drop_bucket(self, name: str) -> None:
        """Take the database away."""
        database = name.split("/", maxsplit=1)[0]
        with urllib.request.urlopen(
            urllib.request.Request(f"{self.url}/query?q=DROP+DATABASE+{database}", method="POST"), timeout=20
        ):
            pass


def rows_of_csv(text: str) -> list[dict[str, str]]:
    """Tables that a blank line parts, each with a header of its own."""
    found: list[dict[str, str]] = []
    for table in text.replace("\r\n", "\n").split("\n\n"):
        found += csv.DictReader(io.StringIO(table.strip("\n")))
    return found


def points_of_lines(lines: list[str]) -> Points:
    """Lines of the line protocol as a server would hold them: an independent and slow reading of them."""
    found: Points = {}
    for line in lines:
        head, fields, stamp = _split(line, " ")
        name, *tags = _split(head, ",")
        plain = ",".join([name, *sorted(_unescaped(tag) for tag in tags)])
        held = found.setdefault((plain, int(stamp)), {})
        for field in _split(fields, ","):
            key, value = field.split("=", 1)
            held[key] = _unescaped(value[1:-1]) if value.startswith('"') else float(value)
    return found


def _split(text: str, mark: str) -> list[str]:
    """At marks that are neither escaped nor within quotes."""
    parts, quoted, k = [""], False, 0
    while k < len(text):
        one = text[k]
        if one == "\\" and k + 1 < len(text):
            parts[-1] += text[k : k + 2]
            k += 2
            continue
        quoted ^= one == '"'
        if one == mark and not quoted:
            parts.append("")
        else:
            parts[-1] += one
        k += 1
    return parts


def _unescaped(text: str) -> str:
    plain, k = "", 0
    while k < len(text):
        k += text[k] == "\\" and k + 1 < len(text)
        plain += text[k]
        k += 1
    return plain


def _value(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
