"""The command line as a person meets it: exit codes, one message and no traceback, plain text through a pipe."""

import json
import os
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from small_site import SETTINGS, Row, make_site

from rainstead.cli import main
from rainstead.log import WriterLock
from rainstead.readings import Quality
from rainstead.running import HELD_BY_ANOTHER

RAINSTEAD = Path(sys.executable).with_name("rainstead")

ROWS: list[Row] = [
    ("2026-03-10T09:00:00", "gauge", 4),
    ("2026-03-10T10:00:00", "house_level", 550),
    ("2026-03-10T10:00:00", "pool_level", None, Quality.NO_ECHO),
    ("2026-03-10T10:00:00", "meter", 0),
    ("2026-03-10T10:00:10", "meter", 800),
    ("2026-03-10T10:01:00", "house_level", 1500),
]
AS_OF = ("--as-of", "2026-03-10T10:01:05Z")
READING = ("now", "tanks", "rain", "storms", "pump", "alarms", "replay")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return make_site(tmp_path / "site", ROWS)


class Ran:
    """One run of the program in this process."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: object) -> None:
        monkeypatch.setattr(sys, "argv", ["rainstead", *map(str, words)])
        capsys.readouterr()
        try:
            main()
            self.code: object = 0
        except SystemExit as ended:
            self.code = ended.code or 0
        self.out, self.err = capsys.readouterr()


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> "Runner":
    return Runner(monkeypatch, capsys)


class Runner:
    """Runs the program, and holds it to one message where it refuses."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._given = (monkeypatch, capsys)

    def __call__(self, *words: object) -> Ran:
        return Ran(*self._given, *words)

    def refused(self, *words: object) -> str:
        """Its message; it must be the only thing said."""
        ran = self(*words)
        assert ran.code == 2
        assert ran.out == ""
        assert ran.err.startswith("rainstead: ") and "Traceback" not in ran.err
        return ran.err


