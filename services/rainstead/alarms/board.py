"""Alarms of the board itself: what no reading tells, so that no replay can find them again."""

from typing import Final

__all__ = ["ACTIVE", "BOARD_ALARMS", "NORMAL"]

ACTIVE: Final = "active_unacknowledged"
NORMAL: Final = "normal"

BOARD_ALARMS: Final = frozenset(
    {
        "low_space",
        "spare_room_used",
        "disk_fault",
        "sensor_fault",
        "clock_unset",
        "calculation_fault",
        "log_damaged",
        "settings_refused",
        "supply_low",
        "no_backup",
        "damage_found",
    }
)
"""Raised by the logger. A replay leaves them out on both sides."""
