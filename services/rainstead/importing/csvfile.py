"""A file of raw readings: checked to the last row before anything else sees it."""

import csv
import difflib
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite
from pathlib import Path
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from rainstead.errors import ImportRefused
from rainstead.readings import F64, I64, RAW_UNIT, Kind
from rainstead.settings import Settings, sensor_kind

__all__ = ["STEP", "Rows", "read_rows", "refuse", "utc_text"]

COLUMNS: Final = ("utc", "sensor", "value")
MOST_NAMED: Final = 20
STEP: Final = 20_000
"""Rows per call of progress, and per block on their way into the log: what bounds the memory."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND: Final = timedelta(milliseconds=1)
_DAY_MS: Final = 86_400_000
_MOST_COUNTED: Final = 1_000_000_000
_LIMITS: Final = {Kind.LEVEL: (0, 20_000), Kind.TEMPERATURE: (-60, 85)}


class _Reader(Protocol):
    """What csv.reader gives, which has no public name in Python 3.11."""

    line_num: int

    def __iter__(self) -> Iterator[list[str]]: ...


@dataclass(frozen=True, slots=True)
class Rows:
    """The file's rows by stamp, then sensor, each sensor and stamp once. sensor: index into `names`."""

    names: tuple[str, ...]
    t_ms: I64
    sensor: npt.NDArray[np.uint16]
    value: F64
    line: I64
    repeated: int

    def key(self) -> I64:
        """Stamp and sensor as one number, ascending."""
        return self.t_ms * len(self.names) + self.sensor

    def take(self, which: npt.NDArray[np.bool_]) -> "Rows":
        """The rows that a mask picks."""
        return Rows(
            self.names, self.t_ms[which], self.sensor[which], self.value[which], self.line[which], self.repeated
        )


def read_rows(path: Path, settings: Settings, now_ms: int, progress: Callable[[int], None]) -> Rows:
    """All rows of a file, at least one. Raises ImportRefused, naming each line that will not do."""
    if path.is_dir():
        raise ImportRefused(f"{path}: this is a folder; name the CSV file itself")
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _parse(path, csv.reader(file, strict=True), settings, now_ms, progress)
    except UnicodeDecodeError:
        raise ImportRefused(f"{path}: this is not UTF-8 text; save it as CSV in UTF-8") from None
    except OSError as error:
        raise ImportRefused(f"{path}: cannot be read ({error.strerror}); check its name and its owner") from None


def _parse(path: Path, reader: "_Reader", settings: Settings, now_ms: int, progress: Callable[[int], None]) -> Rows:
    names = tuple(sorted(settings.sensors))
    known = {name: (position, sensor_kind(settings.sensors[name])) for position, name in enumerate(names)}
    latest_ms = now_ms + _DAY_MS
    t_ms, sensor, value, line = array("q"), array("H"), array("d"), array("q")
    bad: list[tuple[int, str]] = []
    bad_count = count = 0
    try:
        at_utc, at_sensor, at_value = _header(path, reader)
        for row in reader:
            if not row:
                continue
            count += 1
            if count % STEP == 0:
                progress(STEP)
            try:
                if len(row) != len(COLUMNS):
                    raise ValueError(f"{len(row)} columns where there should be {len(COLUMNS)}")
                stamp_ms = _stamp_ms(row[at_utc].strip(), latest_ms)
                place = known.get(row[at_sensor].strip())
                if place is None:
                    raise ValueError(_unknown(row[at_sensor].strip(), names))
                number = _value(row[at_value].strip(), place[1])
            except ValueError as error:
                bad_count += 1
                if len(bad) < MOST_NAMED:
                    bad.append((reader.line_num, str(error)))
                continue
            t_ms.append(stamp_ms)
            sensor.append(place[0])
            value.append(number)
            line.append(reader.line_num)
    except csv.Error as error:
        raise ImportRefused(
            f"{path}: line {reader.line_num}: this is not CSV ({error}); look for a stray quotation mark"
        ) from None
    progress(count % STEP)
    if count == 0:
        raise ImportRefused(f"{path}: there is a header but no row below it; nothing to import")
    rows, disputes = _in_order(names, t_ms, sensor, value, line)
    refuse(path, bad + disputes, bad_count + len(disputes), "nothing was imported")
    return rows


