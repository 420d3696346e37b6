"""Each fuzz target for so many seconds: what was run, covered and found. `fuzz_all.py --seconds 60 [TARGET …]`."""

import argparse
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from fuzz_one import WATCHED

HERE = Path(__file__).parent
_MEMORY = Path("/dev/shm")


def fuzzed(name: str, *limits: str) -> tuple[bool, str]:
    """Whether nothing was found, and what to say of it."""
    found = Path.cwd() / f"fuzz-{name}-"
    # In memory, for each try takes several syncs; and the fuzzer ends without tidying up.
    with tempfile.TemporaryDirectory(dir=_MEMORY if _MEMORY.is_dir() else None) as folder:
        done = subprocess.run(
            [sys.executable, HERE / "fuzz_one.py", name, f"-artifact_prefix={found}", *limits],
            env={**os.environ, "TMPDIR": folder},
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    if done.returncode:
        return False, f"{name}: FAILED\n{(done.stdout + done.stderr)[-6000:]}"
    if "is not installed" in done.stdout:
        return True, done.stdout.strip()
    runs = re.search(r"stat::number_of_executed_units:\s*(\d+)", done.stderr)
    peak = re.search(r"stat::peak_rss_mb:\s*(\d+)", done.stderr)
    cover = re.findall(r"cov: (\d+) ft: (\d+) corp: (\d+)", done.stderr)
    assert runs and peak and cover, done.stderr[-2000:]
    branches, features, kept = cover[-1]
    return True, (
        f"{name}: {int(runs[1]):,} runs, {branches} branches, {features} features, {kept} inputs kept, "
        f"{peak[1]} MB at most; nothing escaped"
    )


def main() -> None:
    """Exit code 1 where anything was found; the input that does it is left in this folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("target", nargs="*", choices=[[], *WATCHED])
    arguments = parser.parse_args()
    failed = False
    for name in arguments.target or WATCHED:
        is_well, said = fuzzed(name, f"-max_total_time={arguments.seconds}")
        print(said, flush=True)
        failed = failed or not is_well
    raise SystemExit(failed)


if __name__ == "__main__":
    main()
