"""What the page may import, and what it never loads however it is asked."""

import ast
import subprocess
import sys
from pathlib import Path

from paged_site import paged_site

from rainstead.clock import SystemClock

PAGE = Path(__file__).parents[2] / "dashboards" / "rainstead_page"
NEVER = ("rainstead_board", "rainstead.cli", "rainstead.calc", "rainstead.alarms", "numpy", "scipy", "sqlite3.dbapi2")
DOORS = {
    "answers",
    "clock",
    "derive",
    "errors",
    "inforce",
    "log",
    "moment",
    "notebook",
    "replay",
    "running",
    "settings",
    "words",
}


def imported(source: str) -> set[str]:
    """Absolute names of all modules that a source imports, with what it takes out of them."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found |= {str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def crossings(source: str) -> list[str]:
    """What the page must not know: the board, the command line, calculation; and the inner files of our packages."""
    names = imported(source)
    wrong = {name for name in names if any(name == one or name.startswith(f"{one}.") for one in NEVER)}
    modules = {f"rainstead.{door}" for door in DOORS}
    wrong |= {
        name
        for name in names
        if name.startswith("rainstead.") and not any(name == one or name.startswith(f"{one}.") for one in modules)
        if name.removeprefix("rainstead.") not in DOORS
    }
    return sorted(wrong)


def test_the_page_asks_and_lays_out_and_knows_neither_board_nor_calculation() -> None:
    sources = sorted(PAGE.glob("*.py"))
    assert len(sources) > 10
    for path in sources:
        assert crossings(path.read_text("utf-8")) == [], path.name


def test_this_rule_can_fail() -> None:
    assert crossings("import rainstead_board.health") == ["rainstead_board.health"]
    assert crossings("from rainstead.calc import rain") == ["rainstead.calc", "rainstead.calc.rain"]
    assert crossings("from rainstead.forward import Cursor") == ["rainstead.forward", "rainstead.forward.Cursor"]
    assert crossings("from rainstead import answers\nfrom rainstead.log import LogReader") == []


def test_the_page_stays_lean_whatever_it_is_asked(tmp_path: Path) -> None:
    """Of the heavy libraries none is loaded, a storm's and a run's sheet included: those are worked out apart."""
    site = paged_site(tmp_path, SystemClock().wall_ms())
    code = (
        "import re, sys; from pathlib import Path; from fake_clock import FakeClock\n"
        "from rainstead.clock import SystemClock\n"
        "import paged_site\n"
        "with paged_site.in_front_of(Path(sys.argv[1]), FakeClock(wall_ms=SystemClock().wall_ms())) as page:\n"
        "    for path in ('/', '/alarms', '/storms', '/runs', '/rain', '/health', '/now.json'):\n"
        "        assert page.get(path).status_code == 200, path\n"
        "    run = re.search(r'/runs/[0-9]+', page.get('/runs').text)[0]\n"
        "    assert 'Fuel and endurance' in page.get(run).text\n"
        "print(*sys.modules)"
    )
    fakes = Path(__file__).parents[1] / "fakes"
    done = subprocess.run(
        [sys.executable, "-c", code, str(site)],
        capture_output=True,
        text=True,
        check=False,
        env={"PYTHONPATH": str(fakes), "PATH": "/usr/bin"},
    )
    assert done.returncode == 0, done.stderr
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    heavy = {"scipy", "matplotlib", "typer", "rich", "pandas", "pyarrow", "influxdb_client", "rainstead_board"}
    assert heavy & loaded == set()
    assert {"flask", "rainstead_page", "numpy"} <= loaded
