"""Which moment now is for whoever reads a log with a stamp that is out of place: a turned bit moves no clock."""

import contextlib
import sqlite3
from pathlib import Path

import pytest
from desk_site import level as row
from desk_site import make_site
from fake_clock import FakeClock
from typer.testing import CliRunner

from rainstead.cli import site as cli_site
from rainstead.cli.commands import app
from rainstead.log import LogReader, LogWriter
from rainstead.moment import LogClock, Moment, moment_of

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
STAMPS = [f"2026-10-01T{hour:02d}:{minute:02d}:00" for hour in range(4) for minute in range(60)]
END_MS = row(STAMPS[-1], "east_level", None)[0]
BITS = (12, 21, 23, 36, 41, 50, 62)


def site_of(folder: Path, sealed_h: int, source: str = "logger") -> Path:
    """Four hours of a reading of two sensors each minute, of which so many are sealed."""
    rows = [row(when, sensor, 1500.0) for when in STAMPS for sensor in ("east_level", "west_level")]
    site = make_site(folder, rows, watched=False)
    with LogWriter(site / "readings.db") as writer:
        while writer.seal_some(END_MS - 59 * MINUTE_MS + (sealed_h - 3) * HOUR_MS + 6 * MINUTE_MS):
            pass
    change(site, "UPDATE boot SET source = ?", source)
    with contextlib.closing(sqlite3.connect(site / "readings.db")) as db:
        assert db.execute("SELECT count(*) FROM block").fetchone() == (sealed_h,)
    return site


def lay(site: Path, sound: bytes) -> None:
    for part in ("-wal", "-shm"):
        (site / f"readings.db{part}").unlink(missing_ok=True)
    (site / "readings.db").write_bytes(sound)


def change(site: Path, sql: str, *given: object) -> None:
    db = sqlite3.connect(site / "readings.db")
    db.execute("PRAGMA ignore_check_constraints = 1")
    with db:
        assert db.execute(sql, given).rowcount > 0
    db.close()


def turned(column: str, bit: int) -> str:
    """SQLite has no exclusive or."""
    return f"{column} = ({column} | {1 << bit}) - ({column} & {1 << bit})"


def seen(site: Path, wall_ms: int) -> Moment:
    clock = FakeClock(wall_ms=wall_ms)
    with LogReader(site) as reader:
        told = moment_of(reader, clock, boot_uuid=lambda: "another")
    kept = LogClock(site, clock, boot_uuid=lambda: "another")
    assert kept.now_ms() == told.t_ms
    kept.close()
    return told


@pytest.mark.parametrize("source", ["logger", "import"])
@pytest.mark.parametrize("columns", [("first_ms",), ("last_ms",), ("first_ms", "last_ms")])
@pytest.mark.parametrize("sealed_h", [2, 4])
def test_a_turned_bit_in_the_stamps_of_a_sealed_hour_moves_no_clock(
    tmp_path: Path, source: str, columns: tuple[str, ...], sealed_h: int
) -> None:
    """In any hour: the clock that is right is believed, and the one that is behind is put to the end of what reads."""
    site = site_of(tmp_path / "site", sealed_h, source)
    assert seen(site, END_MS - 2 * HOUR_MS).t_ms == END_MS
    sound = (site / "readings.db").read_bytes()
    for bit in BITS:
        for hour in range(sealed_h):
            sets = ", ".join(turned(column, bit) for column in columns)
            change(
                site, f"UPDATE block SET {sets} WHERE id = (SELECT id FROM block ORDER BY id LIMIT 1 OFFSET ?)", hour
            )
            end_ms = END_MS - HOUR_MS if hour == 3 else END_MS
            assert seen(site, END_MS + 60_000) == Moment(END_MS + 60_000, None), (bit, hour)
            assert seen(site, END_MS - 2 * HOUR_MS).t_ms == end_ms, (bit, hour)
            lay(site, sound)


