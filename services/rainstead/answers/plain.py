"""Answers as plain data for JSON: the dataclasses' own keys, nothing else."""

import dataclasses
import math
from datetime import UTC, datetime, timedelta
from typing import Any

__all__ = ["to_plain", "utc_text"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_MS, _LAST_MS = -62_135_596_800_000, 253_402_300_799_999
"""The years 1 and 9999. A damaged log may name any stamp, and damage without an end has one far away."""


def utc_text(t_ms: int) -> str:
    """ISO-8601 in UTC, to the millisecond where there is one; held within the years 1 to 9999."""
    t_ms = min(max(t_ms, _FIRST_MS), _LAST_MS)
    when = _EPOCH + timedelta(milliseconds=t_ms)
    return when.isoformat(timespec="milliseconds" if t_ms % 1000 else "seconds").replace("+00:00", "Z")


def to_plain(value: Any) -> Any:
    """Dicts, lists, numbers and text; each `x_ms` has its `x_utc` beside it; what is not a number is None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        plain: dict[str, Any] = {}
        for field in dataclasses.fields(value):
            part = getattr(value, field.name)
            if field.name.endswith("_ms"):
                plain[field.name.removesuffix("_ms") + "_utc"] = None if part is None else utc_text(part)
            plain[field.name] = to_plain(part)
        return plain
    if isinstance(value, tuple | list):
        return [to_plain(part) for part in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