def refused_by_process(*words: object, code: int = 2) -> str:
    """The message of the real script, its output through a pipe."""
    words_typed = [str(word) for word in words]
    done = subprocess.run([RAINSTEAD, *words_typed], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (code, "")
    assert done.stderr.startswith("rainstead: ") and "Traceback" not in done.stderr
    return done.stderr


# --- what cannot be answered ---------------------------------------------------------------------------------------


def test_a_site_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    said = refused_by_process("now", "--site", tmp_path / "nowhere")
    assert f"{tmp_path}/nowhere: there is no such folder" in said and "--site" in said


def test_a_site_without_settings_says_how_to_begin_some(tmp_path: Path, run: Runner) -> None:
    said = run.refused("now", "--site", tmp_path)
    assert f"rainstead settings new {tmp_path / 'site.toml'}" in said


def test_a_site_without_a_log_says_how_to_get_one(tmp_path: Path, run: Runner) -> None:
    (tmp_path / "site.toml").write_text(SETTINGS, encoding="utf-8")
    for command in READING:
        said = run.refused(command, "--site", tmp_path)
        assert "readings.db" in said and "start the logger or import" in said
    assert not (tmp_path / "readings.db").exists()


def test_a_text_file_in_the_logs_place_is_no_log(site: Path, run: Runner) -> None:
    (site / "readings.db").write_text("utc,sensor,value\n" * 40, encoding="utf-8")
    said = run.refused("now", "--site", site)
    assert str(site / "readings.db") in said and "not a rainstead log" in said


def test_a_log_of_a_newer_version_asks_for_the_newer_program(site: Path, run: Runner) -> None:
    db = sqlite3.connect(site / "readings.db")
    db.execute("PRAGMA user_version = 99")
    db.execute("CREATE TABLE what_a_later_version_has (a)")
    db.close()
    said = run.refused("now", "--site", site)
    assert "schema 99" in said and "install the newer rainstead" in said


def test_broken_settings_are_told_by_file_key_value_and_remedy(site: Path) -> None:
    (site / "site.toml").write_text(SETTINGS.replace("brim = 2.0", 'brim = "2 furlongs"'), encoding="utf-8")
    said = refused_by_process("now", "--site", site)
    for part in (str(site / "site.toml"), "tanks.house.brim", "2 furlongs", "use one of: m, cm"):
        assert part in said


@pytest.mark.parametrize("typed", ["yesterday", "2026-02-30", "2026-03-10T25:00", "", "9999-12-31", "0001-01-01"])
def test_a_time_that_cannot_be_read_is_told_with_its_option(site: Path, run: Runner, typed: str) -> None:
    assert f"--as-of {typed!r}" in run.refused("now", "--site", site, "--as-of", typed)
    assert f"--since {typed!r}" in run.refused("storms", "--site", site, "--since", typed)


def test_an_unknown_tank_brings_the_nearest_name_and_all_of_them(site: Path, run: Runner) -> None:
    said = run.refused("tanks", "huose", "--site", site)
    assert "'huose'" in said and "did you mean house?" in said and "drum, house, pool" in said


def test_a_site_without_gauge_or_meter_says_which_table_to_add(site: Path, run: Runner) -> None:
    text = SETTINGS.replace("[rain]", "[rain_]").split("[rain_]")[0] + SETTINGS[SETTINGS.index("[reserve]") :]
    (site / "site.toml").write_text(text, encoding="utf-8")
    assert "[rain]" in run.refused("rain", "--site", site)
    assert "[rain]" in run.refused("storms", "--site", site)
    assert "[pump]" in run.refused("pump", "--site", site)
    assert run("now", "--site", site, *AS_OF).code == 0


def test_an_import_of_a_missing_file_is_refused(site: Path, run: Runner) -> None:
    said = run.refused("import", site / "no.csv", "--site", site)
    assert str(site / "no.csv") in said and "check its name" in said


def test_an_import_beside_the_logger_names_the_process_that_writes(site: Path, run: Runner) -> None:
    (site / "more.csv").write_text("utc,sensor,value\n2026-03-10T11:00:00Z,gauge,1\n", encoding="utf-8")
    lock = WriterLock(site / "readings.db")
    try:
        said = refused_by_process("import", site / "more.csv", "--site", site, code=HELD_BY_ANOTHER)
    finally:
        lock.release()
    assert f"process {os.getpid()} is writing this log" in said and "stop that one first" in said
    ran = run("import", site / "more.csv", "--site", site)
    assert (ran.code, ran.out) == (0, "1 readings added, 0 were known already.\n")


# --- replay --------------------------------------------------------------------------------------------------------


def test_replay_finds_the_logs_own_alarms_again(site: Path, run: Runner) -> None:
    ran = run("replay", "--site", site)
    assert ran.code == 0 and "All 2 alarm events are identical" in ran.out


def test_replay_ends_with_1_where_an_event_was_tampered_with(site: Path, run: Runner) -> None:
    db = sqlite3.connect(site / "readings.db")
    db.execute("UPDATE event SET t_ms = t_ms + 1 WHERE state = 'normal'")
    db.commit()
    db.close()
    ran = run("replay", "--site", site, "--json")
    assert ran.code == 1
    answer = json.loads(ran.out)
    assert answer["is_identical"] is False
    assert [(d["side"], d["event"]["state"]) for d in answer["events"]] == [
        ("replayed", "normal"),
        ("logged", "normal"),
    ]
    assert run("replay", "--site", site).code == 1


def test_replay_with_other_settings_shows_what_would_have_differed(site: Path, run: Runner) -> None:
    other = site / "other.toml"
    other.write_text(SETTINGS.replace("depth_per_tip = 0.25", "depth_per_tip = 0.5"), encoding="utf-8")
    ran = run("replay", "--site", site, "--settings", other, "--json")
    assert ran.code == 0
    answer = json.loads(ran.out)
    totals = {total["what"]: (total["value"], total["other"]) for total in answer["totals"]}
    assert totals["rain"] == (1.0, 2.0) and totals["pumped"] == (2.0, 2.0)
    assert answer["events"] == [] and not answer["is_identical"]
    told = run("replay", "--site", site, "--settings", other).out
    assert re.search(r"rain mm +1\.0 +2\.0", told)
    (site / "other.toml").write_text(SETTINGS.replace("freeboard = 300", "freeboard = 100"), encoding="utf-8")
    assert "2 alarm events would have differed" in run("replay", "--site", site, "--settings", other).out


# --- what is printed -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", READING)
def test_no_answer_holds_nan_none_or_an_escape_code(site: Path, run: Runner, command: str) -> None:
    for as_of in ("2026-03-09", "2026-03-10T10:01:05Z", "2026-03-20"):
        for form in ([], ["--json"]):
            ran = run(command, "--site", site, "--as-of", as_of, *form)
            assert ran.code in (0, 1) and ran.err == ""
            assert not re.search(r"(?i:\bnan\b)|\bNone\b|\x1b", ran.out)
            if form:
                json.loads(ran.out, parse_constant=pytest.fail)


def test_now_tells_litres_alarms_and_why_a_tank_is_unknown(site: Path, run: Runner) -> None:
    told = run("now", "--site", site, *AS_OF).out
    assert "Invented [hollow]" in told
    assert "3,142 L" in told and "2,827 L" in told  # 1000 pi, and 900 pi above the outlet
    assert "pool_level: no echo" in told
    assert "No alarm is active" in told
    assert "ALARM overflow risk, house" in run("now", "--site", site, "--as-of", "2026-03-10T10:00:30Z").out


def test_an_old_log_says_how_old_it_is(site: Path, run: Runner) -> None:
    told = run("now", "--site", site, "--as-of", "2026-03-20T10:01:00Z").out
    assert "newest reading 10.0 d old" in told and "nothing here is newer" in told


def test_a_pipe_gets_no_escape_codes_whatever_the_terminal_claims(site: Path) -> None:
    done = subprocess.run(
        [RAINSTEAD, "now", "--site", site, *AS_OF],
        capture_output=True,
        check=True,
        timeout=60,
        env=os.environ | {"TERM": "xterm-256color", "COLORTERM": "truecolor", "FORCE_COLOR": "1"},
    )
    assert b"3,142 L" in done.stdout and b"\x1b" not in done.stdout and done.stderr == b""


def test_a_reader_that_leaves_after_one_line_causes_no_complaint(site: Path) -> None:
    done = subprocess.run(
        [
            "bash",
            "-c",
            '"$0" rain --days 800 --json --site "$1" --as-of 2026-03-20 | head -1',
            RAINSTEAD,
            site,
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout == "{\n"  # the rest is more than a pipe holds
    assert done.stderr == ""
