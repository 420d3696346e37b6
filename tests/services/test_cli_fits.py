"""`rainstead fit` as its user meets it."""

from pathlib import Path

import pytest
from small_site import SETTINGS, make_site, utc_ms
from typer.testing import CliRunner, Result

from rainstead.cli.commands import app
from rainstead.notebook import Dip, KnownVolume, Notebook


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The pool rises by 0.3 m for 3100 L, where its calibration says 3000; the ranger reads 60 mm too deep."""
    rows = [
        (f"2026-03-28T{8 + k // 60:02d}:{k % 60:02d}:00", "pool_level", 1300.0 if k < 65 else 1000.0)
        for k in range(180)
    ]
    make_site(tmp_path, rows)
    with Notebook(tmp_path) as notebook:
        notebook.add(KnownVolume(utc_ms("2026-03-28T09:00:00"), utc_ms("2026-03-28T09:10:00"), "pool", 3100.0, 10.0), 0)
        for minute in (20, 40):
            notebook.add(Dip(utc_ms(f"2026-03-28T08:{minute}:00"), "pool", 0.14, 0.003), 0)
    return tmp_path


def fit(site: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["fit", *words, "--site", str(site), "--as-of", "2026-03-28T12:00Z"])


def test_a_table_is_shown_beside_the_one_in_force_and_drawn(site: Path) -> None:
    result = fit(site, "strapping", "pool", "--plot", str(site / "table.png"))
    assert "pool: 3,100 L (95 %: " in result.stdout
    assert "In force: 3,000 ±118 L. They do not differ by more than their uncertainty" in result.stdout
    assert '["0.500 m", "5100 L"]' in result.stdout
    assert (site / "table.png").read_bytes().startswith(b"\x89PNG")


def test_dips_say_how_high_the_face_stands(site: Path) -> None:
    said = fit(site, "dips", "pool").stdout
    assert "dips read -60.0 mm" in said
    assert "Face height 1.440 m by the dips, 1.500 m in the settings." in said


def test_what_cannot_be_said_has_its_reason(site: Path) -> None:
    assert "not enough to say, because" in fit(site, "strapping", "drum").stdout
    assert "not enough to say, because" in fit(site, "meter").stdout
    said = fit(site, "meter", "--volume", "20L", "--pulses", "0").stdout
    assert "no pulse during bucket 1: check that it turns" in said


def test_a_bucket_needs_no_log(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SETTINGS, encoding="utf-8")
    said = fit(tmp_path, "meter", "--volume", "20L", "--pulses", "8200").stdout
    assert "meter: 410.00 pulses per litre" in said
    assert "k_factor_per_l = 410.00" in said
    assert (
        "0.1989 mm of rain a tip"
        in fit(tmp_path, "gauge", "--poured", "500mL", "--funnel", "200mm", "--tips", "80").stdout
    )
