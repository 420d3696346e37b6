"""What a terminal of 80 columns shows, and the live view."""

import io
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest
from desk_site import Raw, level, make_site, pulses, tips
from rich.console import Console

from rainstead.cli.view import LiveView

ROWS: list[Raw] = [
    level("2024-02-10T12:00", "east_level", 600),
    level("2024-02-10T12:00", "west_level", 2000),
    *(tips(f"2024-02-{day:02d}T01:00", 123) for day in range(1, 10)),
    pulses("2024-02-10T11:00:00", 0),
    *(pulses(f"2024-02-10T11:{minute:02d}:{second:02d}", 1500) for minute in range(9) for second in (10, 30, 50)),
]
COMMANDS = [["now"], ["storms"], ["pump"], ["alarms"]]


def on_a_terminal(arguments: list[str], columns: int) -> str:
    """What a program prints on a pseudo-terminal of so many columns, without its colours."""
    main_end, program_end = pty.openpty()
    environment = {**os.environ, "COLUMNS": str(columns), "LINES": "50", "TERM": "xterm"}
    environment.pop("NO_COLOR", None)
    with subprocess.Popen(
        [sys.executable, "-c", "from rainstead.cli import main; main()", *arguments],
        stdout=program_end,
        stderr=program_end,
        env=environment,
    ) as program:
        os.close(program_end)
        parts = []
        while True:
            try:
                part = os.read(main_end, 65536)
            except OSError:  # Linux says so when the other end is closed
                break
            if not part:
                break
            parts.append(part)
        os.close(main_end)
    assert program.returncode == 0
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", b"".join(parts).decode()).replace("\r\n", "\n")


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: str(command[0]))
def test_a_terminal_of_80_columns_shows_every_number_whole(tmp_path: Path, command: list[str]) -> None:
    make_site(tmp_path, ROWS)
    shown = on_a_terminal([*command, "--site", str(tmp_path), "--as-of", "2024-02-10T12:00Z"], 80)
    assert "…" not in shown
    assert max(len(line.rstrip()) for line in shown.splitlines()) <= 80


def test_a_terminal_too_narrow_for_a_table_still_gets_all_its_figures(tmp_path: Path) -> None:
    make_site(tmp_path, ROWS)
    shown = on_a_terminal(["storms", "--site", str(tmp_path), "--as-of", "2024-02-10T12:00Z"], 40)
    assert "…" not in shown
    assert shown.count("24.6") == 9  # 123 tips of 0.2 mm


def test_the_live_view_reads_on_from_where_it_was(tmp_path: Path) -> None:
    make_site(tmp_path, ROWS, watched=False)
    view = LiveView(tmp_path)
    assert view.look().tanks[0].volume_l == pytest.approx(3800)
    make_site(tmp_path, [level("2024-02-10T12:01", "east_level", 1500)], watched=False)
    assert view.look().tanks[0].volume_l == pytest.approx(2000)


def test_the_live_view_and_its_line_tell_an_old_level_as_old(tmp_path: Path) -> None:
    make_site(tmp_path, ROWS)
    view = LiveView(tmp_path)
    line = view.plain_line()
    assert "east 3,800 L OLD" in line
    assert "ALARM overflow risk east" in line
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(view.render())
    text = console.export_text()
    assert "…" not in text
    assert "3,800 L" in text and "OLD" in text
