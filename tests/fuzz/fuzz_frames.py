"""Bytes from a serial line or a probe's file: frames come out or bad bytes are counted, the same in any cut."""

from collections.abc import Callable

from rainstead.readings import Quality
from rainstead_board.drivers.frames import BinaryFrames, Frames, TextFrames
from rainstead_board.drivers.one_wire import parse_probe

LONGEST = 512
FRESH: tuple[Callable[[], Frames], ...] = (BinaryFrames, TextFrames)


def seeds() -> list[bytes]:
    """Good frames, broken ones, and a probe's file."""
    binary = b"".join(bytes((0xFF, n >> 8, n & 255, (0xFF + (n >> 8) + (n & 255)) & 255)) for n in (1, 255, 1953, 9999))
    return [
        binary,
        b"\xff" + binary[:7] + b"\xff\xff" + binary,
        b"R1234\rR0000\rR12345\r",
        b"R12R1234\r\rR1234\n\rR99999\r",
        b"72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
        b"72 01 4b 46 7f ff 0e 10 57 : crc=57 NO\n72 01 4b 46 7f ff 0e 10 57 t=-62\n",
    ]


def one(data: bytes) -> None:
    """The first byte says where it is cut."""
    cut = data[0] if data else 0
    for fresh in FRESH:
        whole, cut_up = fresh(), fresh()
        found = list(whole.feed(data))
        assert found == [*cut_up.feed(data[:cut]), *cut_up.feed(data[cut:])]
        assert 0 <= whole.bad_bytes <= len(data)
        assert all(value is None or 0 < value < 100_000 for value in found), found
    value, quality = parse_probe(data.decode("ascii", errors="replace"))
    assert quality is not Quality.OK or (value is not None and -60 <= value <= 125), value
