"""The desk's answers from a real server's copy of the log are those from the log."""

import json
from pathlib import Path
from typing import Any

import pytest
from forwarded_site import END_MS, make_site, settings_of
from influxd import Influxd
from typer.testing import CliRunner

from rainstead.cli.commands import app
from rainstead.forward import Forwarder
from rainstead.forward.process import server_of
from rainstead.log import LogReader
from rainstead.readback import ServerSource, connect

pytestmark = pytest.mark.xdist_group("server")

COMMANDS = ("now", "tanks --days 3", "rain", "storms", "pump", "alarms", "yield", "book", "run", "health", "losses")


@pytest.fixture(scope="module")
def bucket_of_two(real_server: Influxd) -> str:
    return real_server.new_bucket()


def sent(folder: Path) -> Path:
    settings = settings_of(folder)
    assert settings.forward is not None
    server = server_of(settings.forward, folder)
    forwarder = Forwarder(settings, folder, server)
    now_ms = 0
    for _ in range(500):
        now_ms = max(forwarder.step(now_ms, END_MS), now_ms)
        if forwarder.is_idle and forwarder.health().backlog_ms == forwarder.health().lag_ms == 0:
            break
    assert forwarder.health().refused == 0 and forwarder.health().lag_ms == 0
    forwarder.close()
    server.close()
    return folder


@pytest.fixture(scope="module")
def neighbour(real_server: Influxd, bucket_of_two: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with sensors and tanks of the same names, whose readings go to the same bucket."""
    folder = tmp_path_factory.mktemp("neighbour") / "site"
    return sent(make_site(folder, real_server, bucket_of_two, days=3, name="The place next door (invented)", seed=11))


@pytest.fixture(scope="module")
def site(real_server: Influxd, bucket_of_two: str, tmp_path_factory: pytest.TempPathFactory, neighbour: Path) -> Path:
    assert neighbour.is_dir()
    return sent(make_site(tmp_path_factory.mktemp("read-back") / "site", real_server, bucket_of_two, days=6))


def asked(command: str, site: Path, *options: str) -> Any:
    as_of = ["--as-of", "2026-03-08T12:00Z"]
    result = CliRunner().invoke(app, [*command.split(), "--site", str(site), *as_of, "--json", *options])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


@pytest.mark.parametrize("command", COMMANDS)
def test_an_answer_from_the_server_is_the_answer_from_the_log(command: str, site: Path) -> None:
    assert asked(command, site, "--from", "influx") == asked(command, site)


@pytest.mark.parametrize("command", ["now", "tanks --days 3", "storms", "book"])
def test_of_two_sites_in_one_bucket_each_is_answered_by_its_own_readings(
    command: str, site: Path, neighbour: Path
) -> None:
    theirs = asked(command, neighbour, "--from", "influx")
    assert theirs == asked(command, neighbour) and theirs != asked(command, site)


def test_working_the_servers_copy_out_again_gives_the_alarms_that_were_raised(site: Path) -> None:
    there, here = asked("replay", site, "--from", "influx"), asked("replay", site)
    assert {**there, "settings_changed": None} == {**here, "settings_changed": None}


def test_batches_from_the_server_are_those_of_the_log_in_small_pieces(site: Path) -> None:
    settings = settings_of(site)
    with LogReader(site) as reader, connect(settings.forward, site) as connection:
        source = ServerSource(connection, settings.site.name, tuple(sorted(settings.sensors)))
        assert (source.span_ms(), source.count()) == (reader.span_ms(), reader.count())
        pieces = list(source.batches(size=500))
        (whole,) = reader.batches()
        assert len(pieces) > 5 and max(len(piece) for piece in pieces) < len(whole) / 3
        for name in ("t_ms", "sensor", "value", "quality", "spread"):
            parts = [one for piece in pieces for one in getattr(piece, name).tolist()]
            assert str(parts) == str(getattr(whole, name).tolist()), name


def test_sites_tells_what_the_log_tells(site: Path) -> None:
    one, other = asked("sites", site)["sites"]
    assert {one["site"], other["site"]} == {"Quillfeather Rise (invented)", "The place next door (invented)"}
    one = one if one["site"].startswith("Quill") else other
    now = asked("now", site)
    assert one["last_seen_ms"] == now["last_reading_ms"] and one["state"] == "reports"
    by_name = {tank["name"]: tank["volume_l"] for tank in now["tanks"] if tank["measured_ms"] is not None}
    assert {tank["name"] for tank in one["tanks"]} == set(by_name)
    assert one["fire_reserve_l"] == now["reserve"]["fire_l"]
    active = {(a["alarm"], a["subject"]) for a in now["alarms"] if a["state"] != "normal"}
    assert {(a["alarm"], a["subject"]) for a in one["alarms"]} == active


def test_a_wrong_token_and_a_missing_server_are_told_without_a_traceback(site: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "token"
    wrong.write_text("wrong")
    for options in (["--server-token-file", str(wrong)], ["--server-url", "http://127.0.0.1:9"]):
        result = CliRunner().invoke(app, ["now", "--site", str(site), "--from", "influx", *options])
        assert result.exception is not None and "server" in str(result.exception), result.exception
