"""The catalogue of faults names its tests, and they are there."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_every_test_that_the_catalogue_names_is_there() -> None:
    named = set(re.findall(r"`(test_\w+)`", (ROOT / "hardware" / "faults.md").read_text("utf-8")))
    there = {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)\(", path.read_text("utf-8"), re.MULTILINE)
    }
    assert len(named) > 60
    assert named - there == set()
