"""The README's section on several sites: its commands, as they are printed, on a real server."""

import os
import re
import shutil
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from influxd import Influxd

from rainstead.dashboards import BOARDS
from rainstead.forward import read_standing, server_name
from rainstead.log import LogReader
from rainstead.settings import load_settings

pytestmark = pytest.mark.xdist_group("server")
README = Path(__file__).parents[2] / "README.md"
PRINTED_URL = "http://127.0.0.1:8086"


def blocks() -> list[str]:
    (section,) = re.findall(r"(?ms)^### Several sites on one server\n(.*?)^## ", README.read_text("utf-8"))
    return re.findall(r"(?ms)^```\n(.*?)^```", section)


class Shell:
    """A person at a prompt: the README's lines, with this server's address and organisation."""

    def __init__(self, folder: Path, url: str, org: str, tokens: dict[str, str]) -> None:
        self.folder, self._url, self._org, self._tokens = folder, url, org, tokens
        path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
        self._environment = {"PATH": path, "HOME": str(folder), "COLUMNS": "160", "LC_ALL": "C.UTF-8"}
        self.going_on: list[subprocess.Popen[bytes]] = []

    def _here(self, block: str) -> str:
        return re.sub(r'(?<=org = ")home|(?<=-org )home', self._org, block.replace(PRINTED_URL, self._url))

    def run(self, block: str) -> str:
        """To its end, with the token typed that a comment asks for; what it said."""
        typed = next((token for mark, token in self._tokens.items() if mark in block), "")
        done = subprocess.run(
            ["bash", "-ec", self._here(block)],
            cwd=self.folder,
            env=self._environment,
            input=typed + "\n",
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=90,
            check=False,
        )
        assert done.returncode == 0, f"{block}\n{done.stdout}"
        return done.stdout

    def begin(self, block: str) -> None:
        """What goes on in the background."""
        with (self.folder / "said.txt").open("wb") as said:
            self.going_on.append(
                subprocess.Popen(
                    ["bash", "-c", f"{self._here(block)} wait"],
                    cwd=self.folder,
                    env=self._environment,
                    stdout=said,
                    stderr=said,
                    start_new_session=True,
                )
            )

    def end(self) -> None:
        """Stop all of it."""
        for one in self.going_on:
            os.killpg(one.pid, signal.SIGTERM)
            one.wait(20)


@pytest.fixture
def shell(real_server: Influxd, tmp_path: Path) -> Iterator[Shell]:
    """In an empty folder but for .venv; an organisation with a bucket and the two tokens that the README asks for."""
    org = f"home-{uuid.uuid4().hex[:8]}"
    number = real_server.ask("POST", "/api/v2/orgs", {"name": org})["id"]
    bucket = real_server.ask("POST", "/api/v2/buckets", {"orgID": number, "name": "water", "retentionRules": []})["id"]

    def token(*permissions: Any) -> str:
        return str(
            real_server.ask("POST", "/api/v2/authorizations", {"orgID": number, "permissions": permissions})["token"]
        )

    both = ("read", "write")
    kinds = ("buckets", "dashboards", "tasks", "checks", "variables", "labels")
    plain = token(*({"action": one, "resource": {"type": "buckets", "id": bucket, "orgID": number}} for one in both))
    full = token(
        *({"action": one, "resource": {"type": kind, "orgID": number}} for kind in kinds for one in both),
        *({"action": one, "resource": {"type": "orgs", "id": number}} for one in both),
    )
    (tmp_path / ".venv").symlink_to(Path(sys.executable).parents[1])
    one = Shell(tmp_path, real_server.url, org, {"may read and write": plain, "all access": full})
    yield one
    one.end()
    real_server.ask("DELETE", f"/api/v2/orgs/{number}")


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.skipif(shutil.which("bash") is None, reason="there is no bash here")
def test_a_new_user_comes_from_nothing_to_dashboards(shell: Shell) -> None:
    said: dict[str, str] = {}
    for block in blocks():
        if block.rstrip().endswith("&"):
            shell.begin(block)
            wait_until_sent(shell)
        else:
            said[block] = shell.run(block)
    (sites,) = [text for block, text in said.items() if "rainstead sites" in block]
    told, again = sites.split("bucket water")[1:3]
    for name in ("Quillfeather Rise (invented)", "Tawny Creek (invented)"):
        assert name in told and name in again
    assert "Fire reserve 9,000 L: " in again and "storm" in again, "of the desk"
    (sent,) = [text for block, text in said.items() if "--send" in block]
    assert all(board.name in sent for board in BOARDS)


def wait_until_sent(shell: Shell) -> None:
    """Until a server has all that the two logs hold."""
    end_s = time.monotonic() + 90
    for site in ("hill", "creek"):
        folder = shell.folder / site
        forward = load_settings(folder / "site.toml").forward
        assert forward is not None
        with LogReader(folder) as reader:
            last_ms = reader.last_before_ms(2**62)
        while True:
            standing = read_standing(folder, server_name(forward))
            if standing is not None and standing.cursor.forwarded_upto_ms() == last_ms:
                break
            assert time.monotonic() < end_s, (standing, (shell.folder / "said.txt").read_text("utf-8"))
            time.sleep(0.2)
