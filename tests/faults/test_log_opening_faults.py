"""A log that is damaged in any way is opened, or refused in words; nothing else escapes."""

import random
import sqlite3
from pathlib import Path

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rainstead.errors import RainsteadError
from rainstead.log import LogReader, LogWriter, check_log

SLOW = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])


class Sound:
    """Kept out of failing examples' words."""

    def __init__(self, content: bytes) -> None:
        self.content = content


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Sound:
    """The bytes of a log of five minutes."""
    folder = tmp_path_factory.mktemp("sound")
    site = BoardSite(folder, [level(lambda t: 1200.0 + t % 11)], FakeClock(), text=SITE)
    site.run(300)
    site.logger.stop()
    return Sound((folder / "readings.db").read_bytes())


def try_everything(folder: Path, content: bytes) -> None:
    """Read it, check it, write to it: each either works or says why not."""
    path = folder / "readings.db"
    for name in ("readings.db-wal", "readings.db-shm"):
        (folder / name).unlink(missing_ok=True)
    path.write_bytes(content)
    for use in (read, check, write):
        try:
            use(path)
        except RainsteadError as error:
            assert str(error), use


def read(path: Path) -> None:
    with LogReader(path) as reader:
        try:
            reader.count()
            for batch in reader.batches():
                assert len(batch) > 0
            reader.events()
        except sqlite3.DatabaseError:
            pass  # pages that are gone; the command line says it in one line


def check(path: Path) -> None:
    check_log(path)


def write(path: Path) -> None:
    with LogWriter(path):
        pass


@SLOW
@given(st.binary(max_size=4096))
def test_bytes_of_any_kind_are_no_log(tmp_path: Path, content: bytes) -> None:
    try_everything(tmp_path, content)


@SLOW
@given(cut=st.floats(0, 1))
def test_a_log_that_was_cut_short_is_opened_or_refused(tmp_path: Path, sound: Sound, cut: float) -> None:
    try_everything(tmp_path, sound.content[: round(len(sound.content) * cut)])


@SLOW
@given(seed=st.integers(0, 2**32), wounds=st.integers(1, 40))
def test_a_log_with_turned_bits_is_opened_or_refused(tmp_path: Path, sound: Sound, seed: int, wounds: int) -> None:
    rng, sick = random.Random(seed), bytearray(sound.content)
    for _ in range(wounds):
        # Half of them in the header and the layout, where they do most.
        at = rng.randrange(4096 if rng.random() < 0.5 else len(sick))
        sick[at] ^= 1 << rng.randrange(8)
    try_everything(tmp_path, bytes(sick))


@SLOW
@given(seed=st.integers(0, 2**32))
def test_a_log_with_zeroed_pages_is_opened_or_refused(tmp_path: Path, sound: Sound, seed: int) -> None:
    rng, sick = random.Random(seed), bytearray(sound.content)
    for _ in range(rng.randrange(1, 4)):
        page = rng.randrange(len(sick) // 1024)
        sick[page * 1024 : (page + 1) * 1024] = bytes(1024)
    try_everything(tmp_path, bytes(sick))
