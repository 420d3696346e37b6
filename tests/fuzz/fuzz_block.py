"""A sealed block's bytes: what comes of them is readings, or LogDamaged; never anything else, and never much memory.

An input is a block's sections before they are deflated, each behind its length in two bytes, after a byte for the
kind; or, with the top bit of that byte, a whole block without its checksum.
"""

import contextlib
import struct
import zlib

import numpy as np

from rainstead.errors import LogDamaged
from rainstead.log import block, varint
from rainstead.log.sealed import _rows

LONGEST = 4096
WHOLE = 0x80


def seeds() -> list[bytes]:
    """Blocks of few and of many readings, one of minutes, and one that deflates to a thousand times its size."""
    rng = np.random.default_rng(1)
    bodies = []
    for many, sensors in ((1, 1), (3, 2), (60, 3), (400, 1)):
        groups = []
        for sensor in range(1, sensors + 1):
            value = np.round(1200 + np.cumsum(rng.normal(0, 2, many)), sensor - 1)
            value[rng.random(many) < 0.1] = np.nan
            spread = rng.random(many) if sensor == 2 else np.full(many, np.nan)
            columns = (value, np.zeros(many), spread, np.full(many, 8.0))
            groups.append(block.Group(sensor, np.sort(rng.integers(0, 3_600_000, many)), columns))
        bodies.append(block.pack(block.READINGS, 5_000, groups)[:-4])
    minutes = tuple(np.round(rng.random(5), 2) for _ in block.COLUMNS[block.MINUTES])
    bodies.append(block.pack(block.MINUTES, 5_000, [block.Group(1, np.arange(5) * 60_000, minutes)])[:-4])
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    bomb = squeeze.compress(bytes(3 << 20)) + squeeze.flush()
    swollen = bytearray(bodies[0][:2])
    varint.put_unsigned(swollen, len(bomb))
    bodies.append(bytes(swollen) + bomb)
    return [bytes((WHOLE,)) + body for body in bodies] + [_opened(body) for body in bodies[:5]]


def _opened(body: bytes) -> bytes:
    out, at = bytearray((body[1],)), 2
    while at < len(body):
        size, at = varint.one_unsigned(body, at)
        section = zlib.decompress(body[at : at + size], -15) if size else b""
        out += len(section).to_bytes(2, "little") + section
        at += size
    return bytes(out)


def _closed(data: bytes) -> bytes:
    kind = block.MINUTES if data[:1] == b"\2" else block.READINGS
    out, at = bytearray((block.VERSION, kind)), 1
    for _ in range(len(block.COLUMNS[kind]) + 3):
        size = int.from_bytes(data[at : at + 2], "little")
        section = data[at + 2 : at + 2 + size]
        at += 2 + size
        squeeze = zlib.compressobj(1, zlib.DEFLATED, -15)
        squeezed = squeeze.compress(section) + squeeze.flush() if section else b""
        varint.put_unsigned(out, len(squeezed))
        out += squeezed
    return bytes(out)


def one(data: bytes) -> None:
    """With a checksum that fits: else nothing behind it would ever be met."""
    body = data[1:] if data and data[0] & WHOLE else _closed(data)
    body += struct.pack("<I", zlib.crc32(body))
    with contextlib.suppress(LogDamaged):
        kind, _, groups = block.unpack(body)
        assert kind in block.COLUMNS
        assert all(len(column) == len(group.ms) for group in groups for column in group.columns)
    with contextlib.suppress(LogDamaged):
        _rows(body, 1, 1_780_000_000_000)
