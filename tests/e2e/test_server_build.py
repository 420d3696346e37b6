"""Building the servers for tests, with a compiler that only pretends: what is missing or fails is one clear reason."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

BUILD = Path(__file__).parents[1] / "servers" / "build-influxd.sh"
NEW_GO = '[ "$1" = env ] && echo go1.24.1 && exit'


@pytest.fixture
def tools(tmp_path: Path) -> Path:
    """All programs that the script needs, and no compiler."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for name in ("sh", "cat", "chmod", "flock", "grep", "mkdir", "mv", "rm", "sed", "tail", "tee"):
        found = shutil.which(name)
        if found is not None:
            (folder / name).symlink_to(found)
    return folder


def pretend_go(tools: Path, script: str) -> None:
    (tools / "go").write_text(f"#!/bin/sh\n{script}\n")
    (tools / "go").chmod(0o755)


def build(tools: Path, *arguments: str) -> tuple[int, str, str]:
    """Exit code, output, what it complained of."""
    done = subprocess.run(
        [str(tools / "sh"), BUILD, *arguments, str(tools.parent / "cache")],
        env={"PATH": str(tools), "HOME": str(tools.parent), "LC_ALL": os.environ.get("LC_ALL", "C")},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def test_without_a_compiler_it_says_what_to_install(tools: Path) -> None:
    code, _, said = build(tools, "2")
    assert code == 3
    assert said == (
        "InfluxDB v2.8.0 cannot be built: go is missing; on Debian: sudo apt install golang cargo gcc pkg-config\n"
    )
    assert build(tools, "--have", "2")[2] == said


def test_a_compiler_that_is_too_old_is_told(tools: Path) -> None:
    pretend_go(tools, "echo go1.19.8")
    assert build(tools, "1")[2] == "InfluxDB v1.8.10 cannot be built: go1.19.8 is too old; 1.22 or newer is needed\n"


def test_a_build_says_one_line_and_the_path_and_the_second_does_nothing(tools: Path) -> None:
    pretend_go(tools, f'{NEW_GO}\necho "go: downloading much" >&2\n: >"$GOBIN/influxd"\nchmod +x "$GOBIN/influxd"')
    code, path, said = build(tools, "1")
    assert code == 0 and said == "Building InfluxDB v1.8.10 for the tests (minutes, this once) …\n"
    assert os.access(path.strip(), os.X_OK)
    pretend_go(tools, f"{NEW_GO}\nexit 1")
    assert build(tools, "1") == build(tools, "--have", "1") == (0, path, "")


@pytest.mark.parametrize(
    ("trouble", "reason"),
    [
        ("dial tcp: lookup: no such host", "no network, or their server does not answer"),
        ("write /x: no space left on device", "the disk is full"),
        ("undefined: something", "build.log"),
    ],
)
def test_a_build_that_fails_tells_why_and_so_do_the_tests_that_want_it(tools: Path, trouble: str, reason: str) -> None:
    pretend_go(tools, f'{NEW_GO}\necho "{trouble}" >&2\nexit 1')
    code, _, said = build(tools, "1")
    assert code == 4 and trouble in said
    last = said.splitlines()[-1]
    assert last.startswith("InfluxDB v1.8.10 could not be built: ") and reason in last
    code, _, said = build(tools, "--have", "1")
    assert code == 3 and said == f"{last}\n"
