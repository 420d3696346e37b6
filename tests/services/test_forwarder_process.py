"""The forwarder as a process: how it ends where there is nothing that it could do, and what the service makes of it."""

import re
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from small_site import SETTINGS, make_site

from rainstead.forward import forwarder_runs
from rainstead.running import HELD_BY_ANOTHER, NOTHING_TO_DO

UNIT = Path(__file__).parents[2] / "systemd" / "rainstead-forwarder.service"
RUN = "import sys; from rainstead.forward.process import main; main(sys.argv[1:])"
TABLE = '[forward]\nurl = "http://127.0.0.1:9"\norg = "o"\nbucket = "b"\ntoken_file = "server.token"\n'


def ended(folder: Path, settings: str, program: str = RUN) -> tuple[int, str]:
    """Exit code, and what it said."""
    (folder / "site.toml").write_text(settings, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", program, str(folder)], capture_output=True, text=True, timeout=60, check=False
    )
    return done.returncode, done.stderr


def codes(key: str) -> set[int]:
    (found,) = re.findall(rf"(?m)^{key}=(.*)$", UNIT.read_text("utf-8"))
    return {int(one) for one in found.split()}


def test_settings_without_a_server_end_it_with_a_plain_word_and_the_service_does_not_fail(tmp_path: Path) -> None:
    code, said = ended(tmp_path, SETTINGS)
    assert said == (
        f"rainstead-forwarder: {tmp_path / 'site.toml'} has no [forward] table, so there is no server to send to "
        "and nothing to do; add one and start this again, if the log is to be sent\n"
    )
    assert code == NOTHING_TO_DO
    assert code in codes("SuccessExitStatus") and code in codes("RestartPreventExitStatus")


def test_a_missing_token_is_a_failure_that_is_not_tried_again(tmp_path: Path) -> None:
    code, said = ended(tmp_path, SETTINGS + TABLE)
    assert len(said.splitlines()) == 1 and f"forward.token_file = {tmp_path / 'server.token'}" in said
    assert code == 2
    assert code in codes("RestartPreventExitStatus") and code not in codes("SuccessExitStatus")


def test_a_token_that_others_can_read_is_refused_and_not_told(tmp_path: Path) -> None:
    (tmp_path / "server.token").write_text("secret", encoding="utf-8")
    (tmp_path / "server.token").chmod(0o640)
    code, said = ended(tmp_path, SETTINGS + TABLE)
    assert (code, said) == (
        2,
        f"rainstead-forwarder: forward.token_file = {tmp_path / 'server.token'}: can be read by others than its owner; "
        "`chmod 600` it\n",
    )


def test_a_board_without_the_client_is_told_what_to_install(tmp_path: Path) -> None:
    (tmp_path / "server.token").write_text("secret", encoding="utf-8")
    (tmp_path / "server.token").chmod(0o600)
    code, said = ended(tmp_path, SETTINGS + TABLE, f"import sys; sys.modules['influxdb_client'] = None; {RUN}")
    assert code == 2
    assert said.splitlines() == [
        "rainstead-forwarder: influxdb-client is not installed here; `pip install 'rainstead[desk]'` adds it"
    ]


def test_a_log_that_is_held_for_a_moment_is_waited_for_and_another_programs_file_is_not(tmp_path: Path) -> None:
    make_site(tmp_path, [("2026-02-10T12:00:00", "house_level", 900.0)], SETTINGS + TABLE)
    token = tmp_path / "server.token"
    token.write_text("secret", encoding="utf-8")
    token.chmod(0o600)
    with closing(sqlite3.connect(tmp_path / "readings.db", isolation_level=None)) as holder:
        holder.execute("PRAGMA locking_mode = EXCLUSIVE")
        holder.execute("BEGIN EXCLUSIVE")
        words = [sys.executable, "-c", RUN, str(tmp_path)]
        with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
            assert process.stderr is not None
            assert "sending" in process.stderr.readline()
            said = process.stderr.readline()
            process.send_signal(signal.SIGTERM)
            assert process.wait(30) == 0
    assert "cannot be read now" in said and "locked" in said
    for part in tmp_path.glob("readings.db*"):
        part.unlink()
    with closing(sqlite3.connect(tmp_path / "readings.db")) as other:
        other.execute("CREATE TABLE somebody_elses (x)")
    code, said = ended(tmp_path, SETTINGS + TABLE)
    assert code == 2 and "not a rainstead log" in said


def test_a_second_forwarder_is_refused_and_whoever_looks_sees_that_one_runs(tmp_path: Path) -> None:
    make_site(tmp_path, [("2026-02-10T12:00:00", "house_level", 900.0)], SETTINGS + TABLE)
    token = tmp_path / "server.token"
    token.write_text("secret", encoding="utf-8")
    token.chmod(0o600)
    assert forwarder_runs(tmp_path) is False
    with subprocess.Popen([sys.executable, "-c", RUN, str(tmp_path)], stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stderr is not None
            assert "sending" in process.stderr.readline()
            assert forwarder_runs(tmp_path) is True
            code, said = ended(tmp_path, SETTINGS + TABLE)
        finally:
            process.kill()
    assert (code, said) == (
        HELD_BY_ANOTHER,
        f"rainstead-forwarder: {tmp_path}: process {process.pid} is sending this site's log already; stop that one "
        "first\n",
    )
    assert code not in codes("RestartPreventExitStatus"), "the other one may end"
    assert forwarder_runs(tmp_path) is False, "a lock ends with its process"
