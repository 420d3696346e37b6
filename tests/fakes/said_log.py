"""A log of what sensors said in one run of a logger whose clock was right; nothing is worked out in it."""

from collections.abc import Iterable, Mapping
from pathlib import Path

from rainstead.log import LogWriter, Row
from rainstead.readings import Kind
from rainstead.settings import Settings, sensor_kind

__all__ = ["Said", "write_said"]

Said = tuple[int, float | None, int]
"""Stamp, raw value, quality."""


def write_said(path: Path, settings: Settings, said: Mapping[str, Iterable[Said]]) -> None:
    """said: by the names of the settings' sensors, in any order. A level's bursts are of eight echoes within 1.5 mm."""
    kinds = {name: sensor_kind(settings.sensors[name]) for name in said}
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers(kinds)
        segment = writer.begin_segment(writer.begin_boot("logger", "a", 0), 0, trusted=True)
        rows: list[Row] = []
        for name, told in said.items():
            for t_ms, value, quality in told:
                burst = (1.5, 8) if kinds[name] is Kind.LEVEL and value is not None else (None, None)
                rows.append((t_ms, numbers[name], segment, value, int(quality), *burst))
        writer.append(rows)
