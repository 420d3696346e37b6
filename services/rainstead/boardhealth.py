"""The logger's own account of itself, which it leaves in a small file for whoever asks."""

import json
from pathlib import Path
from typing import Any

__all__ = ["HEALTH_FILE", "RUN_FOLDER", "read_board_health"]

HEALTH_FILE = "health.json"
RUN_FOLDER = Path("/run/rainstead")
"""Where the service keeps it: in memory, which costs a card nothing. A logger started by hand puts it in the site."""


def read_board_health(site_folder: Path, site_name: str, run_folder: Path = RUN_FOLDER) -> dict[str, Any] | None:
    """The newest account of this site's logger; None where there is none that can be read."""
    found: list[dict[str, Any]] = []
    for folder in (site_folder, run_folder):
        try:
            told = json.loads((folder / HEALTH_FILE).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        if isinstance(told, dict) and told.get("site") == site_name and isinstance(told.get("written_ms"), int):
            found.append(told)
    return max(found, key=lambda told: int(told["written_ms"]), default=None)
