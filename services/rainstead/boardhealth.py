"""The logger's own account of itself, which it leaves in a small file for whoever asks."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rainstead.log import NewestRun

__all__ = ["HEALTH_FILE", "RUN_FOLDER", "account_age_ms", "read_board_health"]

HEALTH_FILE = "health.json"
RUN_FOLDER = Path("/run/rainstead")
"""Where the service keeps it: in memory, which costs a card nothing. A logger started by hand puts it in the site."""


def read_board_health(
    site_folder: Path, site_name: str, run_folder: Path = RUN_FOLDER, *, boot_uuid: str | None = None
) -> dict[str, Any] | None:
    """The newest account of this site's logger; None where there is none that can be read.

    boot_uuid: one of that boot of the machine is newer than all others, whatever their clocks said.
    """
    found: list[dict[str, Any]] = []
    for folder in (site_folder, run_folder):
        try:
            told = json.loads((folder / HEALTH_FILE).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        if isinstance(told, dict) and told.get("site") == site_name and isinstance(told.get("written_ms"), int):
            found.append(told)
    return max(found, key=lambda told: (_boot_ms(told, boot_uuid), int(told["written_ms"])), default=None)


def account_age_ms(told: Mapping[str, Any], as_of_ms: int, run: "NewestRun | None") -> int:
    """How old an account is: by the boot clock where it is of the newest run's boot, else by its stamp."""
    boot_ms = -1 if run is None else _boot_ms(told, run.boot_uuid)
    if run is None or boot_ms < 0:
        return as_of_ms - int(told["written_ms"])
    return as_of_ms - run.offset_ms - boot_ms


def _boot_ms(told: Mapping[str, Any], boot_uuid: str | None) -> int:
    """Boot clock of an account of that boot; -1 for any other."""
    boot_ms = told.get("boot_ms")
    return boot_ms if boot_uuid is not None and told.get("boot_uuid") == boot_uuid and isinstance(boot_ms, int) else -1
