"""`rainstead storm` and `rainstead yield` as their user meets them."""

import json
import math
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from roof_site import DAY_MS, ROOF_SETTINGS, START_MS, Shower, make_roof_site

from rainstead.cli import main

AS_OF = "2026-03-05"


def showers() -> list[Shower]:
    """Storm 5 is odd, and from the fourteenth on the barn's gutter is half blocked; the last fills both tanks."""
    depths = [4.0 + k * 7 % 11 for k in range(17)]
    ratios = [0.25 if k == 5 else 1.0 if k < 13 else 0.6 for k in range(17)]
    return [
        Shower(START_MS + (2 + 3 * k) * DAY_MS + 6 * 3_600_000, rain_mm, ratio=ratio)
        for k, (rain_mm, ratio) in enumerate(zip(depths, ratios, strict=True))
    ] + [Shower(START_MS + 53 * DAY_MS + 6 * 3_600_000, 90.0, 9.0)]


@pytest.fixture(scope="module")
def roofs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_roof_site(tmp_path_factory.mktemp("roofs"), showers(), days=60)[0]


class Ran:
    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str) -> None:
        monkeypatch.setattr(sys, "argv", ["rainstead", *words])
        capsys.readouterr()
        try:
            main()
            self.code: object = 0
        except SystemExit as ended:
            self.code = ended.code or 0
        self.out, self.err = capsys.readouterr()
        self.text = " ".join(self.out.split())
        """Whatever the width has broken."""


def numbers(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        for part in value.values():
            yield from numbers(part)
    elif isinstance(value, list):
        for part in value:
            yield from numbers(part)
    elif isinstance(value, float):
        yield value


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], roofs: Path) -> Any:
    def asked(*words: str, site: Path = roofs) -> Ran:
        return Ran(monkeypatch, capsys, *words, "--site", str(site), "--as-of", AS_OF)

    return asked


def test_the_yield_tells_what_changed_and_which_storm_was_odd(run: Any) -> None:
    told = run("yield")
    assert (told.code, told.err) == (0, "")
    assert "high: since 2026-02-11 06:" in told.out
    assert "look for a blocked gutter or a split downpipe" in told.out
    assert "high: the storm of 2026-01-18 06:" in told.out
    assert "of what the roof normally gives" in told.out
    assert "low: since" not in told.out
    assert "After a fire reconnect only a clean roof" in told.text
    assert "not drinking water" in told.text


def test_a_storms_sheet_in_words(run: Any) -> None:
    told = run("storm", "2026-01-18")
    assert (told.code, told.err) == (0, "")
    assert "Storm 2026-01-18 06:0" in told.out
    assert "Hardest, mm/h over 5 min" in told.out
    assert re.search(r"besides, high( and low)?: what it did at the same hours of \d+ dry days", told.text)
    assert "high: this storm delivered 2" in told.out
    assert "of what the roof normally gives" in told.out


def test_a_storm_that_spilt_is_shown_as_a_bound(run: Any) -> None:
    told = run("storm")
    assert "site: a lower bound, because low was full to the brim" in told.out
    assert (
        "low: not enough to say, because low was full to the brim, and high may have overflowed into low" in told.text
    )
    site = next(line for line in told.out.splitlines() if line.startswith("site "))
    assert site.count("≥") >= 3


def test_a_time_in_the_storm_and_a_day_near_it_find_the_same(run: Any) -> None:
    assert run("storm", "2026-01-18").out == run("storm", "2026-01-19T07:00").out


@pytest.mark.parametrize("words", [("storm",), ("yield",), ("yield", "--since", "2026-02-20")])
def test_json_holds_only_numbers_that_are_numbers(run: Any, words: tuple[str, ...]) -> None:
    told = run(*words, "--json")
    assert told.code == 0
    assert all(math.isfinite(number) for number in numbers(json.loads(told.out)))


@pytest.mark.parametrize(
    ("words", "kind"), [(("storm",), "png"), (("yield",), "svg"), (("yield", "--group", "high"), "png")]
)
def test_pictures_are_written(run: Any, tmp_path: Path, words: tuple[str, ...], kind: str) -> None:
    picture = tmp_path / f"picture.{kind}"
    told = run(*words, "--plot", str(picture))
    assert told.code == 0, told.err
    begins = picture.read_bytes()[:100]
    assert begins.startswith(b"\x89PNG") if kind == "png" else b"<?xml" in begins


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("storm", "yesterday"), "WHEN 'yesterday': this is not a time"),
        (("yield", "--since", "soon"), "--since 'soon': this is not a time"),
        (("yield", "--group", "shed", "--plot", "p.png"), "the groups are site, high, low"),
        (("storm", "--plot", "p.gif"), "a picture can be .png, .svg, .pdf"),
    ],
)
def test_what_cannot_be_is_refused_in_one_message(run: Any, words: tuple[str, ...], says: str) -> None:
    told = run(*words)
    assert told.code == 2
    assert says in told.err
    assert "Traceback" not in told.err
    assert told.err.startswith("rainstead: ")


def test_a_group_that_is_not_there_is_refused_without_a_picture_too(run: Any) -> None:
    told = run("yield", "--group", "shed")
    assert told.code == 2
    assert "the groups are site, high, low" in told.err


def test_no_rain_is_said(run: Any, tmp_path: Path) -> None:
    dry, _ = make_roof_site(tmp_path / "dry", [], days=3)
    told = run("storm", site=dry)
    assert told.code == 2
    assert "counted no rain" in told.err
    told = run("yield", site=dry)
    assert told.code == 0
    assert "site: not enough to say, because there was no storm in that time" in told.out


def test_no_gauge_is_said(run: Any, tmp_path: Path) -> None:
    text = ROOF_SETTINGS[: ROOF_SETTINGS.index("[rain]")]
    bare, _ = make_roof_site(tmp_path / "bare", [], days=3, text=text)
    for command in ("storm", "yield"):
        told = run(command, site=bare)
        assert told.code == 2
        assert "the settings have no [rain] table with a gauge" in told.err
