"""Who may import whom, read from the source."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SERVICES, BOARD = ROOT / "services", ROOT / "firmware_py"
MATHS = {"__future__", "collections", "dataclasses", "datetime", "enum", "itertools", "math", "typing"}
OURS = (
    "settings",
    "log",
    "calc",
    "calc.desk",
    "alarms",
    "answers",
    "importing",
    "sickness",
    "notebook",
    "evidence",
    "plots",
    "forward",
    "messages",
    "exporting",
    "dashboards",
)


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


def ours_but(source: str, module: str, allowed: tuple[str, ...]) -> list[str]:
    """Imports of ours that are not under an allowed prefix."""
    return [name for name in outside(source, module, allowed) if name.startswith("rainstead") and "." in name]


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
        desk_only = ("scipy",) if name.startswith("rainstead.calc.desk.") else ()
        assert outside(path.read_text("utf-8"), name, ("numpy", "rainstead.errors", own, *desk_only)) == [], name


def test_the_calculation_that_the_logger_runs_does_not_know_the_desks() -> None:
    for name, path in modules(SERVICES, "rainstead.calc"):
        if not name.startswith("rainstead.calc.desk."):
            assert touching(path.read_text("utf-8"), name, ("rainstead.calc.desk", "scipy")) == [], name


def test_the_shared_package_does_not_know_the_board() -> None:
    for name, path in modules(SERVICES):
        assert touching(path.read_text("utf-8"), name, ("rainstead_board", "gpiozero", "serial", "lgpio")) == [], name


def test_drivers_know_no_litres() -> None:
    """Of ours they know their settings, readings, the clock, ports and errors; nothing that works anything out."""
    allowed = tuple(f"rainstead.{part}" for part in ("settings", "readings", "clock", "serialports", "errors"))
    for name, path in modules(BOARD, "rainstead_board.drivers"):
        known = ("rainstead_board.drivers", "rainstead_board.sampling", *allowed)
        assert ours_but(path.read_text("utf-8"), name, known) == [], name


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
    # A name that the front door hands out is no inner file, though a file be called the same.
    inner = {name for name, _ in modules(SERVICES)} - {
        f"rainstead.{part}.{name}" for part in OURS for name in said(part)
    }
    for folder in (SERVICES, BOARD):
        for name, path in modules(folder):
            assert inner_imports(path.read_text("utf-8"), name, inner) == [], name


def test_each_front_door_says_what_others_may_use() -> None:
    for part in OURS:
        assert said(part), part


def said(part: str) -> list[str]:
    """The `__all__` of one of our packages."""
    for node in ast.parse((SERVICES / "rainstead" / part.replace(".", "/") / "__init__.py").read_text("utf-8")).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return [str(name) for name in ast.literal_eval(node.value)]
    return []


def inner_imports(source: str, module: str, inner: set[str]) -> list[str]:
    """Modules inside one of our packages that somebody outside it imports."""
    fronts = [f"rainstead.{part}." for part in OURS if not module.startswith(f"rainstead.{part}.")]
    return sorted(
        name
        for name in set(imports(source, module))
        if name in inner and any(name.startswith(front) for front in fronts)
    )


CLOCKS = {
    "time": {
        "time",
        "time_ns",
        "monotonic",
        "monotonic_ns",
        "clock_gettime",
        "clock_gettime_ns",
        "localtime",
        "gmtime",
    },
    "datetime": {"now", "utcnow", "today"},
}
"""What tells the time. `perf_counter` is left out: it tells how long a job took, and nothing is dated by it."""


def test_only_the_clock_modules_ask_the_machine_for_the_time() -> None:
    asking = {}
    for folder in (SERVICES, BOARD):
        for name, path in modules(folder):
            if asks := clock_asks(path.read_text("utf-8")):
                asking[name] = asks
    assert "rainstead.clock" in asking, "the rule sees nothing"
    assert set(asking) <= {"rainstead.clock", "rainstead_board.timekeeping"}, asking


def clock_asks(source: str) -> list[str]:
    """Each place where a module gets the time, or hands on the function that does."""
    tree = ast.parse(source)
    names: dict[str, set[str]] = {}
    found: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.asname or alias.name: CLOCKS[alias.name] for alias in node.names if alias.name in CLOCKS}
        elif isinstance(node, ast.ImportFrom) and node.module == "time":
            found += [f"time.{alias.name}" for alias in node.names if alias.name in CLOCKS["time"]]
        elif isinstance(node, ast.ImportFrom) and node.module == "datetime":
            names |= {alias.asname or alias.name: CLOCKS["datetime"] for alias in node.names}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            called = ast.unparse(node)
            if node.attr in names.get(called.split(".")[0], set()):
                found.append(called)
    return found


def test_no_module_is_a_drawer_for_everything() -> None:
    for folder in (SERVICES, BOARD):
        for name, _ in modules(folder):
            assert name.split(".")[-1] not in ("utils", "util", "helpers", "common", "misc"), name


def test_the_logger_process_stays_lean() -> None:
    code = "import sys, rainstead_board.logger, rainstead_board.drivers.flow_meter; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    heavy = {"typer", "rich", "pandas", "scipy", "influxdb_client", "matplotlib", "click", "pytest", "rainstead.cli"}
    heavy |= {"rainstead.messages", "apprise", "paho"}
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
    for source in ("from rainstead.log.read import LogReader", "import rainstead.log.read", "from ..log import read"):
        assert inner_imports(source, "rainstead.cli.bad", {"rainstead.log.read"}) == ["rainstead.log.read"]
        assert inner_imports(source, "rainstead.log.good", {"rainstead.log.read"}) == []
    litres = "from rainstead.calc import litres\nfrom rainstead.errors import DeviceError\nimport serial"
    assert ours_but(litres, "rainstead_board.drivers.bad", ("rainstead.errors",)) == [
        "rainstead.calc",
        "rainstead.calc.litres",
    ]
    assert clock_asks("import time as t\nx = t.time()") == ["t.time"]
    assert clock_asks("from time import monotonic") == ["time.monotonic"]
    assert clock_asks("import datetime\nx = datetime.datetime.now()") == ["datetime.datetime.now"]
    assert clock_asks("from datetime import date\nx = dict(default_factory=date.today)") == ["date.today"]
    assert clock_asks("import time\ntime.sleep(1)\nclock.now()") == []
