"""Rain from files: what is taken, and what a refusal says."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.rainfiles import RainFileRefused, RainRecord, read_forecast, read_rain_record

NOW_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
DAY_MS = 86_400_000


def record(folder: Path, text: str) -> RainRecord:
    (folder / "rain.csv").write_text(text, encoding="utf-8")
    return read_rain_record(folder / "rain.csv")


def forecast(folder: Path, text: str, name: str = "ahead.csv") -> tuple[float, float, float]:
    (folder / name).write_text(text, encoding="utf-8")
    found = read_forecast(folder / name, "Europe/Lisbon", NOW_MS)
    return found.low_mm, found.likely_mm, found.high_mm


def test_a_record_is_its_days_in_order_and_a_missing_day_is_not_a_dry_one(tmp_path: Path) -> None:
    found = record(tmp_path, "\ufeffstation,date,rain_mm\nx,2024-02-29,4.5\n\nx,2024-02-27,0\nx,2024-03-01,\n")
    assert found.first == date(2024, 2, 27)
    np.testing.assert_array_equal(found.rain_mm, [0.0, np.nan, 4.5, np.nan])
    assert found.known_days == 2
    assert found.last == date(2024, 3, 1)
    assert found.day_of_year().tolist() == [58, 59, 60, 61]


def test_the_longest_unbroken_stretch_is_found() -> None:
    rain = np.array([1.0, np.nan, 2.0, 3.0, 4.0, np.nan, 5.0])
    found = RainRecord("x", date(2024, 1, 1), rain).longest_unbroken()
    assert (found.first, found.rain_mm.tolist()) == (date(2024, 1, 3), [2.0, 3.0, 4.0])
    nothing = RainRecord("x", date(2024, 1, 1), np.array([np.nan])).longest_unbroken()
    assert len(nothing.rain_mm) == 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "it has no days"),
        ("date,rain_mm\n", "it has no days"),
        ("day,rain\n2024-01-01,2\n", "no column date and no column rain_mm"),
        ("date,rain_mm\n01/02/2024,2\n", "line 2: '01/02/2024' is not a date"),
        ("date,rain_mm\n2024-01-01,2\n2024-01-02,wet\n", "line 3: 'wet' is not a number"),
        ('date,rain_mm\n2024-01-01,"2,5"\n', "write a point for decimals"),
        ("date,rain_mm\n2024-01-01,-1\n", "line 2: '-1' mm cannot be"),
        ("date,rain_mm\n2024-01-01,nan\n", "line 2: 'nan' mm cannot be"),
        ("date,rain_mm\n2024-01-01,2001\n", "between 0 and 2000 mm"),
        ("date,rain_mm\n2024-01-01,1\n2024-01-01,2\n", "line 3: 2024-01-01 stands in line 2 already"),
        ("date,rain_mm\n2024-01-01\n", "line 2: it has too few columns"),
        ("date,rain_mm\n0204-01-01,1\n", "year must lie between 1700 and 2199"),
    ],
)
def test_a_record_that_will_not_do_is_refused_by_line(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(RainFileRefused, match=r"rain\.csv") as refused:
        record(tmp_path, text)
    assert said in str(refused.value)


def test_many_bad_lines_are_counted(tmp_path: Path) -> None:
    with pytest.raises(RainFileRefused, match="and 4 more"):
        record(tmp_path, "date,rain_mm\n" + "x,1\n" * 14)


@given(text=st.text())
def test_whatever_is_in_the_file_it_is_taken_or_refused(text: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("any")
    for read in (record, forecast):
        try:
            read(folder, text)
        except RainFileRefused as refused:
            assert "csv" in str(refused)


def test_a_file_that_is_not_there_or_is_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RainFileRefused, match="cannot be read"):
        read_rain_record(tmp_path / "none.csv")
    with pytest.raises(RainFileRefused, match="is a folder"):
        read_rain_record(tmp_path)
    (tmp_path / "latin.csv").write_bytes(b"date,rain_mm\n2024-01-01,\xff\n")
    with pytest.raises(RainFileRefused, match="UTF-8"):
        read_rain_record(tmp_path / "latin.csv")


HEAD = "from,upto,low_mm,likely_mm,high_mm\n"


def test_periods_to_come_are_added_and_those_that_are_over_are_not(tmp_path: Path) -> None:
    text = HEAD + "2025-12-30,2025-12-31,50,60,70\n2026-01-02,2026-01-03,1,5,20\n2026-01-01,2026-01-02,0,2,10\n"
    assert forecast(tmp_path, text) == (1.0, 7.0, 30.0)


def test_json_and_likely_alone_will_do(tmp_path: Path) -> None:
    text = '{"from": "2026-01-01T09:00+01:00", "upto": "2026-01-03", "likely_mm": 12.5}'
    assert forecast(tmp_path, text, "ahead.json") == (12.5, 12.5, 12.5)
    assert forecast(tmp_path, f"[{text}]", "ahead.txt") == (12.5, 12.5, 12.5)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD, "no period in it reaches beyond now"),
        (HEAD + "2025-12-30,2025-12-31,1,2,3\n", "take a newer forecast"),
        (HEAD + "2026-01-02,2026-01-01,1,2,3\n", "line 2: upto 2026-01-01 does not lie after"),
        (HEAD + "2026-01-01,2026-01-02,3,2,4\n", "must rise"),
        (HEAD + "2026-01-01,tomorrow,1,2,3\n", "'tomorrow' is not a time"),
        (HEAD + "2026-01-01,2026-01-02,1,,3\n", "line 2: has no likely_mm"),
        (HEAD + "2026-01-01,2026-01-03,1,2,3\n2026-01-02,2026-01-04,1,2,3\n", "overlap"),
        ("from,upto,rain\n", "no column likely_mm"),
        ("{", "is not JSON"),
        ("[1]", "member 1 is not an object"),
    ],
)
def test_a_forecast_that_will_not_do_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(RainFileRefused) as refused:
        forecast(tmp_path, text)
    assert said in str(refused.value)
