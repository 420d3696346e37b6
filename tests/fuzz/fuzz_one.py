"""One target under the coverage-guided fuzzer: `fuzz_one.py block -max_total_time=60`; the rest is libFuzzer's.

Where the fuzzer is not installed, the seeds alone are run.
"""

import importlib
import logging
import sys
import tempfile
from pathlib import Path

WATCHED = {
    "block": ["rainstead.log.block", "rainstead.log.varint", "rainstead.log.sealed"],
    "frames": ["rainstead_board.drivers"],
    "import": ["rainstead.importing"],
    "log": ["rainstead.log", "rainstead_board.keeper", "rainstead_board.logcare", "rainstead_board.logger"],
    "settings": ["rainstead.settings", "rainstead.units", "tomllib"],
}
"""Targets, and the modules whose branches guide the search."""
LIMITS = ("-rss_limit_mb=2048", "-timeout=120", "-len_control=0")
"""Of memory, and seconds for one input: many on a machine that is shared. The fuzzer's own watching keeps half a
megabyte of each run of `log`; without it the same runs keep none."""


def main() -> None:
    """The process of one target."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "fakes"))
    name, *rest = sys.argv[1:]
    logging.disable(logging.CRITICAL)  # a line for each wound would bury what the fuzzer finds
    try:
        import atheris
    except ImportError:
        target = importlib.import_module(f"fuzz_{name}")
        for seed in target.seeds():
            target.one(seed)
        print(f"{name}: the fuzzer is not installed; {len(target.seeds())} seeds were run")
        return
    with atheris.instrument_imports(include=WATCHED[name], enable_loader_override=False):
        target = importlib.import_module(f"fuzz_{name}")
    with tempfile.TemporaryDirectory() as folder:
        for number, seed in enumerate(target.seeds()):
            (Path(folder) / f"seed{number:03}").write_bytes(seed)
        arguments = [sys.argv[0], f"-max_len={target.LONGEST}", "-print_final_stats=1", *LIMITS, *rest, folder]
        atheris.Setup(arguments, target.one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
