"""What our programs say: to the journal with a priority and fields, to a person as words. Nothing waits for it."""

import contextlib
import logging
import os
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rainstead import journal
from rainstead.journal import about, last_words

ALL_SORTS = """
import logging, sys
from rainstead import journal
journal.JOURNAL = sys.argv[1]
journal.begin_journal("rainstead-tried")
said = logging.getLogger("rainstead.tried")
said.info("up")
said.warning("%s: no echo", "house", extra=journal.about(sensor="house"))
try:
    1 / 0
except ZeroDivisionError:
    said.exception("a sum that fails")
journal.last_words("rainstead-tried", "the end")
"""


@pytest.fixture
def datagrams(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "journal"))
        ear.settimeout(10)
        yield ear


def run(address: Path, *, under_a_manager: bool) -> str:
    """What it says on its error stream, which is a file here; the manager tells which file it listens to."""
    heard = address.parent / "heard"
    with heard.open("wb") as stream:
        told = os.fstat(stream.fileno())
        name = {"JOURNAL_STREAM": f"{told.st_dev}:{told.st_ino}"} if under_a_manager else {"JOURNAL_STREAM": "1:1"}
        subprocess.run(
            [sys.executable, "-c", ALL_SORTS, str(address)],
            stderr=stream,
            check=True,
            env=os.environ | name,
            timeout=60,
        )
    return heard.read_text(encoding="utf-8")


def fields(datagram: bytes) -> dict[str, str]:
    """As the protocol's description reads a datagram: lines with =, or a name, a length and so many bytes."""
    found = {}
    while datagram:
        line, _, rest = datagram.partition(b"\n")
        if b"=" in line:
            name, _, value = line.partition(b"=")
        else:
            name, (size,) = line, struct.unpack("<Q", rest[:8])
            value, rest = rest[8 : 8 + size], rest[9 + size :]
        found[name.decode()] = value.decode()
        datagram = rest
    return found


def test_the_journal_gets_priorities_fields_and_whole_tracebacks(tmp_path: Path, datagrams: socket.socket) -> None:
    on_the_stream = run(tmp_path / "journal", under_a_manager=True)
    up, no_echo, sum_fails = (fields(datagrams.recv(65536)) for _ in range(3))
    assert (up["MESSAGE"], up["PRIORITY"], up["SYSLOG_IDENTIFIER"]) == ("up", "6", "rainstead-tried")
    assert (no_echo["MESSAGE"], no_echo["PRIORITY"]) == ("house: no echo", "4")
    assert no_echo["RAINSTEAD_SENSOR"] == "house"
    assert sum_fails["PRIORITY"] == "3"
    assert sum_fails["MESSAGE"].startswith("a sum that fails\nTraceback")
    assert sum_fails["MESSAGE"].endswith("ZeroDivisionError: division by zero")
    assert on_the_stream == "<3>the end\n"


def test_without_a_journal_each_line_keeps_its_priority_on_the_stream(tmp_path: Path) -> None:
    lines = run(tmp_path / "nowhere", under_a_manager=True).splitlines()
    assert lines[:3] == ["<6>up", "<4>house: no echo", "<3>a sum that fails"]
    assert {line[:3] for line in lines[2:]} == {"<3>"}


def test_a_person_gets_words(tmp_path: Path) -> None:
    lines = run(tmp_path / "nowhere", under_a_manager=False).splitlines()
    assert lines[:2] == ["INFO up", "WARNING house: no echo"]
    assert lines[-1] == "rainstead-tried: the end"


def test_a_journal_that_hangs_holds_nobody_up_and_hears_later_how_much_it_missed(
    tmp_path: Path, datagrams: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal, "JOURNAL", str(tmp_path / "journal"))
    monkeypatch.setattr(journal, "_journal_listens", lambda: True)
    root, said = logging.getLogger(), logging.getLogger("rainstead.tried")
    before, level = root.handlers[:], root.level
    root.handlers[:] = []
    try:
        root.addHandler(journal._handler("rainstead-tried"))  # all of it: no line of these is held as a repeated one
        root.setLevel(logging.INFO)
        for number in range(2000):
            said.warning("line %d", number, extra=about(sensor="house"))
        datagrams.settimeout(0)
        heard = []
        with contextlib.suppress(BlockingIOError):
            while True:
                heard.append(fields(datagrams.recv(65536))["MESSAGE"])
        said.warning("it listens again")
        last = fields(datagrams.recv(65536))["MESSAGE"]
    finally:
        for handler in root.handlers:
            handler.close()
        root.handlers[:] = before
        root.setLevel(level)
    assert heard == [f"line {number}" for number in range(len(heard))]
    assert 0 < len(heard) < 2000
    assert last == f"it listens again ({2000 - len(heard)} lines before this one are lost: the journal took none)"


def test_last_words_are_words_where_there_is_no_stream_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", None)
    last_words("rainstead-tried", "the end")
