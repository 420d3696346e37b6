"""Readings of still water that falls from night to night, for the small site."""

from small_site import Row

__all__ = ["FALLS_MM", "dawn_rows"]

FALLS_MM = (0.0, 1, 1, 1, 41, 1, 1, 1, 1, 100, 100, 100, 100)
"""Quiet for nine days but for a bucket, then a leak of 10 cm a day from a tank of 3.14 L/mm."""


def dawn_rows(fall_mm: tuple[float, ...]) -> list[Row]:
    """A reading each ten minutes between two and five, and each two hours by day, from 1 March."""
    rows: list[Row] = []
    range_mm = 1500.0
    for day, fell in enumerate(fall_mm, start=1):
        range_mm += fell
        minutes = [*range(120, 300, 10), *range(360, 1440, 120)]
        for minute in minutes:
            when = f"2026-03-{day:02d}T{minute // 60:02d}:{minute % 60:02d}:30"
            rows.append((when, "house_level", round(range_mm + (minute // 10) % 2)))
    return rows
