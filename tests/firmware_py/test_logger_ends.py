"""The logger as a process that cannot begin: one line, and an exit code with the one meaning that it has everywhere."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from small_site import SETTINGS

from rainstead.log import LogWriter
from rainstead.running import HELD_BY_ANOTHER, WANTS_MENDING

RUN = "import sys; from rainstead_board.logger import main; main(sys.argv[1:])"


def ended(folder: Path) -> tuple[int, str]:
    """Exit code, and what it said."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(folder)], capture_output=True, text=True, timeout=60, check=False
    )
    return done.returncode, done.stderr


def test_a_second_logger_is_refused_and_told_which_process_writes_the_log(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SETTINGS, encoding="utf-8")
    with LogWriter(tmp_path / "readings.db"):
        code, said = ended(tmp_path)
    assert code == HELD_BY_ANOTHER
    assert said == (
        f"rainstead-logger: {tmp_path / 'readings.db'}: process {os.getpid()} is writing this log, and a log has one "
        "writer; stop that one first (reading needs no stop)\n"
    )


@pytest.mark.parametrize("text", [None, "nonsense", SETTINGS.replace("[site]", "[seite]")])
def test_settings_that_want_mending_end_it_with_their_own_code(tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    code, said = ended(tmp_path)
    assert code == WANTS_MENDING
    assert said.startswith("rainstead-logger: ") and str(tmp_path / "site.toml") in said and "Traceback" not in said
