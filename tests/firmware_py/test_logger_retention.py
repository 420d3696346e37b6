"""The logger's own loop lets old hours go as the owner said, and nothing that was not forwarded without a word."""

import logging
import re
import sqlite3
from pathlib import Path

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock

from rainstead.forward import Cursor, CursorFile
from rainstead.log import LogReader, LogWriter, Row, damaged_logs
from rainstead.readings import Kind, Quality

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
NOW_MS = 1_780_012_800_000  # a whole hour
FIRST_MS = NOW_MS - 4 * DAY_MS
END_MS = NOW_MS - HOUR_MS
"""Where the log ended before the run that lets go."""
FORWARD = '[forward]\nurl = "http://127.0.0.1:9"\norg = "o"\nbucket = "b"\ntoken_file = "server.token"\n'
SERVER = "http://127.0.0.1:9 o b"
AN_HOUR = 60
"""Readings."""


def four_days(folder: Path, *, megabytes: float = 0.0) -> None:
    """A reading a minute, sealed; with something large beside them in the log."""
    with LogWriter(folder / "readings.db") as writer:
        number = writer.sensor_numbers({"level": Kind.LEVEL})["level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "old", 0), FIRST_MS, trusted=True)
        rows: list[Row] = [
            (t_ms, number, segment, 1200.0 + t_ms % 7, Quality.OK, None, None)
            for t_ms in range(FIRST_MS, END_MS, 60_000)
        ]
        writer.append(rows)
        while writer.seal_some(NOW_MS):
            pass
        writer.keep_settings(FIRST_MS, "old", "#" * round(megabytes * 1e6))


def forwarded(folder: Path, upto_ms: int, *behind: tuple[int, int]) -> None:
    """What a forwarder leaves when all up to there is on the server, but for what is still behind."""
    file = CursorFile(folder / "forwarder.db")
    file.save(SERVER, Cursor(upto_ms, 0, behind), [], upto_ms)
    file.close()


def run(folder: Path, keep: str, seconds: int = 1100, *, wall_ms: int = NOW_MS, trusted: bool = True) -> None:
    """Long enough for one hour to be let go with each commit, all of them if they may."""
    text = f"{SITE}{FORWARD}[log]\n{keep}\n"
    site = BoardSite(
        folder, [level(lambda _: 1200.0)], FakeClock(wall_ms=wall_ms), trusted, text=text, boot=str(wall_ms)
    )
    site.run(seconds)
    site.logger.stop()


def gone_upto_ms(folder: Path) -> int | None:
    """The stamp of the oldest reading that stands in full, if any older one does not."""
    with LogReader(folder) as reader:
        if reader.thinned_from_ms() is None:
            return None
        return next(int(batch.t_ms[0]) for batch in reader.batches())


def summaries(folder: Path) -> list[tuple[int, int | None]]:
    """How many readings each thinned hour had, and its mark."""
    db = sqlite3.connect(folder / "readings.db")
    found = db.execute("SELECT count, forwarded FROM summary ORDER BY first_ms").fetchall()
    db.close()
    return found


def told(caplog: pytest.LogCaptureFixture) -> int:
    """How many readings the journal says went before they were forwarded."""
    found = [re.search(r"(\d+) readings went to minutes before", record.getMessage()) for record in caplog.records]
    return sum(int(one[1]) for one in found if one is not None)


def test_what_is_old_stays_while_nothing_of_it_is_forwarded(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    four_days(tmp_path)
    run(tmp_path, "keep_days = 2")
    assert summaries(tmp_path) == [] and told(caplog) == 0


def test_what_is_old_goes_as_far_as_it_is_forwarded_and_not_a_reading_further(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    four_days(tmp_path)
    # All but one reading of the day and a half that may go is on the server, and that reading is behind.
    hole_ms = FIRST_MS + 30 * HOUR_MS + 120_000
    forwarded(tmp_path, NOW_MS, (hole_ms - 1, hole_ms))
    run(tmp_path, "keep_days = 2")
    assert summaries(tmp_path) == [(AN_HOUR, 1)] * 30
    assert gone_upto_ms(tmp_path) == FIRST_MS + 30 * HOUR_MS
    forwarded(tmp_path, NOW_MS)
    run(tmp_path, "keep_days = 2")
    assert gone_upto_ms(tmp_path) == END_MS - 2 * DAY_MS
    assert told(caplog) == 0


def test_a_cursor_of_another_server_counts_for_nothing(tmp_path: Path) -> None:
    four_days(tmp_path)
    file = CursorFile(tmp_path / "forwarder.db")
    file.save("http://elsewhere o b", Cursor(NOW_MS, 0, ()), [], NOW_MS)
    file.close()
    run(tmp_path, "keep_days = 2")
    assert summaries(tmp_path) == []


def test_a_cursor_of_the_log_that_stood_here_before_counts_for_nothing(tmp_path: Path) -> None:
    four_days(tmp_path)
    forwarded(tmp_path, NOW_MS)
    file = CursorFile(tmp_path / "forwarder.db")
    file.tell(log="logger of-another 0")
    file.close()
    run(tmp_path, "keep_days = 2")
    assert summaries(tmp_path) == []


def test_for_want_of_room_what_was_not_forwarded_goes_too_and_each_reading_of_it_is_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    four_days(tmp_path, megabytes=5.2)
    forwarded(tmp_path, FIRST_MS + 10 * HOUR_MS - 1)
    run(tmp_path, "keep_mb = 5")
    marks = summaries(tmp_path)
    assert marks[:10] == [(AN_HOUR, 1)] * 10
    assert len(marks) > 50 and set(marks[10:]) == {(AN_HOUR, 0)}
    assert told(caplog) == sum(count for count, mark in marks if mark == 0)
    # However little room there is, the last day stays.
    assert gone_upto_ms(tmp_path) == END_MS - DAY_MS


@pytest.mark.parametrize("ahead_ms", [-300 * DAY_MS, 400 * DAY_MS])
@pytest.mark.parametrize("trusted", [False, True])
@pytest.mark.parametrize("keep", ["keep_days = 3", "keep_mb = 5"])
def test_a_clock_that_is_wrong_by_years_lets_nothing_go(
    tmp_path: Path, ahead_ms: int, trusted: bool, keep: str
) -> None:
    """A clock chip that went astray, or a slip of whoever set it: what is a day old stays, whatever the clock says."""
    four_days(tmp_path, megabytes=5.2)
    forwarded(tmp_path, NOW_MS + 1000 * DAY_MS)
    run(tmp_path, keep, wall_ms=NOW_MS + ahead_ms, trusted=trusted)
    run(tmp_path, keep)  # set right again
    with LogReader(tmp_path) as reader:
        logged = reader.count() + sum(count for count, _ in summaries(tmp_path))
    least_ms = DAY_MS if keep == "keep_mb = 5" else 3 * DAY_MS
    assert logged > 95 * AN_HOUR + 2 * 1000
    assert gone_upto_ms(tmp_path) == END_MS - least_ms


def test_an_hour_that_cannot_be_thinned_is_told_as_that_and_moves_no_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def malformed(*_: object) -> None:
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error

    monkeypatch.setattr(LogWriter, "thin_some", malformed)
    four_days(tmp_path)
    forwarded(tmp_path, NOW_MS)
    run(tmp_path, "keep_days = 2", 60)
    assert "an hour could not be thinned (database disk image is malformed)" in caplog.text
    assert damaged_logs(tmp_path) == () and summaries(tmp_path) == []


def test_for_want_of_room_what_is_forwarded_goes_without_a_word(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    four_days(tmp_path, megabytes=5.2)
    forwarded(tmp_path, NOW_MS)
    run(tmp_path, "keep_mb = 5", 200)
    marks = summaries(tmp_path)
    assert len(marks) >= 15 and set(marks) == {(AN_HOUR, 1)}
    assert told(caplog) == 0
