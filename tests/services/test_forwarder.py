"""Whatever the server and the machine do, it ends with exactly what the log holds."""

import random
import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import urllib3
from desk_site import SETTINGS, ms
from fake_server import FakeServer
from hypothesis import given, settings
from hypothesis import strategies as st

from rainstead.derive import Deriver
from rainstead.events import AlarmEvent
from rainstead.forward import Answer, CursorFile, Forwarder, Word
from rainstead.forward.outbox import Outbox
from rainstead.forward.server import _asked
from rainstead.log import LogReader, LogWriter, Row
from rainstead.readings import Kind, Quality
from rainstead.replay import replay
from rainstead.settings import parse_settings

SITE = parse_settings(SETTINGS, "site.toml")
NOON_MS = ms("2026-03-02T12:00:00")
KINDS = {"east_level": Kind.LEVEL, "gauge": Kind.TIP, "meter": Kind.PULSE}


class Board:
    """A log that grows, and its forwarder."""

    def __init__(self, folder: Path, server: FakeServer, order: str = "newest") -> None:
        self.folder, self.server, self.order = folder, server, order
        self.writer = LogWriter(folder / "readings.db")
        self.numbers = self.writer.sensor_numbers(KINDS)
        self.boot = self.writer.begin_boot("logger", "a", 0)
        self.segment = self.writer.begin_segment(self.boot, 0, trusted=True)
        self.now_ms = 0
        self.told: list[str] = []
        self.forwarder = self.started()

    def started(self) -> Forwarder:
        return Forwarder(
            SITE,
            self.folder,
            self.server,
            order="oldest" if self.order == "oldest" else "newest",
            most_lines=50,
            tell=self.told.append,
            rng=random.Random(1),
        )

    def killed_and_started(self) -> None:
        self.forwarder.close()
        self.forwarder = self.started()

    def log(self, *rows: tuple[int, str, float], segment: int | None = None) -> None:
        at = self.segment if segment is None else segment
        made: list[Row] = [(t, self.numbers[name], at, value, 0, None, None) for t, name, value in sorted(rows)]
        self.writer.append(made)

    def minutes(self, first: int, count: int) -> None:
        self.log(*[(NOON_MS + (first + k) * 60_000, "east_level", 1500.0 + k % 7) for k in range(count)])

    def run(self, most: int = 5_000) -> None:
        """Until there is nothing left to send."""
        for _ in range(most):
            due_ms = self.forwarder.step(self.now_ms, NOON_MS)
            idle = self.forwarder._job is None and due_ms > self.now_ms
            self.now_ms = max(due_ms, self.now_ms)
            if idle:
                return
        raise AssertionError("it does not come to an end")

    def close(self) -> None:
        self.forwarder.close()
        self.writer.close()


def expected(folder: Path) -> set[tuple[str, int]]:
    """Heads and stamps of all raw and tank points, from the log."""
    found: set[tuple[str, int]] = set()
    with LogReader(folder) as reader:
        for batch in reader.batches():
            for t, k in zip(batch.t_ms.tolist(), batch.sensor.tolist(), strict=True):
                found.add((f"{KINDS[batch.names[k]]},sensor={batch.names[k]},site=Hand-worked", t))
        for _, derived in replay(reader, Deriver(SITE)):
            for rows in derived.levels:
                found |= {(f"tank,site=Hand-worked,tank={rows.tank}", int(t)) for t in rows.t_ms}
    return found


def got(server: FakeServer) -> set[tuple[str, int]]:
    return {key for key in server.points if key[0].split(",")[0] in {"level", "tip", "pulse", "tank"}}


