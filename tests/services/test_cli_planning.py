"""Transfer, outlook and sizing on the command line: what is said, drawn and refused."""

import json
import sys
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest
from planning_site import AS_OF, planning_site

from rainstead.cli import main

Run = Callable[..., tuple[object, str, str]]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = planning_site(tmp_path_factory.mktemp("planning"))
    days = (date(2020, 1, 1) + timedelta(days=k) for k in range(1461))
    rows = "".join(f"{day},{4 if day.timetuple().tm_yday <= 180 else 0}\n" for day in days)
    (folder / "record.csv").write_text("date,rain_mm\n" + rows, encoding="utf-8")
    (folder / "ahead.csv").write_text(
        "from,upto,low_mm,likely_mm,high_mm\n2026-01-11,2026-01-13,5,20,40\n", encoding="utf-8"
    )
    return folder


@pytest.fixture
def run(site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    def ran(command: str, *words: object, as_of: str = AS_OF) -> tuple[object, str, str]:
        said = ["rainstead", command, "--site", site, "--as-of", as_of, *words]
        monkeypatch.setattr(sys, "argv", [str(word) for word in said])
        try:
            main()
            code: object = 0
        except SystemExit as ended:
            code = ended.code or 0
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert " nan" not in (out + err).lower()
        return code, " ".join(out.split()), " ".join(err.split())

    return ran


def test_transfer_says_what_to_pump_for_how_long_and_its_caution(run: Run) -> None:
    code, out, _ = run("transfer", "--rain", "20mm")
    assert code == 0
    assert "Likely rain, 20 mm: 1,555 L would be lost." in out
    assert "Pump 1,555 L from east to west: 65 (" in out
    assert "L of petrol" in out
    assert "Run a petrol engine outdoors only" in out
    assert "spare: not enough to say, because it has no sensor" in out


def test_transfer_takes_a_forecast_file_and_tells_both_depths(run: Run, site: Path) -> None:
    _, out, _ = run("transfer", "--forecast", site / "ahead.csv")
    assert "Rain expected 20 mm (5 to 40: 8 in 10), by the file." in out
    assert "Likely rain, 20 mm" in out
    assert "High rain, 40 mm: 3,355 L would be lost." in out
    # West has 2000 L of room and no roof of its own.
    assert "1,355 L will be lost even so" in out


def test_transfer_in_light_rain_asks_for_nothing(run: Run) -> None:
    _, out, _ = run("transfer", "--rain", "2mm")
    assert "nothing is lost; nothing needs pumping" in out
    assert "Pump" not in out


def test_outlook_says_days_chances_and_its_caution(run: Run, site: Path) -> None:
    code, out, _ = run("outlook", "--record", site / "record.csv", "--days", "10,60")
    assert code == 0
    assert "Without rain it is touched in 78 (" in out
    assert "10 days under 1 %" in out
    assert "the fire authority decides" in out
    assert "Rain drawn 2,000 times from" in out


def test_outlook_without_a_record_says_what_it_can(run: Run) -> None:
    code, out, _ = run("outlook")
    assert code == 0
    assert "Without rain it is touched in 78 (" in out
    assert "With rain: not enough to say, because the rain record has" in out


def test_sizing_lists_what_could_be_done_and_what_it_costs(run: Run, site: Path) -> None:
    told = ("--draw", "40 L", "--option", "tank=3kL cost=1200", "--option", "draw=20L")
    code, out, _ = run("sizing", "--record", site / "record.csv", *told)
    assert code == 0
    assert "as it is" in out
    assert "another tank, 3,000 L" in out
    assert "1,200" in out
    assert "draw 20 L a day" in out
    assert "Costs are spread over 20 years" in out
    assert "for the fire authority to say" in out


def test_sizing_over_a_short_log_is_not_enough_to_say(run: Run) -> None:
    code, out, _ = run("sizing", "--draw", "40 L")
    assert code == 0
    assert "Not enough to say, because the longest stretch of the site's log" in out


@pytest.mark.parametrize("command", ["outlook", "sizing"])
@pytest.mark.parametrize("ending", ["png", "svg"])
def test_pictures_are_drawn(run: Run, site: Path, tmp_path: Path, command: str, ending: str) -> None:
    picture = tmp_path / f"picture.{ending}"
    code, _, _ = run(command, "--record", site / "record.csv", "--draw", "40 L", "--plot", picture)
    assert code == 0
    begin = picture.read_bytes()[:5]
    assert begin.startswith(b"\x89PNG" if ending == "png" else b"<?xml")


def test_a_picture_of_no_answer_says_so(run: Run, tmp_path: Path) -> None:
    code, _, _ = run("sizing", "--draw", "40 L", "--plot", tmp_path / "none.svg")
    assert code == 0
    assert (tmp_path / "none.svg").exists()


def test_json_holds_the_same_and_nothing_but_numbers_that_are_numbers(run: Run, site: Path) -> None:
    _, out, _ = run("transfer", "--rain", "20mm", "--json")
    told = json.loads(out)
    assert round(told["plans"][0]["moves"][0]["volume_l"]) == 1555
    assert told["tanks"][2]["freeboard_l"] == {"because": "it has no sensor"}
    for command in ("outlook", "sizing"):
        _, out, _ = run(command, "--record", site / "record.csv", "--draw", "40 L", "--json")
        assert "NaN" not in out and "Infinity" not in out
        json.loads(out)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("transfer",), "no rain was told"),
        (("transfer", "--rain", "lots"), "--rain 'lots'"),
        (("transfer", "--rain", "5mm", "--forecast", "x.csv"), "give one of them"),
        (("transfer", "--forecast", "none.csv"), "none.csv: cannot be read"),
        (("transfer", "--rain", "5", "--yield", "house=90"), "there is no tank 'house'"),
        (("outlook", "--record", "none.csv"), "none.csv: cannot be read"),
        (("outlook", "--days", "soon"), "--days 'soon'"),
        (("outlook", "--draw", "300"), "--draw '300': has no unit"),
        (("outlook", "--plot", "x.bmp"), "x.bmp: a picture can be .png, .svg, .pdf"),
        (("sizing", "--option", "well=3"), "'well' will not do"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_remedy(run: Run, words: tuple[str, ...], said: str) -> None:
    code, _, err = run(*words)
    assert code == 2
    assert err.startswith("rainstead: ")
    assert said in err
