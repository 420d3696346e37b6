"""The bytes of one block: the columns of up to an hour of one segment, packed; `services/log-format.md` has the layout.

What is unpacked is what was packed, to the bit. Nothing here knows a file.
"""

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rainstead.errors import LogDamaged
from rainstead.readings import F64, I64

from . import varint

__all__ = ["COLUMNS", "MINUTES", "READINGS", "VERSION", "Group", "pack", "unpack"]

VERSION: Final = 1
READINGS: Final = 1
MINUTES: Final = 2
COLUMNS: Final = {
    READINGS: ("value", "quality", "spread", "count"),
    MINUTES: ("count", "lowest", "highest", "mean", "unusable"),
}
"""What a block of each kind has for each of its sensors, after the time."""

_DIVISORS: Final = (1, 2, 10, 16, 100, 1000, 10_000)
"""Coding 1 … 7: whole numbers of this part of the raw unit. A sixteenth is what temperature probes count in."""
_NONE, _TABLE, _DOUBLES = 0, 8, 9
_HAS_MASK = 0x40
_EXACT = 2.0**53
_LAST_SENSOR = 2**31 - 1
_MOST_MS = 2**53
"""Boot clocks and stamps are far below, and may be added up."""
_LONGEST_SECTION = 1 << 22
"""Bytes; the largest that is ever written has an hour's 4096 readings, a tenth of it. A few bytes can deflate to more
than a board has."""


@dataclass(frozen=True, slots=True)
class Group:
    """One sensor's part of a block. ms: since the block's origin. columns: as COLUMNS says, NaN where there is none."""

    sensor: int
    ms: I64
    columns: tuple[F64, ...]


def pack(kind: int, origin_ms: int, groups: Sequence[Group]) -> bytes:
    """A block. origin_ms: boot clock of its first reading."""
    width = len(COLUMNS[kind])
    head, numbers, doubles = bytearray(), _sections(width + 1), bytearray()
    varint.put_signed(head, origin_ms)
    varint.put_unsigned(head, len(groups))
    for group in groups:
        varint.put_unsigned(head, group.sensor)
        varint.put_unsigned(head, len(group.ms))
        _put_numbers(head, numbers[0], 1, _shortest(group.ms, orders=(1, 2)))
        for column, section in zip(group.columns, numbers[1:], strict=True):
            _put_column(head, section, doubles, column)
    out = bytearray((VERSION, kind))
    packed = [varint.to_bytes(np.concatenate(steps)) if steps else b"" for steps in numbers]
    for part in (bytes(head), *packed, bytes(doubles)):
        squeezed = _squeeze(part)
        varint.put_unsigned(out, len(squeezed))
        out += squeezed
    return bytes(out + struct.pack("<I", zlib.crc32(out)))


def unpack(body: bytes) -> tuple[int, int, list[Group]]:
    """Kind, origin_ms and groups of a block. Raises LogDamaged where it is not as it was packed."""
    if len(body) < 6 or zlib.crc32(body[:-4]) != struct.unpack("<I", body[-4:])[0]:
        raise LogDamaged("its checksum does not fit")
    if body[0] != VERSION or body[1] not in COLUMNS:
        raise LogDamaged(f"it is of version {body[0]}, kind {body[1]}, which this rainstead does not know")
    try:
        return body[1], *_unpack(body, len(COLUMNS[body[1]]))
    except (ValueError, IndexError, OverflowError, zlib.error) as error:
        raise LogDamaged(f"its checksum fits and its content does not: {error}") from None


def _unpack(body: bytes, width: int) -> tuple[int, list[Group]]:
    sections, at = [], 2
    for _ in range(width + 3):
        size, at = varint.one_unsigned(body, at)
        sections.append(_inflated(body[at : at + size]) if size else b"")
        at += size
    if at != len(body) - 4:
        raise ValueError("it has bytes left over")
    head = sections[0]
    numbers = [_Numbers(part) for part in varint.from_parts(sections[1:-1])]
    doubles = _Doubles(np.frombuffer(sections[-1], dtype="<f8"))
    origin_ms, at = varint.one_signed(head, 0)
    if abs(origin_ms) > _MOST_MS:
        raise ValueError(f"it begins at {origin_ms}")
    many, at = varint.one_unsigned(head, at)
    groups = []
    for _ in range(many):
        sensor, at = varint.one_unsigned(head, at)
        count, at = varint.one_unsigned(head, at)
        if sensor > _LAST_SENSOR:
            raise ValueError(f"it has a sensor {sensor}")
        code = head[at]
        base, at = varint.one_signed(head, at + 1) if code >> 4 & 3 == 0 else (0, at + 1)
        ms = numbers[0].take(count, code >> 4 & 3, base)
        columns = []
        for section in numbers[1:]:
            column, at = _column(head, at, count, section, doubles)
            columns.append(column)
        groups.append(Group(sensor, ms, tuple(columns)))
    if any(section.left for section in numbers) or doubles.left:
        raise ValueError("it has numbers left over")
    return origin_ms, groups


def _inflated(squeezed: bytes) -> bytes:
    inflate = zlib.decompressobj(-15)
    section = inflate.decompress(squeezed, _LONGEST_SECTION)
    if not inflate.eof or inflate.unused_data:
        raise ValueError("a section does not end where it should")
    return section


# --- a column --------------------------------------------------------------------------------------------------------


def _sections(many: int) -> list[list[I64]]:
    return [[] for _ in range(many)]


