"""The log as a file: what is one, who may write it, and what a failing disk or a kill leaves behind."""

import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

import rainstead
from rainstead.errors import LogBusy, LogError, LogMissing, LogTooNew, NotALog
from rainstead.log import SCHEMA_VERSION, LogReader, LogWriter, Row
from rainstead.log.schema import APPLICATION_ID
from rainstead.readings import Kind

NOON_MS = 1_780_000_000_000


def filled(path: Path, count: int = 10) -> None:
    with LogWriter(path) as writer:
        number = writer.sensor_numbers({"level": Kind.LEVEL})["level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), NOON_MS, trusted=True)
        writer.append(rows(number, segment, 0, count))


def rows(number: int, segment: int, begin: int, count: int) -> list[Row]:
    return [(NOON_MS + k, number, segment, 1000.5 + k, 0, 1.5, 8) for k in range(begin, begin + count)]


@pytest.mark.parametrize(
    "content", [b"x", b"a line\n", b"x" * 99, b"x" * 600, b"utc,sensor,value\n" * 100, b"\0" * 5000]
)
def test_a_file_that_is_no_database_is_not_a_log_for_reader_or_writer(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "readings.db"
    path.write_bytes(content)
    for open_it in (LogReader, LogWriter):
        with pytest.raises(NotALog, match=r"readings\.db.*not a rainstead log"):
            open_it(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_not_a_log_and_stays_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE reading (t_ms)")
    db.commit()
    db.close()
    before = path.read_bytes()
    for open_it in (LogReader, LogWriter):
        with pytest.raises(NotALog, match="SQLite file, but not a rainstead log"):
            open_it(path)
    assert path.read_bytes() == before


def test_an_empty_file_becomes_a_log_for_the_writer_and_says_nothing_to_a_reader(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    path.touch()
    with pytest.raises(LogMissing, match="empty"):
        LogReader(path)
    filled(path)
    with LogReader(path) as reader:
        assert reader.count() == 10


def test_a_missing_log_and_a_missing_folder_are_named(tmp_path: Path) -> None:
    with pytest.raises(LogMissing, match=r"readings\.db: there is no log"):
        LogReader(tmp_path)
    with pytest.raises(LogMissing, match="no log here yet"):
        LogWriter(tmp_path / "readings.db", create=False)
    with pytest.raises(LogMissing, match="no such folder"):
        LogWriter(tmp_path / "nowhere" / "readings.db")


def test_a_log_from_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    filled(path)
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    db.execute("CREATE TABLE what_a_later_version_has (a)")
    db.close()
    for open_it in (LogReader, LogWriter):
        with pytest.raises(LogTooNew, match=f"schema {SCHEMA_VERSION + 1}.*newer rainstead"):
            open_it(path)
    with pytest.raises(LogTooNew):  # not LogBusy: the refused writer let go of its lock
        LogWriter(path)


def test_the_log_is_stored_as_it_must_be_to_survive_a_power_cut(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path) as writer:
        asked = {name: writer._db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")}
    assert asked == {"journal_mode": "wal", "synchronous": 2}
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    assert db.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    db.close()


def test_a_second_writer_is_refused_and_told_who_writes(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    code = (
        f"from pathlib import Path; from rainstead.log import LogWriter; LogWriter(Path({str(path)!r}))\n"
        "print(1, flush=True); input()"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        with pytest.raises(LogBusy, match=rf"process {other.pid} is writing this log"):
            LogWriter(path)
        with LogReader(path) as reader:
            assert reader.count() == 0
        other.communicate(b"\n")
    LogWriter(path).close()


def test_a_second_writer_in_the_same_process_is_refused_too(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    with LogWriter(path), pytest.raises(LogBusy, match=str(os.getpid())):
        LogWriter(path)


APPENDS_FOR_EVER = """
import sys
from pathlib import Path
from rainstead.log import LogWriter
from rainstead.readings import Kind
writer = LogWriter(Path(sys.argv[1]))
number = writer.sensor_numbers({"level": Kind.LEVEL})["level"]
segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=True)
k = int(sys.argv[2])
while True:
    writer.append([(k + i, number, segment, 1000.5, 0, None, None) for i in range(7)])
    k += 7
    print(k, flush=True)
"""


def test_what_was_acknowledged_is_in_the_log_after_every_kill(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    acknowledged = 0
    for kill in range(20):
        command = [sys.executable, "-c", APPENDS_FOR_EVER, str(path), str(acknowledged)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            writer.stdout.readline()
            time.sleep(0.003 * kill)  # the kill must fall anywhere between two commits: this wait is what is tried
            writer.send_signal(signal.SIGKILL)
            told = [line for line in writer.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
        acknowledged = int(told[-1]) if told else acknowledged + 7
        with LogReader(path) as reader:
            count = reader.count()
        # One more block may have been committed and not told.
        assert count in (acknowledged, acknowledged + 7)
        acknowledged = count
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
    assert acknowledged >= 20 * 7


def test_a_full_disk_leaves_nothing_half_written_and_the_rows_go_in_when_there_is_room(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    filled(path, 1000)
    with LogWriter(path) as writer:
        (number,) = writer.sensor_numbers({"level": Kind.LEVEL}).values()
        segment = writer.newest_segment()
        (pages,) = writer._db.execute("PRAGMA page_count").fetchone()
        writer._db.execute(f"PRAGMA max_page_count = {pages + 2}")
        more = rows(number, segment, 1000, 50_000)
        with pytest.raises(sqlite3.Error, match="full"):
            writer.append(more)
        with LogReader(path) as reader:
            assert reader.count() == 1000
        writer._db.execute("PRAGMA max_page_count = 1000000")
        assert writer.append(more) == 50_000
        with LogReader(path) as reader:
            assert reader.count() == 51_000


WRITES_UNTIL_THE_LIMIT = """
import resource, signal, sqlite3, sys
from pathlib import Path
from rainstead.log import LogWriter
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
writer = LogWriter(Path(sys.argv[1]))
(number,) = writer.sensor_numbers({}).values()
segment = writer.newest_segment()
block = [(10**15 + i, number, segment, 1000.5 + i, 0, 1.5, 8) for i in range(20000)]
resource.setrlimit(resource.RLIMIT_FSIZE, (200000, resource.RLIM_INFINITY))
try:
    writer.append(block)
except sqlite3.Error as error:
    print("failed", error)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print(writer.append(block))
writer.close()
"""


def test_a_write_that_the_system_cuts_short_is_rolled_back_and_can_be_made_again(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    filled(path, 10)
    done = subprocess.run(
        [sys.executable, "-c", WRITES_UNTIL_THE_LIMIT, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert re.fullmatch(r"failed .+\n20000\n", done.stdout)
    with LogReader(path) as reader:
        assert reader.count() == 20_010
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def test_a_folder_that_may_not_be_written_is_named(tmp_path: Path) -> None:
    path = tmp_path / "readings.db"
    (tmp_path / "readings.db.lock").mkdir()
    with pytest.raises(LogError, match=r"readings\.db\.lock"):
        LogWriter(path)


OPENED_FOR_WRITING = {
    "services/rainstead/log/file.py": "the log",
    "services/rainstead/log/copying.py": "a copy that nobody else knows of yet",
    "services/rainstead/notebook/store.py": "the notebook, a file of its own",
    "services/rainstead/forward/cursor.py": "the forwarder's cursors, a file of their own",
    "services/rainstead/messages/store.py": "what the messenger has said, a file of its own",
}


def test_only_one_module_opens_the_log_for_writing() -> None:
    code = Path(rainstead.__file__).parents[2]
    opens = {
        (str(path.relative_to(code)), line.strip())
        for folder in ("services", "firmware_py", "dashboards")
        for path in (code / folder).rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"\bconnect\(", line)
        and "mode=ro" not in line
        and ":memory:" not in line
        and "sqlite" in path.read_text(encoding="utf-8")
    }
    assert "services/rainstead/log/file.py" in {path for path, _ in opens}, "the rule sees nothing"
    assert {path for path, _ in opens} <= set(OPENED_FOR_WRITING), opens


@pytest.mark.parametrize("page_bytes", [1024, 4096])
def test_the_write_ahead_log_is_used_again_and_neither_outgrows_its_limit_nor_is_cut(
    tmp_path: Path, page_bytes: int
) -> None:
    """Growing anew after each cut would cost the file system's books; an older log has larger pages."""
    path = tmp_path / "readings.db"
    if page_bytes != 1024:
        empty = sqlite3.connect(path)
        empty.executescript(f"PRAGMA page_size = {page_bytes}; CREATE TABLE t (a); DROP TABLE t;")
        empty.close()
    wal, sizes = path.with_name("readings.db-wal"), []
    with LogWriter(path) as writer:
        assert writer._db.execute("PRAGMA page_size").fetchone() == (page_bytes,)
        number = writer.sensor_numbers({"level": Kind.LEVEL})["level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "b", 0), 0, trusted=True)
        for k in range(500):
            writer.append([(1000 * k + j, number, segment, k / 7, 0, None, None) for j in range(250)])
            sizes.append(wal.stat().st_size)
    assert sizes == sorted(sizes)
    assert 3_900_000 < sizes[-1] <= 4_194_304
    assert sizes[-1] - sizes[-50] < 100_000
