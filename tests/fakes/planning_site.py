"""A site to plan on: a roof, two measured tanks, a pump between them, and ten quiet days in its log. All invented."""

from pathlib import Path

from desk_site import SETTINGS, Raw, level, make_site, ms, pulses, tips

__all__ = ["AS_OF", "AS_OF_MS", "ROOF", "planning_site"]

AS_OF = "2026-01-11T00:05:00Z"
AS_OF_MS = ms("2026-01-11T00:05:00")

# 90 litres a millimetre beyond half a millimetre, into the east tank, which the pump empties into the west one.
ROOF = """
[catchments.roof]
area = 100
runoff_ratio = 0.9
initial_loss = 0.5
shares = { east = 1.0 }
"""


def planning_site(
    folder: Path,
    text: str = SETTINGS + ROOF,
    *,
    east_mm: int = 600,
    west_mm: int = 1500,
    east_fall_mm: int = 5,
    extra: tuple[Raw, ...] = (),
) -> Path:
    """On 11 January east holds 2 x (2500 - east_mm) litres, and west alike; on each day back from there they held
    2 x east_fall_mm and 40 litres more. On 3 January the pump moves 24 L a minute for five minutes: no ordinary day."""
    text = text.replace('source = "east"', 'source = "east"\nto = "west"')
    rows: list[Raw] = []
    for day in range(1, 12):
        for minute in range(-10, 6):
            hour = f"{23 if minute < 0 else 0:02d}:{minute % 60:02d}:00"
            date = f"2026-01-{day:02d}" if minute >= 0 else "2025-12-31" if day == 1 else f"2026-01-{day - 1:02d}"
            back = 11 - day
            rows.append(level(f"{date}T{hour}", "east_level", east_mm - east_fall_mm * back))
            rows.append(level(f"{date}T{hour}", "west_level", west_mm - 20 * back))
        rows.append(tips(f"2026-01-{day:02d}T00:00:30", 0))
    rows.append(pulses("2026-01-03T11:59:50", 0))
    rows += [pulses(f"2026-01-03T12:{k // 6:02d}:{k % 6 * 10:02d}", 400) for k in range(31)]
    rows.append(pulses("2026-01-03T12:06:00", 0))
    return make_site(folder, [*rows, *extra], text=text)
