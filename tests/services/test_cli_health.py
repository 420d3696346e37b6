"""`health` and `clock` as a person meets them."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from small_site import SETTINGS, make_site, utc_ms
from typer.testing import CliRunner

from rainstead import clockword
from rainstead.cli.commands import app
from rainstead.forward import server_name
from rainstead.forward.cursor import Cursor, CursorFile
from rainstead.holding import Hold
from rainstead.log import LogReader, LogWriter, WriterLock
from rainstead.readings import Kind
from rainstead.settings import load_settings

NOON = "2026-03-28T12:00:00"
FORWARD = '\n[forward]\nurl = "http://127.0.0.1:9"\norg = "o"\nbucket = "b"\ntoken_file = "server.token"\n'


def ask(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, list(arguments))
    assert result.exception is None or isinstance(result.exception, SystemExit | Exception)
    return result.exit_code, result.output + str(result.exception or "")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return make_site(tmp_path / "site", [(NOON, "house_level", 900.0), (NOON, "gauge", 0)])


def test_health_tells_what_the_logger_says_of_itself(site: Path) -> None:
    told = {
        "site": "Invented [hollow]",
        "version": "0.1.0",
        "written_ms": utc_ms(NOON),
        "uptime_s": 7200.0,
        "last_commit_age_s": 4.0,
        "waiting": 812,
        "free_mb": 12.0,
        "dropped": 40,
        "disk_trouble": "database or disk is full",
        "supply_is_low": True,
        "written_bytes": 2_500_000,
        "wal_bytes": 40_000_000,
        "open_files": 23,
        "sqlite_version": "3.46.1",
        "sensors": [{"name": "gauge", "trouble": "GPIO 5: its switch", "counts": {"bounces": 31, "tips_too_close": 0}}],
    }
    (site / "health.json").write_text(json.dumps(told), encoding="utf-8")
    code, said = ask("health", "--site", str(site), "--as-of", "2026-03-28T12:00:10Z")
    assert code == 0
    for part in (
        "812 readings wait",
        "12 MB free",
        "Readings cannot be stored: database or disk is full",
        "40 readings were lost",
        "supply voltage is too low",
        "GPIO 5: its switch",
        "31 bounces",
        "30 MB a day to the disk",
        "23 files open",
        "SQLite 3.46.1 (let no other program write to readings.db)",
        "readings.db-wal has 40 MB, because a program that reads the log does not let go of it",
    ):
        assert " ".join(part.split()) in " ".join(said.split()), said
    assert "tips too close" not in said


@pytest.mark.parametrize(
    ("of_board", "is_said", "is_not"),
    [
        ({}, "its supply voltage is not known", "too low"),
        ({"supply_is_low": False, "spare_room": "laid"}, "readings wait", "supply"),
        ({"supply_is_low": False, "supply_low_age_s": 1200}, "was too low 20 min ago", "not known"),
        ({"began": "the run before was cut off"}, "When it began: the run before was cut off.", "full disk"),
        ({"spare_room": "used"}, "the room that was kept for this is used now", "No room"),
        ({"spare_room": "missing"}, "No room is kept for a full disk", "is used now"),
    ],
)
def test_health_tells_of_the_supply_and_of_room_for_a_full_disk_and_says_what_is_not_known(
    site: Path, of_board: dict[str, object], is_said: str, is_not: str
) -> None:
    told = {"site": "Invented [hollow]", "version": "0.1.0", "written_ms": utc_ms(NOON), **of_board}
    (site / "health.json").write_text(json.dumps(told), encoding="utf-8")
    code, said = ask("health", "--site", str(site), "--as-of", "2026-03-28T12:00:10Z")
    assert code == 0
    assert is_said in " ".join(said.split()) and is_not not in said, said


@pytest.mark.parametrize(
    "content", [b"", b"\xff", b"[]", b'{"site": "another", "written_ms": 1}', b'{"written_ms": "x"}']
)
def test_health_without_the_loggers_word_says_so(site: Path, content: bytes) -> None:
    (site / "health.json").write_bytes(content)
    code, said = ask("health", "--site", str(site), "--as-of", "2026-03-28T12:00:10Z")
    assert code == 0
    assert "The logger: not enough to say, because it left no account" in said


def test_a_gauge_and_a_meter_are_not_well_where_no_logger_runs(site: Path) -> None:
    _, told = ask("health", "--site", str(site), "--as-of", "2026-03-28T12:00:05Z", "--json")
    assert {one["health"]["name"]: one["health"]["state"] for one in json.loads(told)["sensors"]}["gauge"] == "ok"
    _, told = ask("health", "--site", str(site), "--as-of", "2026-03-28T12:10:00Z", "--json")
    states = {one["health"]["name"]: one["health"] for one in json.loads(told)["sensors"]}
    assert {states[name]["state"] for name in ("gauge", "house_level", "meter")} == {"old"}
    assert states["gauge"]["is_in_trouble"] and states["meter"]["because"] == "nothing newer is in the log"


def test_a_meter_that_was_never_heard_is_not_well_where_the_logger_has_trouble_with_it(site: Path) -> None:
    def of_the_meter() -> tuple[str, bool]:
        _, told = ask("health", "--site", str(site), "--as-of", "2026-03-28T12:00:05Z", "--json")
        (meter,) = (one["health"] for one in json.loads(told)["sensors"] if one["health"]["name"] == "meter")
        return meter["state"], meter["is_in_trouble"]

    assert of_the_meter() == ("ok", False)
    told = {
        "site": "Invented [hollow]",
        "written_ms": utc_ms(NOON),
        "sensors": [{"name": "meter", "trouble": "GPIO 6: cannot be used", "counts": {}}],
    }
    (site / "health.json").write_text(json.dumps(told), encoding="utf-8")
    assert of_the_meter() == ("never", True)


def test_health_says_that_no_logger_runs_and_what_the_last_one_said(site: Path) -> None:
    moment = ["--site", str(site), "--as-of", "2026-03-28T12:00:10Z"]
    lock = WriterLock(site / "readings.db")
    _, said = ask("health", *moment)
    assert "No logger runs" not in said
    assert json.loads(ask("health", *moment, "--json")[1])["logger_is_running"] is True
    lock.release()
    _, said = ask("health", *moment)
    assert "No logger runs on this machine: start rainstead-logger." in said
    account = {"site": "Invented [hollow]", "written_ms": utc_ms(NOON) - 60_000, "version": "0.1.0", "sensors": []}
    (site / "health.json").write_text(json.dumps(account), encoding="utf-8")
    _, said = ask("health", *moment)
    assert "No logger runs on this machine: start rainstead-logger. What the last one said stands below." in said


def test_health_tells_how_sending_goes(site: Path) -> None:
    moment = ["--site", str(site), "--as-of", "2026-03-28T12:00:10Z"]
    code, said = ask("health", *moment)
    assert code == 0 and "server" not in said, "this site sends to none"
    settings = site / "site.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + FORWARD, encoding="utf-8")
    code, said = ask("health", *moment)
    assert code == 0 and "Nothing is sent to the server: no forwarder has run for this site" in said
    assert "2 readings wait for it" in said
    file = CursorFile(site / "forwarder.db")
    server = server_name(load_settings(settings).forward or pytest.fail("no server"))
    cursor = Cursor(utc_ms(NOON) - 60_000, 0, ())
    file.save(server, cursor, (), utc_ms(NOON) - 30_000)
    file.tell(word="stored", last_stored_ms=str(utc_ms(NOON) - 30_000))
    _, said = ask("health", *moment)
    assert "No forwarder runs on this machine; 2 readings wait for it" in said
    hold = Hold(site / "forwarder.lock")
    _, said = ask("health", *moment)
    assert "A forwarder runs on this machine." in said
    assert "The server last stored something 40 s ago; the newest there is 60 s behind the log" in said, said
    file.tell(word="later", reason="it is away")
    _, said = ask("health", *moment)
    assert "The server is away or busy: it is away; 2 readings wait for it." in said, said
    file.close()
    hold.release()
    (site / "forwarder.db").write_bytes(b"rubbish" * 100)
    code, told = ask("health", *moment, "--json")
    assert code == 0
    assert json.loads(told)["forwarder"]["word"] == "unknown"


def test_a_clock_is_confirmed_for_this_boot(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clockword, "machine_boot_uuid", lambda: "this boot")
    code, said = ask("clock", "confirm", "--site", str(site))
    assert code == 0 and "the clock is right" in said
    assert clockword.clock_is_confirmed(site, "this boot")


BARE = """
import sys
for name in sys.argv.pop(1).split(","):
    sys.modules[name] = None