def _header(path: Path, reader: "_Reader") -> tuple[int, int, int]:
    header = next((row for row in reader if row), None)
    want = ",".join(COLUMNS)
    if header is None:
        raise ImportRefused(f"{path}: the file is empty; it should begin with the line {want}")
    if any("\0" in name for name in header):
        raise ImportRefused(f"{path}: this is not a text file; it should begin with the line {want}")
    found = [name.strip().lower() for name in header]
    if sorted(found) != sorted(COLUMNS):
        shown = ",".join(header)
        shown = shown if len(shown) <= 80 else shown[:80] + "…"
        hint = " (columns are parted by commas)" if len(header) == 1 else ""
        raise ImportRefused(
            f"{path}: line {reader.line_num}: the header is {shown!r}; it must name the columns {want}, "
            f"in any order and no other{hint}"
        )
    return found.index("utc"), found.index("sensor"), found.index("value")


def _stamp_ms(text: str, latest_ms: int) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"utc = {text!r} is not an ISO-8601 time; write it like 2026-01-31T12:00:00Z") from None
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError(f"utc = {text!r} does not say its zone; turn it into UTC and end it with Z")
    if offset:
        raise ValueError(f"utc = {text!r} is not UTC; turn it into UTC and end it with Z")
    if moment.microsecond % 1000:
        raise ValueError(f"utc = {text!r} is finer than a millisecond, which the log does not keep; round it")
    t_ms = (moment - _EPOCH) // _MILLISECOND
    if t_ms < 0:
        raise ValueError(f"utc = {text!r} is before 1970; no sensor of this site was there")
    if t_ms > latest_ms:
        raise ValueError(f"utc = {text!r} lies in the future; check the year, and this machine's clock")
    return t_ms


def _value(text: str, kind: Kind) -> float:
    try:
        # float() would also take 1_000
        number = float("" if "_" in text else text)
    except ValueError:
        raise ValueError(f"value = {text!r} is not a number (write decimals with a point)") from None
    if kind in _LIMITS:
        low, high = _LIMITS[kind]
        if not low <= number <= high:
            raise ValueError(f"value = {text} lies outside {low} to {high} {RAW_UNIT[kind]}")
    elif not (isfinite(number) and number.is_integer() and 0 <= number <= _MOST_COUNTED):
        raise ValueError(
            f"value = {text} is not a count of {RAW_UNIT[kind]}: a whole number, 0 or more, since the row before"
        )
    return number + 0.0  # -0 is 0


def _unknown(name: str, names: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]}?" if near else f"the site has {', '.join(names) or 'no sensors'}"
    return f"sensor = {name!r} is not in the settings; {hint}"


def _in_order(
    names: tuple[str, ...], t_ms: "array[int]", sensor: "array[int]", value: "array[float]", line: "array[int]"
) -> tuple[Rows, list[tuple[int, str]]]:
    """The rows by stamp and sensor, each once, and a complaint for each that its file contradicts."""
    order = np.lexsort((np.asarray(line), np.asarray(sensor), np.asarray(t_ms)))
    t, n = np.asarray(t_ms, dtype=np.int64)[order], np.asarray(line, dtype=np.int64)[order]
    s, v = np.asarray(sensor, dtype=np.uint16)[order], np.asarray(value, dtype=np.float64)[order]
    again = np.zeros(len(t), dtype=bool)
    again[1:] = (t[1:] == t[:-1]) & (s[1:] == s[:-1])
    first = np.maximum.accumulate(np.where(again, 0, np.arange(len(t))))
    disputes = [
        (
            int(n[k]),
            f"{names[s[k]]} at {utc_text(t[k])} is {v[k]:g} here and {v[first[k]]:g} on line {n[first[k]]}; "
            "keep one of them",
        )
        for k in np.flatnonzero(again & (v != v[first]))
    ]
    rows = Rows(names, t, s, v, n, repeated=int(np.count_nonzero(again)))
    return rows.take(~again), disputes


def refuse(path: Path, complaints: list[tuple[int, str]], count: int, outcome: str) -> None:
    """Raise ImportRefused if there are complaints (line, text), of which there may be more than are named."""
    if not complaints:
        return
    said = [f"line {line}: {text}" for line, text in sorted(complaints)[:MOST_NAMED]]
    if count > len(said):
        said.append(f"and {count - len(said)} more")
    raise ImportRefused(f"{path}: {outcome}\n  " + "\n  ".join(said))


def utc_text(t_ms: np.int64) -> str:
    """A stamp as people read it."""
    return (_EPOCH + int(t_ms) * _MILLISECOND).isoformat(timespec="milliseconds").replace("+00:00", "Z")
