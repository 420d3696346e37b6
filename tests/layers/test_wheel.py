"""The built wheel holds what runs, and nothing else."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SYSTEMD = ROOT / "systemd"
PACKAGES = (
    ROOT / "services" / "rainstead",
    ROOT / "firmware_py" / "rainstead_board",
    ROOT / "dashboards" / "rainstead_page",
)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    done = subprocess.run(build, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (built,) = folder.glob("*.whl")
    return built


def test_the_wheel_holds_every_file_of_its_packages_and_no_other(wheel: Path) -> None:
    everything = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    laid = {name.split("/share/rainstead/systemd/")[1] for name in everything if "/share/rainstead/systemd/" in name}
    assert laid == {path.name for path in SYSTEMD.iterdir() if path.is_file()}
    names = {name for name in everything if ".data/data/share/" not in name}
    wanted = {
        path.relative_to(package.parent).as_posix()
        for package in PACKAGES
        for path in package.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert names == wanted
    for needed in ("rainstead/py.typed", "rainstead_board/py.typed", "rainstead/settings/starter.toml"):
        assert needed in names
    assert "rainstead_board/twin/demo_site.toml" in names
    assert {"rainstead_page/templates/now.html", "rainstead_page/static/page.css"} <= names


def test_the_wheel_carries_the_commands_and_the_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as packed:
        entries = {name.split(".dist-info/")[1]: name for name in packed.namelist() if ".dist-info/" in name}
        commands = packed.read(entries["entry_points.txt"]).decode()
    for command in ("", "-forwarder", "-logger", "-messenger", "-page", "-twin"):
        assert f"\nrainstead{command} = " in commands
    assert "licenses/LICENSE" in entries


def test_what_was_unpacked_from_the_wheel_runs_without_the_source(wheel: Path, tmp_path: Path) -> None:
    zipfile.ZipFile(wheel).extractall(tmp_path)
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "import rainstead, rainstead_board.logger as logger\n"
        "from rainstead.settings import parse_settings, starter\n"
        "assert rainstead.__file__.startswith(sys.argv[1]) and logger.__file__.startswith(sys.argv[1])\n"
        "assert parse_settings(starter(), 'starter', now_ms=2_000_000_000_000).sensors\n"
    )
    done = subprocess.run(
        [sys.executable, "-I", "-c", code, str(tmp_path)], capture_output=True, text=True, check=False, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
