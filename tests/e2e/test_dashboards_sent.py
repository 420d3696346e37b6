"""`rainstead dashboards --send` on a real server: there once, brought up to date later, and clear where it fails."""

import subprocess
import sys
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from influxd import Influxd
from small_site import SETTINGS

from rainstead.dashboards import BOARDS, PERIODS

pytestmark = pytest.mark.xdist_group("server")
BUCKET = "the hills' water"
NAMES = [*(board.name for board in BOARDS), *(period.name for period in PERIODS), "A site is silent"]


@dataclass(frozen=True, slots=True)
class Place:
    """An organisation of its own on the server."""

    server: Influxd
    org: str
    org_id: str

    def token(self, *permissions: tuple[str, str]) -> str:
        """A new one with these rights alone."""
        granted = [
            {"action": action, "resource": {"type": kind, "id" if kind == "orgs" else "orgID": self.org_id}}
            for action, kind in permissions
        ]
        body = {"orgID": self.org_id, "permissions": granted}
        return str(self.server.ask("POST", "/api/v2/authorizations", body)["token"])

    def there(self) -> dict[str, list[tuple[str, str]]]:
        """Name and number of all that the server has in this organisation."""
        found = {}
        for kind in ("dashboards", "tasks", "checks", "variables", "labels", "buckets"):
            all_of_it = self.server.ask("GET", f"/api/v2/{kind}?orgID={self.org_id}")[kind]
            found[kind] = sorted((one["name"], one["id"]) for one in all_of_it if one.get("type") != "system")
        return found


@pytest.fixture(scope="module")
def place(real_server: Influxd) -> Iterator[Place]:
    name = f"valley {uuid.uuid4().hex[:8]}"
    number = real_server.ask("POST", "/api/v2/orgs", {"name": name})["id"]
    real_server.ask("POST", "/api/v2/buckets", {"orgID": number, "name": BUCKET, "retentionRules": []})
    yield Place(real_server, name, number)
    real_server.ask("DELETE", f"/api/v2/orgs/{number}")


def all_rights(place: Place) -> str:
    kinds = ("orgs", "buckets", "dashboards", "tasks", "checks", "variables", "labels")
    return place.token(*((action, kind) for kind in kinds for action in ("read", "write")))


def make_site(folder: Path, place: Place, token: str, *, url: str | None = None, org: str | None = None) -> Path:
    table = (
        f'\n[forward]\nurl = "{url or place.server.url}"\norg = "{org or place.org}"\nbucket = "{BUCKET}"\n'
        'token_file = "server.token"\n'
    )
    (folder / "site.toml").write_text(SETTINGS + table, encoding="utf-8")
    (folder / "server.token").write_text(token + "\n", encoding="utf-8")
    return folder


def send(site: Path, *options: str) -> tuple[int, str, str]:
    """Exit code, output, complaint."""
    done = subprocess.run(
        [sys.executable, "-c", "from rainstead.cli import main; main()", "dashboards", "--send", *options],
        env={"RAINSTEAD_SITE": str(site), "COLUMNS": "200"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def test_sent_twice_it_is_there_once_and_what_was_taken_away_is_there_again(place: Place, tmp_path: Path) -> None:
    site = make_site(tmp_path, place, all_rights(place))
    code, said, complaint = send(site)
    assert (code, complaint) == (0, "")
    assert sorted(said.splitlines()) == sorted(f"{place.server.url}: {name}" for name in NAMES)
    first = place.there()
    assert [name for name, _ in first["dashboards"]] == sorted(board.name for board in BOARDS)
    assert {period.name for period in PERIODS} <= {name for name, _ in first["tasks"]}
    assert [name for name, _ in first["buckets"]] == sorted([BUCKET, f"{BUCKET}_rollup"])
    assert [name for name, _ in first["checks"]] == ["A site is silent"]

    assert send(site)[:2] == (0, said)
    assert place.there() == first

    place.server.ask("DELETE", f"/api/v2/dashboards/{dict(first['dashboards'])['Water']}")
    assert send(site)[:2] == (0, said)
    assert [name for name, _ in place.there()["dashboards"]] == [name for name, _ in first["dashboards"]]


def test_a_token_of_its_own_may_be_named(place: Place, tmp_path: Path) -> None:
    site = make_site(tmp_path, place, "not a token")
    (tmp_path / "admin.token").write_text(all_rights(place), encoding="utf-8")
    assert send(site, "--token-file", str(tmp_path / "admin.token"))[0] == 0


@pytest.mark.parametrize(
    ("wrong", "options", "reason"),
    [
        ({"token": "wrong"}, [], "401: the token is not accepted"),
        ({"url": "http://127.0.0.1:9"}, [], "http://127.0.0.1:9: does not answer"),
        ({"org": "nobody"}, [], "there is no organisation 'nobody'"),
        ({}, ["--bucket", "a typo"], "there is no bucket 'a typo'"),
        ({}, ["--token-file", "/nowhere/token"], "--token-file = /nowhere/token: cannot be read"),
    ],
    ids=["token", "url", "org", "bucket", "token file"],
)
def test_what_is_wrong_is_one_clear_line(
    wrong: dict[str, str], options: list[str], reason: str, place: Place, tmp_path: Path
) -> None:
    given: dict[str, Any] = {"token": all_rights(place), **wrong}
    code, said, complaint = send(make_site(tmp_path, place, **given), *options)
    assert (code, said) == (2, "")
    assert reason in complaint and len(complaint.splitlines()) == 1, complaint


@pytest.mark.parametrize("may", [(), (("read", "orgs"), ("read", "buckets"))], ids=["points", "looking"])
def test_a_token_that_may_not_make_dashboards_is_told_what_it_lacks(
    may: tuple[tuple[str, str], ...], place: Place, tmp_path: Path
) -> None:
    code, said, complaint = send(make_site(tmp_path, place, place.token(("write", "buckets"), *may)))
    assert (code, said) == (2, "")
    assert "token" in complaint and len(complaint.splitlines()) == 1, complaint


class Other(BaseHTTPRequestHandler):
    """Some other web server."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b"<html>Welcome</html>")

    def log_message(self, *_: Any) -> None:
        pass


def test_another_web_server_is_told(place: Place, tmp_path: Path) -> None:
    with HTTPServer(("127.0.0.1", 0), Other) as other:
        thread = Thread(target=other.serve_forever)
        thread.start()
        try:
            code, _, complaint = send(make_site(tmp_path, place, "t", url=f"http://127.0.0.1:{other.server_port}"))
        finally:
            other.shutdown()
            thread.join()
    assert code == 2
    assert "does not speak the InfluxDB 2 interface" in complaint and len(complaint.splitlines()) == 1, complaint