def _put_column(head: bytearray, section: list[I64], doubles: bytearray, column: F64) -> None:
    there = ~np.isnan(column)
    if not there.any():
        head.append(_NONE)
        return
    mask = b"" if there.all() else np.packbits(there).tobytes()
    flag = _HAS_MASK if mask else 0
    values = column[there]
    divided = _divided(values)
    steps = None if divided is None else _shortest(divided[1])
    table, place = np.unique(values.view(np.int64), return_inverse=True)
    table_costs = 8 * len(table) + len(values) * (1 + (len(table) > 64))
    costs = 8 * len(values) if steps is None else steps.size
    if min(table_costs, costs) >= 8 * len(values):
        head.append(_DOUBLES | flag)
        head += mask
        doubles += values.astype("<f8").tobytes()
    elif divided is None or steps is None or table_costs < costs:
        steps = _shortest(place.reshape(-1).astype(np.int64))
        _put_numbers(head, section, _TABLE | flag, steps, mask, len(table))
        doubles += table.view(np.float64).astype("<f8").tobytes()
    else:
        _put_numbers(head, section, divided[0] | flag, steps, mask)


def _put_numbers(
    head: bytearray, section: list[I64], code: int, steps: "_Steps", mask: bytes = b"", entries: int = 0
) -> None:
    head.append(code | steps.order << 4)
    head += mask
    if entries:
        varint.put_unsigned(head, entries)
    if steps.order == 0:
        varint.put_signed(head, steps.base)
    section.append(steps.numbers)


def _column(head: bytes, at: int, count: int, section: "_Numbers", doubles: "_Doubles") -> tuple[F64, int]:
    code = head[at]
    coding, order, at = code & 15, code >> 4 & 3, at + 1
    if coding == _NONE:
        return np.full(count, np.nan), at
    there, many = None, count
    if code & _HAS_MASK:
        size = -(-count // 8)
        bits = np.frombuffer(head, dtype=np.uint8, count=size, offset=at)
        there = np.unpackbits(bits, count=count).view(bool)
        many, at = int(np.count_nonzero(there)), at + size
    if coding == _DOUBLES:
        values = doubles.take(many)
    else:
        entries = 0
        if coding == _TABLE:
            entries, at = varint.one_unsigned(head, at)
        elif coding > _TABLE:
            raise ValueError(f"a column has the coding {coding}")
        base, at = varint.one_signed(head, at) if order == 0 else (0, at)
        numbers = section.take(many, order, base)
        values = doubles.take(entries)[numbers] if coding == _TABLE else numbers / _DIVISORS[coding - 1]
    if there is None:
        return values, at
    column = np.full(count, np.nan)
    column[there] = values
    return column, at


def _divided(values: F64) -> tuple[int, I64] | None:
    """The coarsest unit that all values are whole numbers of, to the bit, and how many of it."""
    if not np.isfinite(values).all() or np.abs(values).max() >= _EXACT / _DIVISORS[-1]:
        return None
    for coding, divisor in enumerate(_DIVISORS, 1):
        # As whole numbers before they are compared: a nought has no sign among them.
        whole = np.rint(values * divisor).astype(np.int64)
        if np.array_equal((whole / divisor).view(np.int64), values.view(np.int64)):
            return coding, whole
    return None


@dataclass(frozen=True, slots=True)
class _Steps:
    """Whole numbers as they are written. order: how many running sums give them back; base: added where it is 0."""

    order: int
    base: int
    numbers: I64
    size: int


def _shortest(numbers: I64, orders: tuple[int, ...] = (0, 1)) -> _Steps:
    """The way that takes fewest bytes: from the middle number, by differences, by their differences."""
    found: list[tuple[int, float, _Steps]] = []
    for order in orders:
        base, steps = 0, numbers
        if order == 0:
            base = int(np.partition(numbers, len(numbers) // 2)[len(numbers) // 2])
            steps = numbers - base
        for _ in range(order):
            less = steps.copy()
            less[1:] -= steps[:-1]
            steps = less
        size = int(varint.sizes(steps).sum())
        # Where bytes are the same, the smaller numbers are taken: they deflate to less.
        found.append((size, float(np.abs(steps.astype(float)).sum()), _Steps(order, base, steps, size)))
    return min(found, key=lambda way: way[:2])[2]


def _squeeze(section: bytes) -> bytes:
    """Deflated, by the better of two searches: noise wants runs only, patterns want more."""
    if not section:
        return b""
    found = []
    for strategy in (zlib.Z_RLE, zlib.Z_FILTERED):
        deflate = zlib.compressobj(9, zlib.DEFLATED, -15, 8, strategy)
        found.append(deflate.compress(section) + deflate.flush())
    return min(found, key=len)


class _Numbers:
    """The numbers of one section, taken column by column."""

    def __init__(self, numbers: I64) -> None:
        self._numbers, self._at = numbers, 0

    def take(self, count: int, order: int, base: int) -> I64:
        numbers = self._numbers[self._at : self._at + count]
        if len(numbers) != count:
            raise ValueError("it has too few numbers")
        self._at += count
        if order == 0:
            return numbers + base
        for _ in range(order):
            numbers = numbers.cumsum()
        return numbers

    @property
    def left(self) -> int:
        return len(self._numbers) - self._at


class _Doubles:
    """The floating-point numbers of a block, taken likewise."""

    def __init__(self, doubles: F64) -> None:
        self._doubles, self._at = doubles, 0

    def take(self, count: int) -> F64:
        doubles = self._doubles[self._at : self._at + count]
        if len(doubles) != count:
            raise ValueError("it has too few numbers")
        self._at += count
        return doubles

    @property
    def left(self) -> int:
        return len(self._doubles) - self._at
