"""Everything that was derived, as text that shows every bit, whatever the cut into batches."""

import dataclasses
from pathlib import Path
from typing import Any

from rainstead.derive import Derived, Deriver
from rainstead.log import LogReader
from rainstead.replay import replay
from rainstead.settings import Settings


def flatten(derived: list[Derived]) -> dict[str, list[tuple[object, ...]]]:
    """Every derived number, bit for bit, whatever the cut."""
    flat: dict[str, list[tuple[object, ...]]] = {}
    for one in derived:
        every: list[Any] = [*one.levels, *one.rain, *one.flow, *one.temperatures]
        for rows in every:
            fields = [getattr(rows, field.name) for field in dataclasses.fields(rows)]
            label = f"{type(rows).__name__} {fields[0]}"
            columns = [field.tolist() for field in fields[1:]]
            flat.setdefault(label, []).extend(tuple(map(repr, row)) for row in zip(*columns, strict=True))
        for name in ("storms", "runs", "events"):
            flat.setdefault(name, []).extend((repr(part),) for part in getattr(one, name))
    return flat


def replayed(path: Path, settings: Settings, size: int = 200_000) -> dict[str, list[tuple[object, ...]]]:
    with LogReader(path) as reader:
        return flatten([derived for _, derived in replay(reader, Deriver(settings), size=size)])
