"""Whole numbers as bytes: zigzag, then seven bits a byte, the lowest first; the top bit says that more follow.

Small numbers of either sign are one byte. Arrays at once, because an hour of readings is thousands of numbers.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from rainstead.readings import I64

__all__ = ["from_bytes", "from_parts", "one_signed", "one_unsigned", "put_signed", "put_unsigned", "sizes", "to_bytes"]

U64 = npt.NDArray[np.uint64]
_LONGEST = 10
_LIMITS = np.array([1 << 7 * k for k in range(1, _LONGEST)], dtype=np.uint64)
"""The first number that takes one byte more."""
_LOW, _MORE = np.uint64(127), np.uint8(128)


def _zigzag(numbers: I64) -> U64:
    return ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)


def sizes(numbers: I64) -> I64:
    """How many bytes each number takes."""
    return np.searchsorted(_LIMITS, _zigzag(numbers), side="right") + 1


def to_bytes(numbers: I64) -> bytes:
    """The numbers one after the other."""
    left, size = _zigzag(numbers), sizes(numbers)
    longest = int(size.max(initial=1))
    if longest == 1:
        return left.astype(np.uint8).tobytes()
    begin = size.cumsum() - size
    out = np.zeros(int(size.sum()), dtype=np.uint8)
    out[begin] = (left & _LOW).astype(np.uint8) | (size > 1) * _MORE
    for k in range(1, longest):
        has = np.flatnonzero(size > k)
        out[begin[has] + k] = (left[has] >> np.uint64(7 * k) & _LOW).astype(np.uint8) | (size[has] > k + 1) * _MORE
    return out.tobytes()


def from_bytes(data: bytes) -> I64:
    """All numbers in these bytes. Raises ValueError where the last is cut short, or one is longer than 64 bits."""
    return from_parts([data])[0]


def from_parts(parts: Sequence[bytes]) -> list[I64]:
    """The same for several, at once: on a few hundred numbers the calls cost more than the work."""
    sizes_of = [len(part) for part in parts]
    raw = np.frombuffer(b"".join(parts), dtype=np.uint8)
    ends = (raw < 128).nonzero()[0]
    marks = np.searchsorted(ends, np.array([0, *sizes_of]).cumsum()).tolist()
    if len(ends) == len(raw):
        whole = raw.astype(np.uint64)
    else:
        for part in parts:
            if part and part[-1] > 127:
                raise ValueError("the last number is cut short")
        begin = np.empty(len(ends), dtype=np.int64)
        begin[0] = 0
        begin[1:] = ends[:-1] + 1
        size = ends - begin + 1
        longest = int(size.max())
        if longest > _LONGEST:
            raise ValueError("a number is too long")
        whole = (raw[begin] & np.uint8(127)).astype(np.uint64)
        for k in range(1, longest):
            has = (size > k).nonzero()[0]
            whole[has] |= (raw[begin[has] + k] & np.uint8(127)).astype(np.uint64) << np.uint64(7 * k)
    numbers = (whole >> np.uint64(1)).view(np.int64) ^ -(whole & np.uint64(1)).view(np.int64)
    return [numbers[low:high] for low, high in pairwise(marks)]


def put_unsigned(out: bytearray, number: int) -> None:
    """One number that is not negative, without zigzag."""
    while number > 127:
        out.append(number & 127 | 128)
        number >>= 7
    out.append(number)


def put_signed(out: bytearray, number: int) -> None:
    """One number of either sign."""
    put_unsigned(out, number << 1 if number >= 0 else (-number << 1) - 1)


def one_unsigned(data: bytes, at: int) -> tuple[int, int]:
    """A number without zigzag, and where the next thing begins.

    Raises IndexError where it is cut short, ValueError where it is longer than an array's number may be.
    """
    number = shift = 0
    while data[at] > 127:
        if shift > 7 * (_LONGEST - 2):
            raise ValueError("a number is too long")
        number |= (data[at] & 127) << shift
        shift += 7
        at += 1
    return number | data[at] << shift, at + 1


def one_signed(data: bytes, at: int) -> tuple[int, int]:
    """A number of either sign, and where the next thing begins. Raises as `one_unsigned`."""
    number, at = one_unsigned(data, at)
    return (number >> 1) ^ -(number & 1), at
