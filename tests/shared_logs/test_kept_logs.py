"""Old logs open for ever: one kept log for each released schema, with what is known to be in it."""

import math
import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from rainstead.events import AlarmEvent
from rainstead.log import SCHEMA_VERSION, LogReader, LogWriter, check_log
from rainstead.log import schema as log_schema
from rainstead.readings import Kind, Quality

KEPT = Path(__file__).parent
BEGIN_MS = 1_767_225_600_000


@pytest.fixture
def schema_1(tmp_path: Path) -> Path:
    return Path(shutil.copy(KEPT / "schema_1.db", tmp_path / "readings.db"))


def known_values(path: Path) -> None:
    with LogReader(path) as reader:
        assert [(row.name, row.kind) for row in reader.sensors()] == [
            ("air", Kind.TEMPERATURE),
            ("flow", Kind.PULSE),
            ("gauge", Kind.TIP),
            ("level", Kind.LEVEL),
        ]
        assert reader.span_ms() == (BEGIN_MS, BEGIN_MS + 7_200_000 + 590_000)
        (batch,) = reader.batches()
        level = batch.of("level")
        assert len(level) == 420
        assert level.value[:3].tolist() == [900.0, 901.0, 902.0]
        assert (math.isnan(level.value[49]), level.quality[49]) == (True, Quality.NO_ECHO)
        assert level.spread[0] == 1.4826
        # The second boot's clock stood at 1970; its stamps were corrected.
        assert level.t_ms[360] == BEGIN_MS + 7_200_000
        assert np.nansum(batch.of("gauge").value) == 18 + 3
        assert batch.of("flow").value.tolist() == [1500.0] * 10
        assert batch.of("air").value[1] == 12.2995
        assert reader.events() == [
            AlarmEvent(
                BEGIN_MS + 600_000, "overflow_risk", "house", "active_unacknowledged", 250.5, 300.0, "L", "freeboard"
            )
        ]
        assert reader.checkpoint("1:invented") == (BEGIN_MS + 3_590_000, "{}")
        assert (reader.sources(), reader.clock_is_trusted()) == ({"logger"}, True)


def test_a_log_of_schema_1_is_read_as_it_is_and_after_it_was_brought_up_to_date(schema_1: Path) -> None:
    known_values(schema_1)
    LogWriter(schema_1).close()
    db = sqlite3.connect(schema_1)
    assert db.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert db.execute("SELECT text LIKE '# An invented site%' FROM settings_kept").fetchone() == (1,)
    db.close()
    known_values(schema_1)


def test_a_log_of_schema_1_has_the_tables_that_a_new_log_has(schema_1: Path, tmp_path: Path) -> None:
    LogWriter(schema_1).close()
    fresh = tmp_path / "fresh.db"
    LogWriter(fresh).close()
    layouts = []
    for path in (schema_1, fresh):
        db = sqlite3.connect(path)
        layouts.append(db.execute("SELECT name, sql FROM sqlite_schema ORDER BY name").fetchall())
        db.close()
    assert layouts[0] == layouts[1]


@pytest.fixture
def schema_2(tmp_path: Path) -> Path:
    return Path(shutil.copy(KEPT / "schema_2.db", tmp_path / "readings.db"))


def known_values_2(path: Path) -> None:
    later_ms = BEGIN_MS + 3 * 86_400_000
    with LogReader(path) as reader:
        assert reader.span_ms() == (BEGIN_MS + 50_123, later_ms + 7_190_000)
        batches = list(reader.batches())
        new = list(reader.batches(after_ms=later_ms - 1))
        minutes = reader.minutes()
        gaps = reader.gaps()
        assert reader.damaged == ()
        # Of the first hour tips and pulses are left, and the second boot of schema 1 as it was.
        assert (reader.count(upto_ms=later_ms - 1), reader.count()) == (28 + 73, 28 + 73 + 728)
        # "1": the settings of schema 1 are the newest that were kept.
        assert (reader.newest_settings() or "").startswith("# An invented site")
    old = [b.of("gauge") for b in batches]
    assert sum(np.nansum(b.value) for b in old) == 18 + 3 + 8
    level = new[0].of("level")
    assert len(level) == 720
    assert level.value[:3].tolist() == [1200.5, 1201.0, 1199.5]
    assert (math.isnan(level.value[50]), level.quality[50]) == (True, Quality.NO_ECHO)
    assert level.value[359:362].tolist() == [1199.5, 1200.0 + 360 / 7, 1200.0 + 361 / 7]
    assert level.spread[:2].tolist() == [0.7413, 1.4826]
    mine = minutes.sensor == minutes.names.index("level")
    assert minutes.t_ms[mine].tolist() == list(range(BEGIN_MS, BEGIN_MS + 3_600_000, 60_000))
    assert (minutes.lowest[mine][0], minutes.highest[mine][0], minutes.mean[mine][0]) == (900.0, 905.0, 902.5)
    assert (minutes.count[mine].sum(), minutes.unusable[mine].sum()) == (353, 7)
    assert [(gap.began_in_order, gap.same_boot) for gap in gaps] == [(None, False), (None, False)]


def test_a_log_of_schema_2_is_read_as_it_is_and_after_it_was_brought_up_to_date(schema_2: Path) -> None:
    known_values_2(schema_2)
    with LogWriter(schema_2) as writer:
        assert writer.seal_some(2**60) == 364
    known_values_2(schema_2)
    assert check_log(schema_2).is_whole


def test_every_released_schema_has_its_kept_log() -> None:
    kept = {path.name for path in KEPT.glob("*.db")}
    assert kept == {f"schema_{version}.db" for version in range(1, SCHEMA_VERSION + 1)}
    assert all(path.stat().st_size < 100_000 for path in KEPT.glob("*.db"))


def test_a_step_that_fails_leaves_the_version_before_it(schema_1: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(db: sqlite3.Connection) -> None:
        db.execute("ALTER TABLE reading ADD COLUMN half TEXT")
        raise sqlite3.OperationalError("disk I/O error")

    def works(db: sqlite3.Connection) -> None:
        db.execute("ALTER TABLE sensor ADD COLUMN later TEXT")

    with monkeypatch.context() as ahead:
        ahead.setattr(log_schema, "SCHEMA_VERSION", SCHEMA_VERSION + 2)
        ahead.setattr(
            log_schema,
            "_MIGRATIONS",
            {**log_schema._MIGRATIONS, SCHEMA_VERSION: works, SCHEMA_VERSION + 1: fails},
        )
        with pytest.raises(Exception, match="disk I/O error"):
            LogWriter(schema_1)
        known_values(schema_1)
        db = sqlite3.connect(schema_1)
        assert db.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION + 1,)
        assert "half" not in db.execute("SELECT sql FROM sqlite_schema WHERE name = 'reading'").fetchone()[0]
        assert "later" in db.execute("SELECT sql FROM sqlite_schema WHERE name = 'sensor'").fetchone()[0]
        db.close()
