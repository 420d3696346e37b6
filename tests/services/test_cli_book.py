"""`rainstead book` as its user meets it."""

from pathlib import Path

import pytest
from small_site import SETTINGS, Row, make_site
from typer.testing import CliRunner, Result

from rainstead.cli.commands import app

HOUSEHOLD = '\n[household]\ntank = "house"\ndraw_a_day = 96\ndraw_a_day_u = 10\n'


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Two days; both tanks stand still, though the house is said to draw 96 L a day."""
    rows: list[Row] = [
        (
            f"2026-03-{26 + k // 144:02d}T{k // 6 % 24:02d}:{k % 6}0:00",
            f"{tank}_level",
            1500.0 if tank == "house" else 900.0,
        )
        for k in range(54, 54 + 288)
        for tank in ("house", "pool")
    ]
    return make_site(tmp_path, rows, SETTINGS + HOUSEHOLD)


def book(site: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["book", *words, "--site", str(site), "--as-of", "2026-03-28T09:00Z"])


def test_each_tank_has_its_lines_and_all_together_have_theirs(site: Path) -> None:
    said = book(site).stdout
    assert [line.strip() for line in said.splitlines() if line.strip() in ("house", "pool", "All tanks together")] == [
        "house",
        "pool",
        "All tanks together",
    ]
    assert "2026-03-27" in said
    assert "-96" in said
    assert "+96" in said
    assert "evaporation is in the rest, because the settings have no [evaporation] table" in said
    assert "not in the book: drum" in said


def test_a_kind_of_water_that_never_came_takes_no_column(site: Path) -> None:
    said = book(site, "house").stdout
    heading = next(line for line in said.splitlines() if "opening" in line)
    assert "draw" in heading
    assert "carted" not in heading
    assert "All tanks together" not in said


def test_the_book_is_drawn(site: Path) -> None:
    assert book(site, "--plot", str(site / "book.png")).exit_code == 0
    assert (site / "book.png").read_bytes().startswith(b"\x89PNG")
    assert book(site, "pool", "--by", "week", "--plot", str(site / "book.svg")).exit_code == 0
    assert (site / "book.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_a_wrong_word_is_told_with_its_remedy(site: Path) -> None:
    assert "must be one of day, week, month" in str(book(site, "--by", "year").exception)
