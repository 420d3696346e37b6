"""The log as open files: all that was asked for, or nothing."""

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from rainstead.answers import NoBook, utc_text
from rainstead.log import LogReader
from rainstead.notebook import Notes
from rainstead.settings import Settings

from .about import About, data_package
from .bookrows import write_book
from .csvfile import CsvPart
from .parquetfile import parquet_parts
from .partitions import Partitions
from .rawrows import write_readings, write_thinned
from .refused import ExportRefused
from .tables import TABLES
from .workedrows import write_worked_out

__all__ = ["FORMATS", "Exported", "Format", "export"]

Format = Literal["parquet", "csv"]
FORMATS: Final[tuple[Format, ...]] = ("parquet", "csv")
Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Exported:
    """rows: of each table that was written. left_out: tables of which there is nothing, and why."""

    folder: Path
    rows: Mapping[str, int]
    left_out: Mapping[str, str]
    size_bytes: int


def export(
    settings: Settings,
    reader: LogReader,
    notes: Notes,
    folder: Path,
    *,
    as_of_ms: int,
    since_ms: int | None = None,
    tables: Sequence[str] = tuple(TABLES),
    format_: Format = "parquet",
    progress: Progress = lambda _: None,
) -> Exported:
    """Write tables into a new folder. Readings with since_ms <= t_ms <= as_of_ms, and what follows from them.

    What is remembered from before since_ms counts, so that a part of the log gives the same rows as all of it.
    Raises ExportRefused; then nothing is left behind.
    """
    _check(folder, tables)
    span = reader.span_ms()
    if span is None or span[0] > as_of_ms:
        raise ExportRefused(f"{reader.path}: the log has no readings up to {utc_text(as_of_ms)}; nothing to export")
    first_ms = span[0] if since_ms is None else max(span[0], since_ms)
    last_ms = min(span[1], as_of_ms)
    if first_ms > last_ms:
        raise ExportRefused(f"--since: the log's newest reading is of {utc_text(last_ms)}; nothing to export")
    about = About.of(settings, utc_text(first_ms), utc_text(last_ms))
    opener = CsvPart if format_ == "csv" else parquet_parts(about.keys())
    try:
        with tempfile.TemporaryDirectory(prefix=f".{folder.name}.", dir=folder.parent) as scratch:
            root = Path(scratch) / "export"
            root.mkdir()  # with the usual permissions, which a scratch folder has not
            parts = {name: Partitions(root, TABLES[name], format_, opener) for name in TABLES if name in tables}
            left_out = _write(settings, reader, notes, parts, since_ms, (first_ms, last_ms), progress)
            written = [(TABLES[name], part) for name, part in parts.items() if part.rows]
            text = data_package(about, root, written, left_out, format_)
            (root / "datapackage.json").write_text(text, encoding="utf-8")
            size_bytes = sum(path.stat().st_size for path in root.rglob("*") if path.is_file())
            root.rename(folder)
    except OSError as error:
        shown = error.strerror or str(error)
        raise ExportRefused(f"{folder}: cannot be written ({shown}); nothing is left of it") from None
    return Exported(folder, {table.name: part.rows for table, part in written}, left_out, size_bytes)


def _check(folder: Path, tables: Sequence[str]) -> None:
    unknown = [name for name in tables if name not in TABLES]
    if unknown:
        raise ExportRefused(f"--table {unknown[0]!r}: must be one of {', '.join(TABLES)}")
    if folder.exists() and not (folder.is_dir() and not any(folder.iterdir())):
        raise ExportRefused(f"{folder}: is there already; name a new folder, nothing is overwritten")
    if not folder.absolute().parent.is_dir():
        raise ExportRefused(f"{folder}: there is no folder {folder.absolute().parent} to put it into; make it first")


def _write(
    settings: Settings,
    reader: LogReader,
    notes: Notes,
    parts: Mapping[str, Partitions],
    since_ms: int | None,
    span: tuple[int, int],
    progress: Progress,
) -> dict[str, str]:
    """All rows of the tables; gives the tables of which there are none, and why. span: first and last reading."""
    first_ms, last_ms = span
    changes = len(reader.behind(0))
    left_out = {}
    if "readings" in parts:
        write_readings(reader, parts["readings"], first_ms, last_ms + 1, progress)
    if "thinned" in parts:
        write_thinned(reader, parts["thinned"], since_ms, last_ms + 1)
    worked = {name: part for name, part in parts.items() if name in ("minutes", "storms", "runs")}
    if worked:
        write_worked_out(settings, reader, worked, first_ms - 1, last_ms, progress)
    if "book" in parts:
        try:
            write_book(settings, reader, notes, parts["book"], first_ms, last_ms, progress)
        except NoBook as error:
            left_out["book"] = str(error)
    for part in parts.values():
        part.close()
    if len(reader.behind(0)) != changes:
        raise ExportRefused(
            "the log was put right behind what was already written (a clock was set, or readings came late); "
            "export again"
        )
    return left_out | {
        name: _why_empty(name, settings) for name, part in parts.items() if not part.rows and name not in left_out
    }


def _why_empty(name: str, settings: Settings) -> str:
    if name == "minutes" and not any(tank.sensor is not None for tank in settings.tanks.values()):
        return "no tank in the settings has a level sensor"
    if name == "storms" and settings.rain is None:
        return "the settings have no [rain] table"
    if name == "runs" and (settings.pump is None or settings.pump.meter is None):
        return "the settings have no pump with a meter"
    if name == "thinned":
        return "the log still has all readings of that time"
    return "there are none in that time"
