"""A rain forecast: CSV or JSON with `from`, `upto`, `low_mm`, `likely_mm`, `high_mm`, a row for each period."""

import csv
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rainstead.notebook import Forecast

from .refused import RainFileRefused, number_mm, refuse, text_of

__all__ = ["read_forecast"]

_KEYS = ("from", "upto", "low_mm", "likely_mm", "high_mm")
_MOST_MM = 5000.0


def read_forecast(path: Path, zone: str, now_ms: int) -> Forecast:
    """The periods that are not over yet, as one: their quantiles are added, as if rain that is more than likely in one
    were so in all, which errs on the wet side at the top and on the dry side at the bottom.

    Times are ISO-8601; without a zone, the site's. A row may have `likely_mm` alone. Raises RainFileRefused.
    """
    text = text_of(path)
    is_json = path.suffix.lower() == ".json" or text.lstrip()[:1] in ("{", "[")
    bad: list[tuple[int, str]] = []
    periods: list[tuple[int, int, float, float, float]] = []
    for line, row in _json_rows(path, text) if is_json else _csv_rows(path, text):
        try:
            periods.append(_period(row, zone))
        except ValueError as error:
            bad.append((line, str(error)))
    if bad:
        raise refuse(path, bad)
    ahead = sorted(period for period in periods if period[1] > now_ms)
    if not ahead:
        raise RainFileRefused(f"{path}: no period in it reaches beyond now; take a newer forecast")
    for one, other in pairwise(ahead):
        if other[0] < one[1]:
            raise RainFileRefused(f"{path}: two of its periods overlap; leave one out, or their rain counts twice")
    return Forecast(
        t_ms=now_ms,
        from_ms=ahead[0][0],
        upto_ms=ahead[-1][1],
        low_mm=sum(period[2] for period in ahead),
        likely_mm=sum(period[3] for period in ahead),
        high_mm=sum(period[4] for period in ahead),
    )


def _csv_rows(path: Path, text: str) -> Iterator[tuple[int, dict[str, Any]]]:
    rows = csv.DictReader(io.StringIO(text), strict=True)
    try:
        names = [name.strip() for name in rows.fieldnames or ()]
        missing = [name for name in ("from", "upto", "likely_mm") if name not in names]
        if missing:
            told = " and no column ".join(missing)
            raise RainFileRefused(f"{path}: line 1 has no column {told}; name {','.join(_KEYS)}")
        for row in rows:
            yield rows.line_num, {(key or "").strip(): value for key, value in row.items()}
    except csv.Error as error:
        raise RainFileRefused(f"{path}: line {rows.line_num} is not CSV ({error})") from None


def _json_rows(path: Path, text: str) -> Iterator[tuple[int, dict[str, Any]]]:
    try:
        told = json.loads(text)
    except json.JSONDecodeError as error:
        raise RainFileRefused(f"{path}: line {error.lineno} is not JSON ({error.msg})") from None
    for k, row in enumerate(told if isinstance(told, list) else [told], start=1):
        if not isinstance(row, dict):
            raise RainFileRefused(f"{path}: member {k} is not an object with {', '.join(_KEYS)}")
        yield k, row


def _period(row: dict[str, Any], zone: str) -> tuple[int, int, float, float, float]:
    def text(key: str) -> str:
        value = row.get(key)
        return "" if value is None else str(value).strip()

    missing = [key for key in ("from", "upto", "likely_mm") if not text(key)]
    if missing:
        raise ValueError(f"has no {' and no '.join(missing)}")
    begins, ends = _stamp_ms(text("from"), zone), _stamp_ms(text("upto"), zone)
    if ends <= begins:
        raise ValueError(f"upto {text('upto')} does not lie after from {text('from')}")
    likely = number_mm(text("likely_mm"), _MOST_MM)
    low = number_mm(text("low_mm"), _MOST_MM) if text("low_mm") else likely
    high = number_mm(text("high_mm"), _MOST_MM) if text("high_mm") else likely
    if not low <= likely <= high:
        raise ValueError(f"low {low:g}, likely {likely:g} and high {high:g} mm must rise")
    return begins, ends, low, likely, high


def _stamp_ms(text: str, zone: str) -> int:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{text!r} is not a time; write 2026-03-29T14:30 (time of {zone}) or 2026-03-29T13:30Z"
        ) from None
    if not 1900 <= when.year < 2200:
        raise ValueError(f"{text!r}: the year must lie between 1900 and 2199")
    aware = when if when.tzinfo is not None else when.replace(tzinfo=ZoneInfo(zone))
    return round((aware - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() * 1000)