def test_a_point_carries_what_the_log_and_the_calculation_say(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer())
    board.log((NOON_MS, "east_level", 1500.0), (NOON_MS + 1, "gauge", 2.0), (NOON_MS + 1000, "meter", 0.0))
    board.log((NOON_MS + 2000, "meter", 100.0))
    board.writer.append_events(
        board.segment, [AlarmEvent(NOON_MS, "overflow_risk", "east", "normal", 1.0, 2.0, "L", "why")]
    )
    board.run()
    points = board.server.points
    assert points["level,sensor=east_level,site=Hand-worked", NOON_MS] == "quality=0.0,range_mm=1500.0"
    assert points["tip,sensor=gauge,site=Hand-worked", NOON_MS + 1] == "quality=0.0,tips=2.0"
    tank = dict(pair.split("=") for pair in points["tank,site=Hand-worked,tank=east", NOON_MS].split(","))
    assert [float(tank["volume_l"]), float(tank["depth_m"])] == pytest.approx([2000, 1])
    assert tank["calibration_since_s"] == "0.0"
    flow = dict(pair.split("=") for pair in points["flow,meter=meter,site=Hand-worked", NOON_MS + 2000].split(","))
    assert (float(flow["volume_l"]), float(flow["flow_l_min"])) == (1.0, 60.0)
    assert "alarm,alarm=overflow_risk,site=Hand-worked,state=normal,subject=east" in {head for head, _ in points}
    assert all("i" not in value.split("=")[1] for fields in points.values() for value in fields.split(","))
    board.close()


def test_a_ragged_burst_is_sent_as_it_was_read_and_makes_no_level_of_a_tank(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer())
    number = board.numbers["east_level"]
    for k, (range_mm, quality) in enumerate([(1500.0, Quality.OK), (700.0, Quality.NOISY)]):
        board.writer.append([(NOON_MS + k * 60_000, number, board.segment, range_mm, quality, None, None)])
    board.run()
    points = board.server.points
    assert points["level,sensor=east_level,site=Hand-worked", NOON_MS + 60_000] == "quality=4.0,range_mm=700.0"
    assert [t_ms for head, t_ms in points if head.startswith("tank,")] == [NOON_MS]
    board.close()


class MisreadingOnce:
    """A connection to a log, one of whose reads of fresh rows finds a damaged page that is sound the next time."""

    def __init__(self, sound: sqlite3.Connection, which: int) -> None:
        self._sound, self._left = sound, which

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        if "FROM reading" in sql and "LIMIT" in sql:
            self._left -= 1
            if self._left == 0:
                raise sqlite3.DatabaseError("database disk image is malformed")
        return self._sound.execute(sql, *values)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._sound, name)


@pytest.mark.parametrize("which", [1, 2, 3])
def test_a_page_that_the_forwarder_misread_once_is_sent_all_the_same(tmp_path: Path, which: int) -> None:
    board = Board(tmp_path, FakeServer())
    board.minutes(0, 20)
    reader = board.forwarder._reader
    reader._db = MisreadingOnce(reader._db, which)  # type: ignore[assignment]
    board.run()
    assert got(board.server) == expected(tmp_path)
    board.close()


def test_an_hour_that_stays_damaged_holds_up_nothing_behind_it(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer())
    board.minutes(0, 60)
    assert board.writer.seal_some(NOON_MS + 7_200_000)
    board.writer._db.execute("UPDATE block SET body = x'00'")
    board.minutes(60, 60)
    board.run()
    assert got(board.server) == expected(tmp_path) and len(got(board.server)) == 2 * 60
    board.close()


@pytest.mark.parametrize("order", ["newest", "oldest"])
@settings(deadline=None, max_examples=15)
@given(seed=st.integers(0, 100_000))
def test_whatever_happens_the_server_ends_with_what_the_log_holds(
    tmp_path_factory: pytest.TempPathFactory, order: str, seed: int
) -> None:
    rnd = random.Random(seed)
    moods = [Answer(Word.STORED)] * 6 + [Answer(Word.LATER, "away"), Answer(Word.LATER, "busy", 3.0)]
    moods += [Answer(Word.TOO_LARGE, "413"), Answer(Word.FORBIDDEN, "401: token")]

    def mood(lines: Sequence[str]) -> Answer:
        answer = rnd.choice(moods)
        return Answer(Word.STORED) if answer.word is Word.TOO_LARGE and len(lines) == 1 else answer

    board = Board(tmp_path_factory.mktemp("board"), FakeServer(mood), order)
    at = 0
    for _ in range(8):
        match rnd.randrange(6):
            case 0 | 1:
                count = rnd.randint(1, 60)
                board.minutes(at, count)
                at += count
            case 2:
                at += rnd.randint(1, 3_000)  # days without a reading
            case 3:
                board.log((NOON_MS + rnd.randrange(-100, at + 1) * 60_000 + 7, "gauge", 1.0))
            case 4:
                for _ in range(rnd.randint(1, 12)):
                    board.now_ms = board.forwarder.step(board.now_ms, NOON_MS)
            case 5:
                board.killed_and_started()
    board.run()
    assert got(board.server) == expected(board.folder)
    assert board.forwarder.health().refused == 0
    board.close()


