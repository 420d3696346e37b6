"""The export, read back by the tools that it is for, and held to the log's own answers."""

import json
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest
from small_site import SETTINGS, Row, make_site, utc_ms
from typer.testing import CliRunner, Result

from rainstead import answers
from rainstead.cli.commands import app
from rainstead.evidence import gather
from rainstead.log import Keep, LogReader, LogWriter
from rainstead.notebook import Notes
from rainstead.readings import Quality
from rainstead.settings import parse_settings

SITE = SETTINGS.replace(
    'calibrations = [{ shape = "cylinder", diameter = 2.0 }]',
    'calibrations = [{ shape = "cylinder", diameter = 2.0 }, '
    '{ shape = "cylinder", diameter = 2.1, from = 2026-03-31T12:00:00Z }]',
)
END = "2026-04-02T12:00:00Z"


def rows() -> list[Row]:
    """Ragged levels over the end of March, a storm and a pump run across midnight of the month, gaps with reasons."""
    rng = np.random.default_rng(5)
    found: list[Row] = []
    for k in range(360):
        day, at = 31 + k // 144, f"T{k // 6 % 24:02d}:{k % 6}0:00.{k % 1000:03d}"
        stamp = f"2026-{'03' if day == 31 else '04'}-{31 if day == 31 else day - 31:02d}{at}"
        found.append((stamp, "house_level", 1500 + rng.normal()))
        if k % 7 == 3:
            found.append((stamp, "pool_level", None, Quality.NO_ECHO))
        elif k % 7 == 5:
            found.append((stamp, "pool_level", 400.0, Quality.BLANKED))
        else:
            found.append((stamp, "pool_level", 900 + rng.normal()))
        found.append((stamp, "shed_air", 20 + rng.normal()))
    # Two readings of the house on the last stamp of March's last minute and on the first of April.
    found += [("2026-03-31T23:59:59.999", "house_level", 1499.0), ("2026-04-01T00:00:00.001", "house_level", 1501.0)]
    found += [(f"2026-03-31T{h:02d}:00:07", "gauge", 3) for h in (20, 22, 23)]
    found += [(f"2026-04-01T0{h}:00:07", "gauge", 2) for h in (0, 1)]
    found += [("2026-04-02T11:58:00", "gauge", 1)]
    found += [(f"2026-03-31T23:59:{s:02d}.5", "meter", 0 if s == 0 else 300 + s) for s in range(0, 60, 5)]
    found += [(f"2026-04-01T00:00:{s:02d}.5", "meter", 310 + s) for s in range(0, 30, 5)]
    return sorted(found, key=lambda row: utc_ms(row[0]))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_site(tmp_path_factory.mktemp("export") / "site", rows(), SITE)


def export(site: Path, folder: Path, *words: str, as_of: str = END) -> Result:
    return CliRunner().invoke(app, ["export", str(folder), "--site", str(site), "--as-of", as_of, *words])


