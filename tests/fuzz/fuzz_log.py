"""A log that is damaged in several places: it is read, or refused in words, and a logger goes on storing in any case.

An input is a list of wounds: where (three bytes), how long (one), and what is there instead.
"""

import atexit
import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

from board_site import BoardSite, level
from fake_clock import FakeClock

from rainstead.errors import LogBusy, RainsteadError
from rainstead.log import LogReader, LogWriter, check_log

LONGEST = 256
FOLDER = Path(tempfile.mkdtemp(prefix="fuzz-log-"))
atexit.register(shutil.rmtree, FOLDER, True)
BEGIN_MS = 1_780_001_640_000  # six minutes before an hour is over


def _sound() -> bytes:
    """A log of twelve minutes, of which the first six are sealed."""
    folder = FOLDER / "sound"
    folder.mkdir()
    site = BoardSite(folder, [level(lambda t: 1200.0 + t * 7919 % 100_003 / 97)], FakeClock(wall_ms=BEGIN_MS))
    site.run(720)
    site.logger.stop()
    return (folder / "readings.db").read_bytes()


SOUND = _sound()
END_MS = BEGIN_MS + 720_000


def seeds() -> list[bytes]:
    """No wound; one in the header, in the layout, in each tenth page, at the end."""
    at = [0, 16, 24, 60, 100, 105, 1000, *range(1024, min(len(SOUND), 100_000), 7 * 1024), len(SOUND) - 10]
    several = [b"".join(at[k].to_bytes(3, "little") + b"\x02\xa5\x00" for k in part) for part in ((4, 9), (3, 8, 12))]
    return [b"", *several, *(place.to_bytes(3, "little") + b"\x04\xff\x00\x7f\x01" for place in at)]


def wounded(data: bytes) -> bytes:
    """The sound log with the wounds of an input."""
    sick, at = bytearray(SOUND), 0
    while at + 4 < len(data) and sick:
        place, size = int.from_bytes(data[at : at + 3], "little") % len(sick), data[at + 3]
        what = data[at + 4 : at + 4 + size % 64]
        if size >= 192:
            del sick[max(place, 1) :]  # cut short
        elif size >= 128:
            sick[place : place + 1024] = bytes(len(sick[place : place + 1024]))
        else:
            sick[place : place + len(what)] = what
        at += 4 + len(what)
    return bytes(sick)


def one(data: bytes) -> None:
    """Read it, check it, log into it."""
    folder = FOLDER / "site"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    path = folder / "readings.db"
    path.write_bytes(wounded(data))
    with _in_words():
        _read(path)
    with _in_words():
        assert check_log(path).path
    _log(folder)


@contextlib.contextmanager
def _in_words() -> Iterator[None]:
    try:
        yield
    except (RainsteadError, sqlite3.DatabaseError) as error:  # the command line makes one line of either
        assert str(error)


def _read(path: Path) -> None:
    with LogReader(path) as reader:
        for ask in (reader.count, reader.span_ms, reader.events, reader.gaps, reader.minutes, reader.undated_runs):
            with _in_words():
                ask()
        for batch in reader.batches():
            assert len(batch) > 0


def _log(folder: Path) -> None:
    path = folder / "readings.db"
    clock = FakeClock(wall_ms=END_MS + 5_400_000)
    try:
        writer = LogWriter(path, aside_at_ms=clock.wall_ms(), patient=True)
    except RainsteadError as error:
        assert not isinstance(error, LogBusy), error
        return  # another program's file, or a newer log: a person has to look
    try:
        site = BoardSite(folder, [level(lambda _: 1100.0)], clock, boot="next", writer=writer)
    except RainsteadError:
        writer.close()
        return
    site.run(40)
    site.logger.stop()
    assert len(site.logger._waiting) == 0, site.logger._keeper.disk_trouble