def test_a_poison_point_is_set_aside_alone_and_told(tmp_path: Path) -> None:
    poison = f"level,sensor=east_level,site=Hand-worked range_mm=1503.0,quality=0.0 {NOON_MS + 3 * 60_000}"
    board = Board(
        tmp_path, FakeServer(lambda lines: Answer(Word.REFUSED if poison in lines else Word.STORED, "422 no"))
    )
    board.minutes(0, 40)
    board.run()
    assert expected(tmp_path) - got(board.server) == {("level,sensor=east_level,site=Hand-worked", NOON_MS + 180_000)}
    assert board.forwarder.health().refused == 1
    with_reason = [line for line in board.told if poison in line]
    assert len(with_reason) == 1 and "422 no" in with_reason[0]
    board.close()


def test_nothing_leaves_before_the_clock_is_trusted_and_all_of_it_after(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer())
    board.minutes(0, 5)
    boot = board.writer.begin_boot("logger", "b", 0)
    dark = board.writer.begin_segment(boot, 0, trusted=False)
    board.log((NOON_MS + 900_000, "east_level", 1500.0), (NOON_MS + 960_000, "gauge", 1.0), segment=dark)
    board.run()
    assert {t for _, t in got(board.server)} == {NOON_MS + k * 60_000 for k in range(5)}
    board.writer.correct_boot(boot, 777)
    board.run()
    assert got(board.server) == expected(tmp_path)
    assert NOON_MS + 900_777 in {t for _, t in got(board.server)}
    board.close()


def test_what_was_sent_and_then_moved_is_taken_away_at_its_old_place(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer())
    board.minutes(0, 5)
    board.run()
    board.writer.correct_boot(board.boot, -5_000)
    board.run()
    assert got(board.server) == expected(tmp_path)
    assert board.server.deleted
    board.close()


def test_the_newest_readings_are_not_starved_by_a_backlog(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer())
    board.minutes(0, 6_000)
    for _ in range(10):
        board.now_ms = board.forwarder.step(board.now_ms, NOON_MS)
    board.minutes(6_000, 1)
    newest = ("level,sensor=east_level,site=Hand-worked", NOON_MS + 6_000 * 60_000)
    for _ in range(400):
        if newest in board.server.points:
            break
        board.now_ms = board.forwarder.step(board.now_ms, NOON_MS)
    left = board.forwarder.health().backlog_ms
    assert newest in board.server.points and left > 0, left
    board.close()


@pytest.mark.parametrize(("order", "first"), [("newest", False), ("oldest", True)])
def test_the_backlog_goes_from_the_end_that_was_asked_for(tmp_path: Path, order: str, first: bool) -> None:
    stamps: list[int] = []

    def mood(lines: Sequence[str]) -> Answer:
        stamps.extend(int(line.rsplit(" ", 1)[1]) for line in lines)
        return Answer(Word.STORED)

    board = Board(tmp_path, FakeServer(mood), order)
    deriver = Deriver(SITE)
    board.minutes(0, 4 * 1440)
    with LogReader(tmp_path) as reader:
        from rainstead.statekeeping import state_to_text

        for state, _ in replay(reader, deriver, size=1440):
            assert state.upto_ms is not None
            board.writer.save_checkpoint(state.upto_ms, deriver.digest, state_to_text(state))
    board.run()
    live_from_ms = max(stamps) - 600_000
    old = [t for t in stamps if t <= live_from_ms]
    assert (old.index(min(old)) < old.index(max(old))) is first
    assert got(board.server) == expected(tmp_path)
    board.close()


