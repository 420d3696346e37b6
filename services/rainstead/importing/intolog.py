"""A file's readings into the log, and what follows from them."""

import sqlite3
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rainstead.clock import Clock, SystemClock
from rainstead.errors import LogError
from rainstead.log import Columns, LogReader, LogWriter
from rainstead.readings import U8, Quality
from rainstead.settings import Ranger, Settings, sensor_kind

from .csvfile import STEP, Rows, read_rows, refuse, utc_text
from .workout import work_out

__all__ = ["ImportResult", "import_readings"]


@dataclass(frozen=True, slots=True)
class ImportResult:
    """What an import did. added: readings new in the log; known: rows whose reading the log, or the file, has already.

    first_ms, last_ms: first and last stamp in the file.
    """

    added: int
    known: int
    first_ms: int
    last_ms: int


def import_readings(
    site_dir: Path,
    csv_path: Path,
    settings: Settings,
    progress: Callable[[int], None] | None = None,
    *,
    clock: Clock | None = None,
) -> ImportResult:
    """Take a file with the columns utc, sensor, value into the site's log, which is made if it is not there.

    Values are in the raw unit of the sensor's kind (see RAW_UNIT). progress is called with the number of rows read
    since the last call. Where nothing but imports has ever written the log, its alarm events become those that the
    calculation finds in it; else they stay what the logger saw.
    Raises ImportRefused, naming lines, LogBusy where a logger runs, and LogError; then nothing has been imported.
    """
    rows = read_rows(csv_path, settings, (clock or SystemClock()).wall_ms(), progress or (lambda _: None))
    log_path = site_dir / "readings.db"
    with LogWriter(log_path) as writer:
        try:
            fresh = _not_known(log_path, csv_path, rows)
            if len(fresh.t_ms):
                _store(writer, fresh, settings)
            work_out(writer, settings, changed=len(fresh.t_ms) > 0)
        except sqlite3.Error as error:
            raise LogError(
                f"{log_path}: the log could not be written ({error}); see that the disk has room, then import again: "
                "what is there already is not added twice"
            ) from None
    added = len(fresh.t_ms)
    return ImportResult(added, len(rows.t_ms) - added + rows.repeated, int(rows.t_ms[0]), int(rows.t_ms[-1]))


def _not_known(log_path: Path, csv_path: Path, rows: Rows) -> Rows:
    """The rows that the log does not have. Refuses the file if the log has another value for one of them."""
    keys = rows.key()
    known = np.zeros(len(keys), dtype=bool)
    other: dict[int, float] = {}
    present = [rows.names[k] for k in np.unique(rows.sensor)]
    with LogReader(log_path) as reader:
        for batch in reader.batches(
            after_ms=int(rows.t_ms[0]) - 1, upto_ms=int(rows.t_ms[-1]), sensors=present, size=100_000
        ):
            ours = np.array([rows.names.index(name) if name in rows.names else -1 for name in batch.names])
            logged = batch.t_ms * len(rows.names) + ours[batch.sensor]
            place = np.searchsorted(keys, logged)
            met = (place < len(keys)) & (keys[np.minimum(place, len(keys) - 1)] == logged)
            place, value = place[met], batch.value[met]
            same = value == rows.value[place]
            known[place[same]] = True
            other |= dict(zip(place[~same].tolist(), value[~same].tolist(), strict=True))
    complaints = [
        (
            int(rows.line[k]),
            f"{rows.names[rows.sensor[k]]} at {utc_text(rows.t_ms[k])} is {rows.value[k]:g} here and "
            f"{'without a value' if np.isnan(value) else format(value, 'g')} in the log; take the row out of the file",
        )
        for k, value in other.items()
        if not known[k]
    ]
    refuse(csv_path, complaints, len(complaints), "it contradicts the log, nothing was imported")
    return rows.take(~known)


def _store(writer: LogWriter, rows: Rows, settings: Settings) -> None:
    kinds = {name: sensor_kind(settings.sensors[name]) for name in rows.names}
    with writer.transaction():
        numbers = writer.sensor_numbers(kinds)
        # Each import is one of its own: a log that is begun anew from files must not pass for the one before.
        boot = writer.begin_boot("import", uuid.uuid4().hex, 0)
        segment = writer.begin_segment(boot, 0, trusted=True)
        writer.append_columns(segment, numbers, _blocks(rows, settings))
        writer.drop_checkpoints(int(rows.t_ms[0]))


def _blocks(rows: Rows, settings: Settings) -> Iterator[Columns]:
    """In order of time, because the log is: a row that lands far from the one before costs a page."""
    limits_mm: Mapping[int, tuple[float, float]] = {
        position: (ranger.blanking_m * 1000, ranger.max_range_m * 1000)
        for position, name in enumerate(rows.names)
        if isinstance(ranger := settings.sensors[name], Ranger)
    }
    for begin in range(0, len(rows.t_ms), STEP):
        sensor, t_ms, value = (column[begin : begin + STEP] for column in (rows.sensor, rows.t_ms, rows.value))
        for position in np.unique(sensor).tolist():
            mine = sensor == position
            quality: U8 = np.full(np.count_nonzero(mine), Quality.OK, dtype=np.uint8)
            if position in limits_mm:
                blanking_mm, max_range_mm = limits_mm[position]
                quality[value[mine] <= blanking_mm] = Quality.BLANKED
                quality[value[mine] > max_range_mm] = Quality.OUT_OF_RANGE
            spread = np.full(len(quality), np.nan)
            yield Columns(rows.names[position], t_ms[mine], value[mine], quality, spread)
