"""`rainstead note` as its user meets it."""

import json
from pathlib import Path

import pytest
from small_site import SETTINGS
from typer.testing import CliRunner, Result

from rainstead.cli.commands import app
from rainstead.notebook import Notes, read_notes


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site that has no log yet: the notebook can be begun before the logger."""
    (tmp_path / "site.toml").write_text(SETTINGS, encoding="utf-8")
    return tmp_path


def note(site: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["note", *words, "--site", str(site)])


def test_each_note_says_how_it_was_understood(site: Path) -> None:
    said = [
        note(site, "dip", "house", "150 cm", "--at", "2026-03-28T14:30").stdout,
        note(site, "delivery", "pool", "9kL", "--from", "2026-03-28T09:00", "--to", "2026-03-28T10:00").stdout,
        note(site, "volume", "house", "-200 L", "--u", "1 L").stdout,
        note(site, "fuel", "650 mL").stdout,
        note(site, "run", "--nozzle", "fog [8]", "--to", "ground").stdout,
        note(site, "forecast", "1mm", "4mm", "20mm", "--to", "2199-01-01").stdout,
    ]
    assert said[0] == "Noted as 1: dip house, 1.500 m ±10 mm; 2026-03-28 14:30 WET\n"
    assert said[1] == "Noted as 2: delivery pool, 9,000 L ±353; 2026-03-28 09:00 to 2026-03-28 10:00 WET\n"
    assert said[2].startswith("Noted as 3: known volume house, -200 L ±2; ")
    assert said[3].startswith("Noted as 4: fuel, 0.65 L ±0.06; ")
    assert said[4].startswith("Noted as 5: pump run, nozzle fog [8], to ground; ")
    assert said[5].startswith("Noted as 6: forecast, 1, 4, 20 mm (low, likely, high); ")
    listed = note(site, "list").stdout
    for part in ("1.500 m", "9,000 L", "-200 L", "0.65 L", "fog [8]", "1, 4, 20 mm"):
        assert part in listed


def test_a_refused_note_leaves_no_notebook_behind(site: Path) -> None:
    result = note(site, "dip", "house", "9 m")
    assert result.exit_code != 0
    assert [path.name for path in site.iterdir()] == ["site.toml"]


def test_a_note_is_corrected_by_striking_it_out(site: Path) -> None:
    note(site, "dip", "house", "1.5 m")
    assert note(site, "strike", "1").stdout.startswith("Struck out 1: dip house, 1.500 m")
    assert note(site, "strike", "1").exit_code != 0
    assert read_notes(site) == Notes()
    assert "1 struck out; --struck lists them too." in note(site, "list").stdout
    assert "struck out" in note(site, "list", "--struck").stdout


def test_the_list_as_json_has_every_key_and_stamps_in_utc(site: Path) -> None:
    note(site, "dip", "house", "1.5 m", "--at", "2026-03-28T14:30")
    (line,) = json.loads(note(site, "list", "--json").stdout)["entries"]
    assert (line["kind"], line["t_utc"], line["depth_m"], line["to"]) == ("dip", "2026-03-28T14:30:00Z", 1.5, None)


def test_the_list_of_an_earlier_time_has_only_what_was_noted_by_then(site: Path) -> None:
    note(site, "dip", "house", "1.5 m", "--at", "2026-03-28T14:30")
    assert json.loads(note(site, "list", "--json", "--as-of", "2026-03-28T15:00").stdout)["entries"] == []


def test_a_folder_that_is_not_there_is_named(site: Path) -> None:
    result = note(site / "nowhere", "fuel", "1 L")
    assert "nowhere" in str(result.exception)
