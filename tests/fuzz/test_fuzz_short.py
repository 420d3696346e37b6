"""A short run of each fuzz target; `make fuzz` is the long one."""

import importlib
import importlib.util
import re
from pathlib import Path

import pytest
from fuzz_all import fuzzed
from fuzz_one import WATCHED

RUNS = {"block": 1500, "frames": 3000, "import": 800, "log": 60, "settings": 400}


@pytest.mark.parametrize("name", WATCHED)
def test_the_seeds_let_nothing_escape(name: str) -> None:
    target = importlib.import_module(f"fuzz_{name}")
    seeds = target.seeds()
    for seed in seeds:
        assert len(seed) <= target.LONGEST
        target.one(seed)
    assert len(seeds) > 4


@pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None,
    reason="the fuzzer has wheels for Linux on x86-64 with Python before 3.14 alone; the seeds were run, nothing else",
)
@pytest.mark.parametrize("name", WATCHED)
def test_what_is_made_of_the_seeds_lets_nothing_escape(name: str, tmp_path: Path) -> None:
    is_well, said = fuzzed(name, f"-runs={RUNS[name]}", "-seed=1", f"-artifact_prefix={tmp_path}/")
    assert is_well, said
    runs = re.search(r"([\d,]+) runs", said)
    assert runs is not None and int(runs[1].replace(",", "")) >= RUNS[name], said