@pytest.fixture(scope="module")
def parquet(site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("parquet") / "out"
    done = export(site, folder)
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture(scope="module")
def as_csv(site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("csv") / "out"
    done = export(site, folder, "--format", "csv")
    assert done.exit_code == 0, done.output
    return folder


def same(got: Any, wanted: Sequence[float] | Any) -> None:
    """To the last bit; what is missing in one is missing in the other."""
    one, other = np.asarray(got, dtype=np.float64), np.asarray(wanted, dtype=np.float64)
    missing = np.isnan(one)
    assert np.array_equal(missing, np.isnan(other))
    assert np.array_equal(one[~missing].view(np.int64), other[~missing].view(np.int64))


def ms(frame: pd.DataFrame, column: str = "utc") -> Any:
    return pd.to_datetime(frame[column], format="ISO8601").dt.as_unit("ms").astype("int64").to_numpy()


def by_pandas(folder: Path, table: str) -> pd.DataFrame:
    return pd.read_parquet(folder / table)


def by_duckdb(folder: Path, table: str) -> pd.DataFrame:
    with duckdb.connect() as db:
        db.execute("SET TimeZone = 'UTC'")
        return db.execute(
            f"SELECT * FROM read_parquet('{folder}/{table}/*/*.parquet', hive_partitioning = true) "
            f"ORDER BY filename, file_row_number"
        ).df()


def by_polars(folder: Path, table: str) -> pd.DataFrame:
    frame = pl.scan_parquet(f"{folder}/{table}/**/*.parquet", hive_partitioning=True).collect()
    return pd.DataFrame({name: frame[name].to_list() for name in frame.columns})


def by_pandas_csv(folder: Path, table: str) -> pd.DataFrame:
    parts = [
        pd.read_csv(path).assign(month=path.parent.name.removeprefix("month="))
        for path in sorted((folder / table).glob("*/*.csv"))
    ]
    return pd.concat(parts, ignore_index=True)


def by_duckdb_csv(folder: Path, table: str) -> pd.DataFrame:
    with duckdb.connect() as db:
        db.execute("SET TimeZone = 'UTC'")
        return db.execute(
            f"SELECT * FROM read_csv('{folder}/{table}/*/*.csv', hive_partitioning = true) ORDER BY utc, sensor"
        ).df()


READERS = {
    "pandas": (by_pandas, "parquet"),
    "duckdb": (by_duckdb, "parquet"),
    "polars": (by_polars, "parquet"),
    "pandas csv": (by_pandas_csv, "csv"),
    "duckdb csv": (by_duckdb_csv, "csv"),
}


@pytest.mark.parametrize("tool", READERS)
def test_every_reading_comes_back_to_the_last_bit(tool: str, site: Path, parquet: Path, as_csv: Path) -> None:
    read, kind = READERS[tool]
    frame = read(parquet if kind == "parquet" else as_csv, "readings")
    with LogReader(site) as reader:
        (batch,) = reader.batches()
        names = {row.name: str(row.kind) for row in reader.sensors()}
    if tool == "duckdb csv":  # a CSV file has no order of rows that the tool keeps
        order = sorted(range(len(batch)), key=lambda k: (int(batch.t_ms[k]), batch.names[batch.sensor[k]]))
        batch = batch.take(np.array(order))
    assert len(frame) == len(batch) == 3 * 360 + 2 + 6 + 18
    assert ms(frame).tolist() == batch.t_ms.tolist()
    assert frame["sensor"].tolist() == [batch.names[k] for k in batch.sensor]
    assert frame["kind"].tolist() == [names[name] for name in frame["sensor"]]
    same(frame["value"], batch.value)
    assert np.isnan(batch.value).any()
    assert frame["quality"].tolist() == batch.quality.tolist()
    assert frame["clock_trusted"].all()
    assert sorted(set(frame["month"].astype(str))) == ["2026-03", "2026-04"]
    assert (frame["month"].astype(str) == pd.to_datetime(ms(frame), unit="ms").strftime("%Y-%m")).all()


@pytest.mark.parametrize("tool", ["pandas", "pandas csv"])
def test_minutes_are_those_that_the_desk_answers_from(tool: str, site: Path, parquet: Path, as_csv: Path) -> None:
    read, kind = READERS[tool]
    frame = read(parquet if kind == "parquet" else as_csv, "minutes")
    settings = parse_settings(SITE, "site.toml")
    april_ms = utc_ms("2026-04-01T00:00:00")
    with LogReader(site) as reader:
        first_ms, last_ms = reader.span_ms() or (0, 0)
        months = [
            gather(settings, reader, Notes(), from_ms=low, upto_ms=high).tanks
            for low, high in ((first_ms - 1, april_ms), (april_ms, last_ms))
        ]
    for tank in ("house", "pool"):
        some = frame[frame["tank"] == tank]
        assert len(some) > 300
        wanted = [month[tank] for month in months]
        assert ms(some).tolist() == [t - 60_000 for part in wanted for t in part.t_ms.tolist()]
        for name in ("readings", "depth_m", "depth_noise_u_m", "volume_l", "noise_u_l", "scale_u_l", "at_brim"):
            same(some[name], np.concatenate([getattr(part, name) for part in wanted]))
        parts = (some[f"{name}_u_l"] ** 2 for name in ("noise", "zero", "sound", "scale"))
        assert some["volume_u_l"].to_numpy() == pytest.approx(np.sqrt(sum(parts)), rel=1e-12)
    assert (frame["month"].astype(str) == pd.to_datetime(ms(frame), unit="ms").strftime("%Y-%m")).all()
    dated = frame[(frame["tank"] == "house") & frame["calibration_from_utc"].notna()]
    assert (ms(dated) + 60_000).min() >= utc_ms("2026-03-31T12:00:00")
    assert set(ms(dated, "calibration_from_utc")) == {utc_ms("2026-03-31T12:00:00")}
    assert frame.loc[frame["tank"] == "pool", "calibration_from_utc"].isna().all()


@pytest.mark.parametrize("tool", ["pandas", "duckdb", "polars", "pandas csv"])
def test_storms_and_runs_are_whole_across_the_end_of_a_month(
    tool: str, site: Path, parquet: Path, as_csv: Path
) -> None:
    read, kind = READERS[tool]
    folder = parquet if kind == "parquet" else as_csv
    storms, runs = read(folder, "storms"), read(folder, "runs")
    settings = parse_settings(SITE, "site.toml")
    with LogReader(site) as reader:
        first_ms, last_ms = reader.span_ms() or (0, 0)
        evidence = gather(settings, reader, Notes(), from_ms=first_ms - 1, upto_ms=last_ms)
    assert ms(storms).tolist() == [storm.start_ms for storm in evidence.storms]
    assert storms["month"].astype(str).tolist() == ["2026-03", "2026-04"]
    assert storms["complete"].tolist() == [True, False]
    assert storms["tips"].tolist() == [13, 1]
    same(storms["rain_mm"], [13 * 0.25, 0.25])
    same(storms["rain_u_mm"], [storm.rain_u_mm for storm in evidence.storms])
    (run,) = evidence.runs
    assert ms(runs).tolist() == [run.start_ms]
    assert ms(runs, "end_utc").tolist() == [run.end_ms]
    assert runs["month"].astype(str).tolist() == ["2026-03"]
    assert runs["source"].tolist() == ["pool"]
    same(runs["volume_l"], [run.volume_l])
    same(runs["flow_l_min"], [run.flow_l_min])
    assert run.volume_l == pytest.approx(
        (sum(300 + s for s in range(5, 60, 5)) + sum(310 + s for s in range(0, 30, 5))) / 400
    )


@pytest.mark.parametrize("tool", ["pandas", "pandas csv"])
def test_the_book_is_the_one_of_the_desk_month_by_month(tool: str, site: Path, parquet: Path, as_csv: Path) -> None:
    read, kind = READERS[tool]
    frame = read(parquet if kind == "parquet" else as_csv, "book")
    settings = parse_settings(SITE, "site.toml")
    with LogReader(site) as reader:
        _, last_ms = reader.span_ms() or (0, 0)
        # The rain day that ends on 31 March ends at 09:00 summer time.
        cuts = [("2026-03-31", "2026-03-31", utc_ms("2026-03-31T08:00:00")), ("2026-04-01", "2026-04-03", last_ms)]
        books = [
            answers.book(settings, reader, Notes(), at_ms, since=since, until=until) for since, until, at_ms in cuts
        ]
    lines = [
        (tank.tank if tank is not book.together else "(all)", line)
        for book in books
        for tank in (*book.tanks, book.together)
        for line in tank.lines
    ]
    assert len(frame) == len(lines) == 4 * 3
    for tank, line in lines:
        (found,) = frame[(frame["tank"] == tank) & (frame["day"].astype(str) == line.label)].to_dict("records")
        assert found["is_whole"] == line.is_whole
        assert found["finding"] == line.finding
        assert str(found["month"]) == line.label[:7]
        for name in ("opening", "rain", "pumped_out", "closing", "rest"):
            told = getattr(line, f"{name}_l")
            if isinstance(told, answers.Unknown):
                assert np.isnan(found[f"{name}_l"])
                assert isinstance(found["because"], str)
            else:
                high = np.nan if told.high is None else told.high
                keys = (f"{name}_l", f"{name}_u_l", f"{name}_low_l", f"{name}_high_l")
                same([found[key] for key in keys], [told.value, told.u, told.low, high])
    assert any(isinstance(line.rest_l, answers.Estimate) for _, line in lines)


def test_units_and_calibrations_are_in_each_parquet_file(parquet: Path) -> None:
    for path in sorted(parquet.rglob("*.parquet")):
        schema = pq.read_schema(path)
        about = {key.decode(): value.decode() for key, value in schema.metadata.items()}
        assert about["rainstead.site"] == "Invented [hollow]"
        assert about["rainstead.time_zone"] == "Europe/Lisbon"
        assert about["rainstead.table"] == path.parts[-3]
        made = json.loads(about["rainstead.calibrations"])
        assert made["sensors"]["gauge"]["calibrations"][0]["depth_per_tip_mm"] == 0.25
        assert made["sensors"]["meter"]["calibrations"][0]["k_factor_per_l"] == 400
        assert [one["diameter_m"] for one in made["tanks"]["house"]["calibrations"]] == [2.0, 2.1]
        assert made["tanks"]["house"]["calibrations"][1]["since"] == "2026-03-31T12:00:00Z"
        assert "/nowhere" not in about["rainstead.calibrations"]
        columns = json.loads(about["rainstead.columns"])
        assert set(columns) == set(schema.names)
        for field in schema:
            assert field.metadata[b"description"].decode() == columns[field.name]["description"]
            unit = field.metadata[b"unit"].decode()
            assert unit == columns[field.name]["unit"]
            for ending, wanted in (("_u_mm", "mm"), ("_l_min", "L/min"), ("_l", "L"), ("_m", "m"), ("_s", "s")):
                if field.name.endswith(ending):
                    assert unit == wanted, field.name
                    break
    with duckdb.connect() as db:
        path = next(iter((parquet / "runs").glob("*/*.parquet")))
        told = dict(db.execute(f"SELECT key, value FROM parquet_kv_metadata('{path}')").fetchall())
        assert told[b"rainstead.meaning"].startswith(b"pump runs")


@pytest.mark.parametrize("kind", ["parquet", "csv"])
def test_the_description_names_every_file_and_column(kind: str, parquet: Path, as_csv: Path) -> None:
    folder = parquet if kind == "parquet" else as_csv
    package = json.loads((folder / "datapackage.json").read_text("utf-8"))
    named = {path for resource in package["resources"] for path in resource["path"]}
    assert named == {path.relative_to(folder).as_posix() for path in folder.rglob("part-0.*")}
    for resource in package["resources"]:
        frame = (by_pandas if kind == "parquet" else by_pandas_csv)(folder, resource["name"])
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == [name for name in frame.columns if name != "month"]
        assert resource["rows"] == len(frame)
        assert all(field["description"] for field in fields)
    assert package["calibrations"]["tanks"]["pool"]["brim_m"] == 1.0
    assert package["as_of_utc"] == "2026-04-02T11:58:00Z" if kind == "csv" else True
    assert package["left_out"] == {"thinned": "the log still has all readings of that time"}


def test_a_part_of_the_log_gives_the_same_rows_as_the_whole(site: Path, parquet: Path, tmp_path: Path) -> None:
    done = export(site, tmp_path / "part", "--since", "2026-03-31T22:00Z", as_of="2026-04-01T00:30Z")
    assert done.exit_code == 0, done.output
    whole, part = by_pandas(parquet, "readings"), by_pandas(tmp_path / "part", "readings")
    since, until = pd.Timestamp("2026-03-31T22:00Z"), pd.Timestamp("2026-04-01T00:30Z")
    wanted = whole[(whole["utc"] >= since) & (whole["utc"] <= until)].reset_index(drop=True)
    pd.testing.assert_frame_equal(part, wanted)
    (storm,) = by_pandas(tmp_path / "part", "storms").to_dict("records")
    assert storm["tips"] == 11  # with the three before, without the two after
    assert not storm["complete"]


def test_only_the_tables_that_were_asked_for_are_written(site: Path, tmp_path: Path) -> None:
    done = export(site, tmp_path / "out", "--table", "storms", "--table", "runs")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["datapackage.json", "runs", "storms"]
    assert "readings" not in done.stdout


def test_thinned_hours_keep_their_minutes_in_the_export(tmp_path: Path) -> None:
    many: list[Row] = [
        (f"2026-03-{d}T{h:02d}:0{m}:{s}", "house_level", 1500.0 + s)
        for d in (10, 20)
        for h in range(3)
        for m in range(3)
        for s in (10, 30)
    ]
    site = make_site(tmp_path / "site", many)
    with LogWriter(site / "readings.db") as writer:
        now_ms = utc_ms("2026-03-21T00:00:00")
        while writer.seal_some(now_ms):
            pass
        while writer.thin_some(Keep(days=2)):
            pass
    done = export(site, tmp_path / "out", "--table", "thinned", "--table", "readings")
    assert done.exit_code == 0, done.output
    frame = by_pandas(tmp_path / "out", "thinned")
    assert ms(frame).tolist() == [utc_ms(f"2026-03-10T{h:02d}:0{m}:00") for h in range(3) for m in range(3)]
    assert frame["readings"].tolist() == [2] * 9
    assert frame["mean"].tolist() == [1520.0] * 9
    assert frame["unit"].tolist() == ["mm"] * 9
    assert len(by_pandas(tmp_path / "out", "readings")) == 18


def test_tables_that_the_site_has_nothing_for_are_left_out_with_the_reason(tmp_path: Path) -> None:
    text = SETTINGS[: SETTINGS.index("[rain]\n")] + SETTINGS[SETTINGS.index("[reserve]\n") :]
    site = make_site(tmp_path / "site", [("2026-03-28T10:00:00", "house_level", 500.0)], text)
    done = export(site, tmp_path / "out")
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert "storms: left out, because the settings have no [rain] table" in said
    assert "runs: left out, because the settings have no pump with a meter" in said
    assert "book: left out, because" in said


@pytest.mark.parametrize("there", ["file", "full folder"])
def test_nothing_is_overwritten(there: str, site: Path, tmp_path: Path) -> None:
    target = tmp_path / "out"
    if there == "file":
        target.write_text("mine")
    else:
        target.mkdir()
        (target / "mine.txt").write_text("mine")
    done = CliRunner().invoke(app, ["export", str(target), "--site", str(site), "--as-of", END])
    assert "is there already; name a new folder, nothing is overwritten" in str(done.exception)
    mine = target if there == "file" else target / "mine.txt"
    assert mine.read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("words", "as_of", "says"),
    [
        (["--table", "tanks"], END, "--table 'tanks': must be one of readings, thinned, minutes, storms, runs, book"),
        (["--format", "xlsx"], END, "--format 'xlsx': must be one of parquet, csv"),
        (["--since", "yesterday"], END, "--since 'yesterday': this is not a time"),
        (["--since", "2027-01-01"], "2027-02-01", "the log's newest reading is of 2026-04-02T11:58:00Z"),
        ([], "2020-01-01", "the log has no readings up to"),
    ],
)
def test_what_cannot_be_exported_is_refused_in_words(
    words: list[str], as_of: str, says: str, site: Path, tmp_path: Path
) -> None:
    done = export(site, tmp_path / "out", *words, as_of=as_of)
    assert done.exit_code != 0
    assert says in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_named(site: Path, tmp_path: Path) -> None:
    done = export(site, tmp_path / "no" / "such" / "out")
    assert f"there is no folder {tmp_path / 'no' / 'such'} to put it into" in str(done.exception)


def test_without_the_parquet_library_it_says_what_to_install_and_csv_works(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    done = export(site, tmp_path / "out")
    assert "pip install 'rainstead[desk]'" in str(done.exception)
    assert list(tmp_path.iterdir()) == []
    assert export(site, tmp_path / "out", "--format", "csv").exit_code == 0


def test_a_failure_on_the_way_leaves_nothing_behind(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("rainstead.exporting.writing.write_book", full)
    done = export(site, tmp_path / "out")
    assert f"{tmp_path / 'out'}: cannot be written (No space left on device); nothing is left of it" in str(
        done.exception
    )
    assert list(tmp_path.iterdir()) == []


def test_a_log_that_is_put_right_meanwhile_is_exported_again(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    notes = iter([[], ["a clock was set"]])
    monkeypatch.setattr(LogReader, "behind", lambda *_: next(notes))
    done = export(site, tmp_path / "out")
    assert "export again" in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_days_are_dates_for_every_tool(parquet: Path) -> None:
    assert by_pandas(parquet, "book")["day"].iloc[0] == date(2026, 3, 31)
