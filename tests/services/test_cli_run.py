"""`run` and `defence` as a person meets them."""

import json
import re
import sys
from pathlib import Path

import pytest
from desk_site import ms
from pumped_site import PUMPED, Ran, pumped_site

from rainstead.cli import main
from rainstead.notebook import FuelFill, RunNote

AS_OF = ("--as-of", "2026-03-28T11:00Z")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs, the second with a meter that tells too much and a receiver that got too little."""
    return pumped_site(
        tmp_path_factory.mktemp("site") / "site",
        [Ran("2026-03-27T10:00:00", 10, 300, 300, 300), Ran("2026-03-28T10:00:00", 10, 600, 720, 450)],
        entries=[
            RunNote(ms("2026-03-28T10:05:00"), "6 mm [wide]", None),
            FuelFill(ms("2026-03-28T10:30:00"), 0.3, 0.03),
        ],
    )


class Program:
    """Runs the program in this process, as a pipe sees it."""

    def __init__(self, patch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._patch, self._capsys = patch, capsys

    def _ran(self, site: Path, *words: str) -> tuple[int, str, str]:
        self._patch.setattr(sys, "argv", ["rainstead", *words, "--site", str(site), *AS_OF])
        self._capsys.readouterr()
        code = 0
        try:
            main()
        except SystemExit as ended:
            code = int(ended.code or 0)
        return code, *self._capsys.readouterr()

    def said(self, site: Path, *words: str) -> str:
        code, out, err = self._ran(site, *words)
        assert code == 0, err
        return out

    def refused(self, site: Path, *words: str) -> str:
        code, out, err = self._ran(site, *words)
        assert code == 2, out
        assert "Traceback" not in err
        return " ".join(err.split())


@pytest.fixture
def program(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(monkeypatch, capsys)


def test_the_sheet_shows_each_measure_whether_they_agree_and_what_is_most_likely_wrong(
    site: Path, program: Program
) -> None:
    told = program.said(site, "run")
    assert re.search(r"meter meter +720 +±42", told)
    assert re.search(r"fall of east +600", told)
    assert re.search(r"rise of west +450", told)
    assert "They do not agree." in told
    assert told.count("Perhaps:") == 1
    assert told.index("Perhaps:") < told.index("Or: ")
    assert "nozzle 6 mm [wide]" in told
    assert "by the fill after this run (taking its tank to have been full before)" in told
    assert "exhaust kills in a shed" in told


def test_an_earlier_run_is_asked_for_by_its_time(site: Path, program: Program) -> None:
    told = program.said(site, "run", "2026-03-27T10:05Z")
    assert "Pump run 1 of 2" in told
    assert "They agree." in told


def test_the_defence_plan_opens_with_the_caution_and_tells_all_it_takes(site: Path, program: Program) -> None:
    told = program.said(site, "defence", "--area", "0.1 acre", "--depth", "3 mm")
    assert told.index("Never plan to stay on these figures alone") < told.index("takes 1,214 L")
    assert "fire authority" in told
    for words in ("flow", "time", "petrol", "refills", "needs moving first", "usable afterwards", "outdoors only"):
        assert words in told, words


def test_nan_and_none_never_reach_the_screen(site: Path, program: Program) -> None:
    for words in (("run",), ("run", "2026-03-27"), ("defence", "--area", "100 m2", "--depth", "1 in")):
        told = program.said(site, *words)
        assert not re.search(r"\bnan\b|\bNone\b|\binf\b", told), told


def test_a_day_means_its_newest_run(site: Path, program: Program) -> None:
    day = json.loads(program.said(site, "run", "--json"))["start_utc"][:10]
    assert json.loads(program.said(site, "run", day, "--json")) == json.loads(program.said(site, "run", "--json"))


def test_json_has_the_same_answer_and_holds_no_nan(site: Path, program: Program) -> None:
    run = json.loads(program.said(site, "run", "--json"))
    assert run["verdict"] == "none_agree"
    assert run["measures"][0]["volume_l"]["value"] == pytest.approx(720)
    plan = json.loads(program.said(site, "defence", "--area", "100 m2", "--depth", "5 mm", "--json"))
    assert plan["need_l"] == 500


def test_a_picture_is_written_where_it_was_asked_for(site: Path, tmp_path: Path, program: Program) -> None:
    for name, begins in (("run.png", b"\x89PNG"), ("run.svg", b"<?xml")):
        program.said(site, "run", "--plot", str(tmp_path / name))
        assert (tmp_path / name).read_bytes().startswith(begins)
    assert "fall of east" in (tmp_path / "run.svg").read_text("utf-8")


def test_wrong_input_is_one_message_that_says_what_would_do(site: Path, tmp_path: Path, program: Program) -> None:
    assert "2026-03-29T14:30" in program.refused(site, "run", "yesterday")
    assert "no pump run within half a day" in program.refused(site, "run", "2025-01-01")
    assert "has no unit; add one of: kPa" in program.refused(site, "run", "--pressure", "300")
    assert ".png" in program.refused(site, "run", "--plot", str(tmp_path / "run.bmp"))
    assert "--area '5': has no unit; add one of: m2" in program.refused(
        site, "defence", "--area", "5", "--depth", "5 mm"
    )
    assert "go together" in program.refused(site, "defence", "--area", "5 m2", "--depth", "5 mm", "--bucket", "20 L")


def test_a_site_without_a_pump_is_told_what_to_add(tmp_path: Path, program: Program) -> None:
    text = PUMPED[: PUMPED.index("[pump]")] + PUMPED[PUMPED.index("[rain]") :]
    site = pumped_site(tmp_path / "site", [], text=text)
    assert "the settings have no [pump] table" in program.refused(site, "run")