from rainstead.cli import main
main()
"""


def ask_without(libraries: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-c", BARE, libraries, *arguments]
    return subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)


def test_a_board_without_the_desks_libraries_takes_the_word(site: Path) -> None:
    done = ask_without("scipy,matplotlib,pyarrow,influxdb_client", "clock", "confirm", "--site", str(site))
    assert (done.returncode, done.stderr) == (0, "")
    assert "the clock is right" in done.stdout


@pytest.mark.parametrize(
    ("library", "command"), [("typer", "now"), ("scipy", "fit gauge --poured 1L --funnel 9cm --tips 80")]
)
def test_a_library_that_is_missing_is_named_with_the_remedy(site: Path, library: str, command: str) -> None:
    done = ask_without(library, *command.split(), "--site", str(site))
    assert done.returncode == 2
    assert done.stderr == f"rainstead: {library} is not installed here; `pip install 'rainstead[desk]'` adds it\n"


def test_a_machine_that_does_not_name_its_boots_takes_no_word(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clockword, "machine_boot_uuid", lambda: None)
    code, said = ask("clock", "confirm", "--site", str(site))
    assert code != 0 and "does not name its boots" in said


def test_a_run_is_dated_later_from_a_notebook(tmp_path: Path) -> None:
    site = tmp_path
    (site / "site.toml").write_text(SETTINGS, encoding="utf-8")
    with LogWriter(site / "readings.db") as writer:
        numbers = writer.sensor_numbers({"house_level": Kind.LEVEL})
        for boot, offset_ms, trusted in (("a", 1_000_000, False), ("b", 1_770_000_000_000, True)):
            segment = writer.begin_segment(writer.begin_boot("logger", boot, 0), offset_ms, trusted=trusted)
            writer.append(
                [(offset_ms + k * 1000, numbers["house_level"], segment, 900.0, 0, None, None) for k in range(5)]
            )
    code, said = ask("clock", "boots", "--site", str(site))
    run = re.search(r"run (\d+): stamped 1970-01-01", said)
    assert code == 0 and run is not None
    code, said = ask("clock", "date", "99", "2026-01-02", "--site", str(site))
    assert code != 0 and f"those are: {run[1]}" in said
    code, said = ask("clock", "date", run[1], "2026-01-02T08:00Z", "--site", str(site))
    assert code == 0, said
    with LogReader(site) as reader:
        assert reader.span_ms() == (utc_ms("2026-01-02T08:00:00"), 1_770_000_004_000)
        assert reader.undated_runs() == []
    assert "Every run of the logger is dated" in ask("clock", "boots", "--site", str(site))[1]
