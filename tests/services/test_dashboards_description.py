"""The dashboards' description: one file, no name that the schema does not have, no cell over another."""

from pathlib import Path
from typing import Any

import pytest
from small_site import make_site
from typer.testing import CliRunner

from rainstead.cli.commands import app
from rainstead.dashboards import BOARDS, PERIODS, template, template_text
from rainstead.dashboards.flux import field_of, source, tag_of
from rainstead.dashboards.rollups import rolled

FILE = Path(__file__).parents[2] / "dashboards" / "influx" / "rainstead.json"


def test_the_file_is_what_the_description_makes() -> None:
    assert FILE.read_text("utf-8") == template_text(), "`make dashboards` writes it anew"


def test_the_command_prints_it_for_any_bucket() -> None:
    said = CliRunner().invoke(app, ["dashboards"])
    assert said.stdout == template_text()
    other = CliRunner().invoke(app, ["dashboards", "--bucket", 'a "hill"']).stdout
    assert other == template_text('a "hill"')
    assert 'from(bucket: \\"a \\\\\\"hill\\\\\\"\\")' in other


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: field_of("tank", "volume_m3"),
        lambda: tag_of("tank", "sensor"),
        lambda: source("tank", "volume_m3"),
        lambda: rolled("rain", "rain_mm", "max", "1d"),
    ],
    ids=["field", "tag", "source", "rollup"],
)
def test_a_name_that_the_schema_does_not_have_stops_the_making(wrong: Any) -> None:
    with pytest.raises(KeyError):
        wrong()


@pytest.mark.parametrize(
    "board", [one for one in template() if one["kind"] == "Dashboard"], ids=lambda one: one["spec"]["name"]
)
def test_no_cell_lies_over_another_or_off_the_grid(board: dict[str, Any]) -> None:
    taken: set[tuple[int, int]] = set()
    for chart in board["spec"]["charts"]:
        place = {
            (x, y)
            for x in range(chart["xPos"], chart["xPos"] + chart["width"])
            for y in range(chart["yPos"], chart["yPos"] + chart["height"])
        }
        assert max(x for x, _ in place) < 12
        assert not place & taken, chart["name"]
        taken |= place


def test_names_are_told_apart() -> None:
    names = [one["metadata"]["name"] for one in template() if one["kind"] != "Label"]
    assert len(set(names)) == len(names)
    cells = [cell.name for board in BOARDS for cell in board.cells]
    assert len(set(cells)) == len(cells)


def test_a_task_leaves_its_timing_to_the_template() -> None:
    tasks = [one["spec"] for one in template() if one["kind"] == "Task"]
    assert [one["every"] for one in tasks] == [period.every for period in PERIODS]
    assert not any("option task" in one["query"] for one in tasks)


def test_who_defends_with_this_water_is_sent_to_the_fire_authority() -> None:
    words = " ".join(cell.words for board in BOARDS for cell in board.cells)
    assert "for the local fire authority to say" in words
    assert "not drinking water" in words


def test_without_a_server_in_the_settings_nothing_is_sent(tmp_path: Path) -> None:
    said = CliRunner().invoke(app, ["dashboards", "--send", "--site", str(make_site(tmp_path / "site", []))])
    assert "there is no server to send to; add a [forward] table" in str(said.exception)
