"""Who may import whom, read from the source."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SERVICES, BOARD = ROOT / "services", ROOT / "firmware_py"
MATHS = {"__future__", "collections", "dataclasses", "enum", "math", "typing"}
OURS = ("settings", "log", "calc", "alarms", "answers", "importing")


def imports(source: str, module: str) -> Iterator[str]:
    """Absolute names of all that a module imports, but for what only a type checker sees."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                package = module.split(".")[: -node.level]
                base = ".".join([*package, *([node.module] if node.module else [])])
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)


def modules(folder: Path, package: str = "") -> list[tuple[str, Path]]:
    found = []
    for path in sorted(folder.rglob("*.py")):
        parts = path.relative_to(folder).with_suffix("").parts
        # A package's own __init__ keeps its name, so that one leading dot leads to the package.
        name = ".".join(parts)
        if name.startswith(package):
            found.append((name, path))
    assert found, f"{folder}: no modules of {package!r}"
    return found


def outside(source: str, module: str, allowed: tuple[str, ...]) -> list[str]:
    """Imports that are neither of the standard maths nor under an allowed prefix."""
    return sorted(
        name
        for name in set(imports(source, module))
        if name.split(".")[0] not in MATHS and not any(name == one or name.startswith(f"{one}.") for one in allowed)
    )


def touching(source: str, module: str, forbidden: tuple[str, ...]) -> list[str]:
    return sorted(
        name
        for name in set(imports(source, module))
        if any(name == one or name.startswith(f"{one}.") for one in forbidden)
    )


@pytest.mark.parametrize(
    ("package", "own"), [("rainstead.calc", "rainstead.calc"), ("rainstead.alarms", "rainstead.alarms")]
)
def test_the_calculation_imports_numpy_and_maths_and_its_own_kind(package: str, own: str) -> None:
    for name, path in modules(SERVICES, package):
        assert outside(path.read_text("utf-8"), name, ("numpy", "rainstead.errors", own)) == [], name


def test_the_shared_package_does_not_know_the_board() -> None:
    for name, path in modules(SERVICES):
        assert touching(path.read_text("utf-8"), name, ("rainstead_board", "gpiozero", "serial", "lgpio")) == [], name


def test_drivers_know_no_litres() -> None:
    forbidden = tuple(f"rainstead.{part}" for part in ("calc", "alarms", "derive", "log", "answers", "cli", "replay"))
    for name, path in modules(BOARD, "rainstead_board.drivers"):
        assert touching(path.read_text("utf-8"), name, forbidden) == [], name


def test_the_log_knows_no_alarms_and_no_litres() -> None:
    forbidden = tuple(f"rainstead.{part}" for part in ("calc", "alarms", "derive", "settings", "answers", "cli"))
    for name, path in modules(SERVICES, "rainstead.log"):
        assert touching(path.read_text("utf-8"), name, forbidden) == [], name


def test_the_command_line_calculates_nothing() -> None:
    for name, path in modules(SERVICES, "rainstead.cli"):
        assert touching(path.read_text("utf-8"), name, ("rainstead.calc", "rainstead.alarms", "numpy")) == [], name


def test_the_twin_shares_no_code_with_what_it_must_be_able_to_prove_wrong() -> None:
    forbidden = tuple(f"rainstead.{part}" for part in ("calc", "alarms", "derive", "replay"))
    starts_the_logger = {"rainstead_board.twin.demo", "rainstead_board.twin.command"}
    for name, path in modules(BOARD, "rainstead_board.twin"):
        if name not in starts_the_logger:
            assert touching(path.read_text("utf-8"), name, forbidden) == [], name


def test_packages_are_imported_by_their_front_door() -> None:
    for folder in (SERVICES, BOARD):
        for name, path in modules(folder):
            assert inner_imports(path.read_text("utf-8"), name) == [], name


def inner_imports(source: str, module: str) -> list[str]:
    """Modules inside one of our packages that somebody outside it imports from."""
    fronts = [f"rainstead.{part}" for part in OURS if not module.startswith(f"rainstead.{part}")]
    bases = [node.module or "" for node in ast.walk(ast.parse(source)) if isinstance(node, ast.ImportFrom)]
    return [base for base in bases if any(base.startswith(f"{front}.") for front in fronts)]


def test_only_the_clock_modules_ask_the_machine_for_the_time() -> None:
    asks = {
        "time",
        "time_ns",
        "monotonic",
        "monotonic_ns",
        "clock_gettime",
        "clock_gettime_ns",
        "now",
        "utcnow",
        "today",
    }
    for folder in (SERVICES, BOARD):
        for name, path in modules(folder):
            if name in ("rainstead.clock", "rainstead_board.timekeeping"):
                continue
            assert clock_calls(path.read_text("utf-8"), asks) == [], name


def clock_calls(source: str, asks: set[str]) -> list[str]:
    return [
        f"{node.func.value.id}.{node.func.attr}"
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id in ("time", "datetime", "date")
        and node.func.attr in asks
    ]


def test_no_module_is_a_drawer_for_everything() -> None:
    for folder in (SERVICES, BOARD):
        for name, _ in modules(folder):
            assert name.split(".")[-1] not in ("utils", "util", "helpers", "common", "misc"), name


def test_the_logger_process_stays_lean() -> None:
    code = "import sys, rainstead_board.logger, rainstead_board.drivers.flow_meter; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    heavy = {"typer", "rich", "pandas", "scipy", "influxdb_client", "matplotlib", "click", "pytest", "rainstead.cli"}
    assert heavy & set(loaded) == set()
    assert "rainstead.derive" in loaded


def test_these_rules_can_fail() -> None:
    bad = "from rainstead.settings import Settings\nfrom ..log import LogReader\n"
    bad += "import pandas, math\nfrom .sound import c"
    assert outside(bad, "rainstead.calc.bad", ("numpy", "rainstead.errors", "rainstead.calc")) == [
        "pandas",
        "rainstead.log",
        "rainstead.log.LogReader",
        "rainstead.settings",
        "rainstead.settings.Settings",
    ]
    assert touching("from rainstead import calc", "rainstead_board.twin.bad", ("rainstead.calc",)) == ["rainstead.calc"]
    assert inner_imports("from rainstead.log.read import LogReader", "rainstead.cli.bad") == ["rainstead.log.read"]
    assert clock_calls("import time\nx = time.time()", {"time"}) == ["time.time"]