@pytest.mark.parametrize("sealed_h", [0, 3])
@pytest.mark.parametrize("at_ms", [END_MS, END_MS - 30 * MINUTE_MS])
def test_a_turned_bit_in_the_stamp_of_a_reading_moves_no_clock(tmp_path: Path, sealed_h: int, at_ms: int) -> None:
    site = site_of(tmp_path / "site", sealed_h)
    sound = (site / "readings.db").read_bytes()
    for bit in (23, 36, 41, 50, 62):
        change(site, f"UPDATE reading SET {turned('t_ms', bit)} WHERE t_ms = ? AND sensor = 1", at_ms)
        assert seen(site, END_MS + 60_000) == Moment(END_MS + 60_000, None), bit
        assert seen(site, END_MS - 2 * HOUR_MS).t_ms == END_MS, bit
        lay(site, sound)


@pytest.mark.parametrize("bit", [36, 40, 47])
def test_nor_does_one_that_stays_in_its_place_in_the_file(tmp_path: Path, bit: int) -> None:
    """As a bit turns in a page: the row stays the last, and its stamp is years ahead or behind."""
    site = site_of(tmp_path / "site", 0)
    sound = (site / "readings.db").read_bytes()
    stamp = END_MS.to_bytes(6, "big")  # as a record has it
    assert sound.count(stamp) == 2
    for at in (sound.find(stamp), sound.rfind(stamp)):
        lay(site, sound[:at] + (END_MS ^ 1 << bit).to_bytes(6, "big") + sound[at + 6 :])
        assert seen(site, END_MS + 60_000) == Moment(END_MS + 60_000, None)
        assert seen(site, END_MS - 2 * HOUR_MS).t_ms == END_MS


def test_a_reading_that_is_the_only_one_not_sealed_is_the_newest_where_it_can_be(tmp_path: Path) -> None:
    site = site_of(tmp_path / "site", 4)
    add = (
        "INSERT INTO reading (t_ms, sensor, segment, value, quality) VALUES (?, 1, (SELECT max(id) FROM segment), 1, 0)"
    )
    sound = (site / "readings.db").read_bytes()
    for ahead_ms, end_ms in ((MINUTE_MS, END_MS + MINUTE_MS), (1 << 36, END_MS), (1 << 60, END_MS)):
        change(site, add, END_MS + ahead_ms)
        assert seen(site, END_MS - 2 * HOUR_MS).t_ms == end_ms
        lay(site, sound)
    change(site, "DELETE FROM block")
    change(site, add, END_MS)
    assert seen(site, END_MS - 2 * HOUR_MS).t_ms == END_MS
    change(site, "UPDATE reading SET t_ms = t_ms + ?", 1 << 50)
    assert seen(site, END_MS - 2 * HOUR_MS) == Moment(END_MS - 2 * HOUR_MS, None), "no calendar shows it"


@pytest.mark.parametrize("bit", [50, 62])
def test_a_turned_bit_in_the_clock_of_the_newest_run_is_nobodys_now(tmp_path: Path, bit: int) -> None:
    site = site_of(tmp_path / "site", 2)
    clock = FakeClock(boot_ms=END_MS, wall_ms=END_MS)
    for sign in (1, -1):
        change(site, "UPDATE segment SET offset_ms = ?", sign * (1 << bit))
        with LogReader(site) as reader:
            assert moment_of(reader, clock, boot_uuid=lambda: "a boot") == Moment(END_MS, None)


@pytest.mark.parametrize("bit", [36, 50])
@pytest.mark.parametrize("columns", [("first_ms",), ("last_ms",), ("first_ms", "last_ms")])
def test_the_desk_answers_of_the_present_beside_a_sealed_hour_with_a_turned_bit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bit: int, columns: tuple[str, ...]
) -> None:
    site = site_of(tmp_path / "site", 3)
    sets = ", ".join(turned(column, bit) for column in columns)
    change(site, f"UPDATE block SET {sets} WHERE id = (SELECT id FROM block ORDER BY id LIMIT 1 OFFSET 1)")
    clock = FakeClock(wall_ms=END_MS + 60_000)
    monkeypatch.setattr(cli_site, "SystemClock", lambda: clock)
    for command in ("now", "health", "rain", "alarms", "tanks", "storms", "pump"):
        told = CliRunner().invoke(app, [command, "--site", str(site)])
        assert told.exit_code == 0 and told.exception is None, (command, told.output)
        assert "this machine's clock" not in told.output.lower() and "2028" not in told.output, (command, told.output)