def test_waits_grow_are_ragged_and_heed_the_server(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer(lambda _: Answer(Word.LATER, "away")))
    board.minutes(0, 1)
    waits = []
    for _ in range(14):
        due_ms = board.forwarder.step(board.now_ms, NOON_MS)
        waits.append(due_ms - board.now_ms)
        board.now_ms = due_ms
    assert waits[0] <= 2_000 < waits[6] <= 300_000 and len(set(waits)) > 10
    assert max(waits) <= 300_000 and board.forwarder.health().word is Word.LATER
    board.server.mood = lambda _: Answer(Word.LATER, "429", 77.0)
    due_ms = board.forwarder.step(board.now_ms, NOON_MS)
    assert due_ms - board.now_ms >= 77_000
    assert [line for line in board.told if "nothing is sent" in line] == ["nothing is sent: away"]
    board.close()


def test_a_month_of_failed_writes_is_waited_out_like_a_day_of_them() -> None:
    server, outbox = FakeServer(lambda _: Answer(Word.LATER, "away")), Outbox(50, random.Random(1))
    outbox.put(["level,site=a range_mm=1.0 1"])
    waits_s = [outbox.send(server)[1] for _ in range(12_000)]
    assert 150 <= min(waits_s[20:]) < max(waits_s) <= 300


def test_what_runs_out_of_time_on_a_thin_line_goes_in_smaller_writes_and_what_is_refused_a_connection_does_not() -> (
    None
):
    sizes: list[int] = []

    def thin(lines: Sequence[str]) -> Answer:
        sizes.append(len(lines))
        return Answer(Word.LATER, "timed out", in_time=False) if len(lines) > 700 else Answer(Word.STORED)

    lines = [f"level,site=a range_mm=1.0 {t}" for t in range(5_000)]
    server, outbox = FakeServer(thin), Outbox(5_000, random.Random(1))
    for _ in range(2):
        outbox.put(lines)
        waits_s = []
        for _ in range(100):
            if not outbox.empty:
                waits_s.append(outbox.send(server)[1])
        assert outbox.empty and server.lines == 5_000 and outbox.refused == []
        server.lines = 0
    assert sizes[:4] == [5_000, 2_500, 1_250, 625] and max(sizes[-8:]) < 1_400

    def away(lines: Sequence[str]) -> Answer:
        sizes.append(len(lines))
        return Answer(Word.LATER, "connection refused")

    sizes.clear()
    server.mood = away
    outbox.put(lines)
    for _ in range(4):
        outbox.send(server)
    assert len(set(sizes)) == 1


def test_another_server_gets_all_of_it(tmp_path: Path) -> None:
    board = Board(tmp_path, FakeServer())
    board.minutes(0, 30)
    board.run()
    board.server = FakeServer()
    board.server.name = "another"
    board.killed_and_started()
    board.run()
    assert got(board.server) == expected(tmp_path)
    board.close()


def test_the_cursor_says_up_to_where_all_of_the_log_is_sent(tmp_path: Path) -> None:
    server = FakeServer()
    board = Board(tmp_path, server)
    board.minutes(0, 10)
    board.run()
    board.forwarder.close()
    file = CursorFile(tmp_path / "forwarder.db")
    assert file.load(server.name).forwarded_upto_ms() == NOON_MS + 9 * 60_000
    assert file.load("another").forwarded_upto_ms() is None
    file.close()
    board.writer.close()


def test_a_write_that_ran_out_of_time_is_told_from_one_that_found_no_connection() -> None:
    """As the client raises them: an answer or a body that is late, and a server whose network swallows everything."""
    pool = urllib3.HTTPConnectionPool("127.0.0.1")
    late = urllib3.exceptions.ReadTimeoutError(pool, "/", "read timed out")
    stuck = urllib3.exceptions.ProtocolError("Connection aborted.", TimeoutError("timed out"))
    away = urllib3.exceptions.ConnectTimeoutError(pool, "connect timed out")
    assert [_asked(_raising(error)).in_time for error in (late, stuck, away)] == [False, False, True]


def _raising(error: Exception) -> Callable[[], None]:
    def ask() -> None:
        raise error

    return ask


def test_a_file_that_two_lay_out_at_once_is_laid_once(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as several:
        for number in range(20):
            path = tmp_path / f"forwarder {number}.db"
            list(several.map(lambda _, path=path: CursorFile(path).close(), range(8)))
