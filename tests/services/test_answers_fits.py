"""Fits over a log and a notebook: which volumes and dips are used, which are left out and why, what is to be pasted."""

import re
import tomllib
from pathlib import Path

import pytest
from small_site import SETTINGS, Row, make_site, utc_ms

from rainstead.answers import (
    DipsFit,
    Estimate,
    MeterFit,
    StrappingFit,
    Unknown,
    bucket_fit,
    dips_fit,
    gauge_fit,
    runs_fit,
    strapping_fit,
)
from rainstead.errors import RainsteadError
from rainstead.log import LogReader
from rainstead.notebook import Delivery, Dip, KnownVolume, Notes, RunNote
from rainstead.settings import Settings, parse_settings

SITE = parse_settings(SETTINGS, "site.toml")
NOW = utc_ms("2026-03-28T20:00:00")


def pasted(toml: str) -> Settings:
    """The settings with a fit's lines below them; calibrations of one line stand in blocks, as the lines need."""
    blocks = re.sub(
        r"calibrations = \[\{ (shape.*) \}\]",
        lambda found: "[[tanks.X.calibrations]]\n" + found[1].replace(", ", "\n"),
        SETTINGS,
    )
    for name in ("house", "pool", "drum"):
        blocks = blocks.replace("tanks.X.", f"tanks.{name}.", 1)
    return parse_settings(f"{blocks}\n{toml}".replace("from = 2026-03-28", "from = 2026-03-27"), "site.toml")


def clock(minute: int) -> str:
    return f"2026-03-28T{8 + minute // 60:02d}:{minute % 60:02d}:00"


def pool(depths_m: dict[int, float], upto: int = 300) -> list[Row]:
    """A reading a minute; the depth that was last given stands. Face at 1.5 m; 10 000 L a metre."""
    rows: list[Row] = []
    depth = 0.0
    for minute in range(upto):
        depth = depths_m.get(minute, depth)
        rows.append((clock(minute), "pool_level", round(1000 * (1.5 - depth))))
    return rows


def at(minute: int) -> int:
    return utc_ms(clock(minute))


def strapped(folder: Path, rows: list[Row], notes: Notes, tank: str = "pool") -> StrappingFit:
    site = make_site(folder, rows)
    with LogReader(site) as reader:
        return strapping_fit(SITE, reader, NOW, notes, tank)


def dipped(folder: Path, rows: list[Row], notes: Notes, tank: str = "pool", *, volumes: bool = False) -> DipsFit:
    site = make_site(folder, rows)
    with LogReader(site) as reader:
        return dips_fit(SITE, reader, NOW, notes, tank, volumes=volumes)


def estimated(value: object) -> Estimate:
    assert isinstance(value, Estimate), value
    return value


POURED = Notes(
    known_volumes=(
        KnownVolume(at(60), at(70), "pool", 1500.0, 5.0),
        KnownVolume(at(120), at(130), "pool", 2600.0, 5.0),
    )
)
ROSE = {0: 0.2, 65: 0.35, 125: 0.6}


def test_known_volumes_with_levels_around_them_make_a_table(tmp_path: Path) -> None:
    fit = strapped(tmp_path, pool(ROSE), POURED)
    assert estimated(fit.volume_l).value == pytest.approx(4100, abs=1)
    assert [line.depth_m for line in fit.table] == pytest.approx([0, 0.2, 0.35, 0.6, 1.0])
    assert [line.is_measured for line in fit.table] == [False, False, True, True, False]
    assert fit.in_force is not None
    assert fit.in_force.value == pytest.approx(4000, abs=1)
    assert fit.toml is not None
    assert [one.shape for one in pasted(fit.toml).tanks["pool"].calibrations] == ["cuboid", "strapping-table"]


LOAD = Notes(deliveries=(Delivery(at(60), at(70), "pool", 3100.0, 60.0),))


def test_a_carted_load_is_a_known_volume_too(tmp_path: Path) -> None:
    fit = strapped(
        tmp_path, pool({0: 0.2, 65: 0.5}), Notes(deliveries=(Delivery(at(60), at(70), "pool", 3100.0, 60.0),))
    )
    assert estimated(fit.volume_l).value == pytest.approx(3100, abs=1)
    assert estimated(fit.volume_l).u > 60


def test_what_cannot_be_used_is_named_with_its_reason(tmp_path: Path) -> None:
    rows = [*pool(ROSE, upto=200), (clock(128), "gauge", 3)]
    notes = Notes(
        known_volumes=(
            *POURED.known_volumes,
            KnownVolume(at(400), at(410), "pool", 900.0, 5.0),
            KnownVolume(at(180), at(181), "pool", 20.0, 1.0),
        )
    )
    fit = strapped(tmp_path, rows, notes)
    reasons = {one.label: one.because for one in fit.left_out}
    assert reasons["poured 2026-03-28 10:00"] == "rain fell meanwhile"
    assert "no good level" in reasons["poured 2026-03-28 14:40"]
    assert "+0 mm only" in reasons["poured 2026-03-28 11:00"]


def test_nothing_poured_says_nothing(tmp_path: Path) -> None:
    fit = strapped(tmp_path, pool({0: 0.2}), Notes())
    assert isinstance(fit.volume_l, Unknown)
    assert (fit.toml, fit.table, fit.in_force) == (None, (), None)


def test_a_tank_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RainsteadError, match="did you mean pool"):
        strapped(tmp_path, pool({0: 0.2}), Notes(), "pol")


def test_dips_against_the_ranger_move_its_face(tmp_path: Path) -> None:
    notes = Notes(dips=tuple(Dip(at(minute), "pool", 0.25, 0.003) for minute in (30, 100, 170)))
    fit = dipped(tmp_path, pool({0: 0.2}), notes)
    assert estimated(fit.offset_m).value == pytest.approx(0.05, abs=1e-6)
    assert fit.fitted_face_height_m == pytest.approx(1.55)
    assert fit.in_force is not None
    assert fit.in_force.differs
    assert fit.toml is not None
    assert tomllib.loads(fit.toml)["tanks"]["pool"]["face_height"] == "1.550 m"


def test_a_dip_without_a_level_beside_it_is_left_out(tmp_path: Path) -> None:
    notes = Notes(dips=(Dip(at(30), "pool", 0.2, 0.003), Dip(at(500), "pool", 0.2, 0.003)))
    fit = dipped(tmp_path, pool({0: 0.2}, upto=100), notes)
    assert len(fit.dips) == 1
    assert "within ten minutes" in fit.left_out[0].because


def test_dips_that_contradict_give_no_face_height(tmp_path: Path) -> None:
    notes = Notes(dips=(Dip(at(30), "pool", 0.2, 0.003), Dip(at(60), "pool", 0.26, 0.003)))
    fit = dipped(tmp_path, pool({0: 0.2}), notes)
    assert isinstance(fit.offset_m, Unknown)
    assert "contradict" in fit.offset_m.because
    assert fit.toml is None


def test_dips_and_known_volumes_need_no_ranger(tmp_path: Path) -> None:
    """The drum has no sensor: 0.6 m across, 2.83 L a centimetre. It was empty at first."""
    notes = Notes(
        dips=(Dip(at(50), "drum", 0.0, 0.001), Dip(at(80), "drum", 0.31, 0.001), Dip(at(140), "drum", 0.66, 0.001)),
        known_volumes=(
            KnownVolume(at(60), at(70), "drum", 80.0, 0.5),
            KnownVolume(at(120), at(130), "drum", 100.0, 0.5),
        ),
    )
    fit = dipped(tmp_path, pool({0: 0.2}), notes, "drum", volumes=True)
    assert fit.litres is not None
    l_per_cm = estimated(fit.litres.l_per_cm)
    assert l_per_cm.value == pytest.approx(2.73, abs=0.03)
    assert fit.litres.in_force is not None
    assert fit.litres.in_force.value == pytest.approx(2.827, abs=0.001)
    assert estimated(fit.litres.zero_depth_m).value == pytest.approx(0.31 - 0.8 / l_per_cm.value, abs=1e-6)
    assert fit.toml is not None
    assert [one.shape for one in pasted(fit.toml).tanks["drum"].calibrations] == ["cylinder", "litres-per-centimetre"]


def test_volumes_between_which_nobody_dipped_make_one_step(tmp_path: Path) -> None:
    notes = Notes(
        dips=(Dip(at(50), "drum", 0.1, 0.001), Dip(at(140), "drum", 0.66, 0.001)),
        known_volumes=(
            KnownVolume(at(60), at(70), "drum", 80.0, 0.5),
            KnownVolume(at(120), at(130), "drum", 78.0, 0.5),
        ),
    )
    fit = dipped(tmp_path, pool({0: 0.2}), notes, "drum", volumes=True)
    assert fit.litres is not None
    assert [step.volume_l for step in fit.litres.steps] == [158.0]
    assert isinstance(fit.litres.zero_depth_m, Unknown)


def test_a_tank_without_a_ranger_has_nothing_to_hold_dips_against(tmp_path: Path) -> None:
    with pytest.raises(RainsteadError, match="--volumes"):
        dipped(tmp_path, pool({0: 0.2}), Notes(), "drum")


PUMPED: list[Row] = [
    *pool({0: 0.8} | {60 + k: 0.8 - 0.005 * k for k in range(1, 11)}),
    (clock(60), "meter", 0),
    *((f"2026-03-28T09:{k // 60:02d}:{k % 60:02d}", "meter", 334.0) for k in range(1, 600)),
]
"""Ten minutes of 334 pulses a second, 200 066 in all; the pool falls by 50 mm, which is 500 L."""


def ran(folder: Path, notes: Notes, rows: list[Row] | None = None) -> MeterFit:
    site = make_site(folder, [*PUMPED, *(rows or [])])
    with LogReader(site) as reader:
        return runs_fit(SITE, reader, NOW, notes)


def test_a_metered_run_out_of_the_tank_is_a_known_volume(tmp_path: Path) -> None:
    fit = strapped(tmp_path, PUMPED, Notes())
    assert [step.volume_l for step in fit.steps] == pytest.approx([-200_066 / 400], abs=0.01)
    assert estimated(fit.volume_l).u > 0.03 * 490  # the K-factor's own


def test_a_run_against_the_fall_of_its_tank_gives_pulses_per_litre(tmp_path: Path) -> None:
    fit = ran(tmp_path, Notes(run_notes=(RunNote(at(65), "fog", "ground"),)))
    assert fit.by == "tank"
    (line,) = fit.pours
    assert line.pulses == 200_066
    assert line.volume_l == pytest.approx(500, abs=0.5)
    assert estimated(fit.k_per_l).value == pytest.approx(line.pulses / line.volume_l)
    assert fit.toml is not None
    assert tomllib.loads(fit.toml)["sensors"]["meter"]["calibrations"][0]["k_factor_per_l"] == pytest.approx(
        line.pulses / line.volume_l, abs=0.005
    )


def test_a_run_in_the_rain_is_left_out(tmp_path: Path) -> None:
    fit = ran(tmp_path, Notes(), [(clock(66), "gauge", 2)])
    assert isinstance(fit.k_per_l, Unknown)
    assert fit.left_out[0].because == "rain fell meanwhile"


def test_a_log_without_runs_says_nothing(tmp_path: Path) -> None:
    site = make_site(tmp_path, pool({0: 0.2}))
    with LogReader(site) as reader:
        fit = runs_fit(SITE, reader, NOW, Notes())
    assert isinstance(fit.k_per_l, Unknown)


def test_buckets_need_no_log() -> None:
    fit = bucket_fit(SITE, None, NOW, ["20 L"], [8000, 8020, 7980])
    assert estimated(fit.k_per_l).value == pytest.approx(400, abs=0.01)
    assert [line.volume_l for line in fit.pours] == [20.0] * 3
    assert fit.in_force is not None
    assert not fit.in_force.differs


@pytest.mark.parametrize(
    ("volumes", "pulses", "seconds", "told"),
    [
        (["20"], [8000], [], "has no unit"),
        (["20 L", "10 L"], [8000], [], "2 volumes and 1 counts"),
        (["20 L"], [], [], "--pulses"),
        (["20 L"], [-1], [], "not below 0"),
        (["0 L"], [8000], [], "more than nothing"),
        (["20 L"], [8000, 8000], ["6 s"], "1 times for 2 counts"),
        (["20 L"], [8000], ["0 s"], "above 0"),
    ],
)
def test_buckets_that_cannot_be_are_refused(
    volumes: list[str], pulses: list[int], seconds: list[str], told: str
) -> None:
    with pytest.raises(RainsteadError, match=told):
        bucket_fit(SITE, None, NOW, volumes, pulses, seconds)


def test_a_poured_gauge_is_held_against_its_calibration() -> None:
    fit = gauge_fit(SITE, None, NOW, "500 mL", "200 mm", [80])
    assert estimated(fit.depth_per_tip_mm).value == pytest.approx(0.19894, abs=1e-5)
    assert fit.tip_ml == pytest.approx(6.25)
    assert fit.in_force is not None
    assert fit.in_force.differs  # 0.25 mm in force
    assert fit.toml is not None
    parse_settings(
        SETTINGS.replace("calibrations = [{ depth_per_tip = 0.25 }]\n", "").replace(
            "gpio = 5\n", "gpio = 5\n" + fit.toml.replace("from = 2026-03-28", "from = 2026-03-27")
        ),
        "site.toml",
    )


@pytest.mark.parametrize(
    ("poured", "funnel", "tips", "told"),
    [
        ("500 mm", "200 mm", [80], "unknown unit"),
        ("0 mL", "200 mm", [80], "above 0"),
        ("500 mL", "200 m", [80], "between 20 mm and 2 m"),
        ("500 mL", "200 mm", [-3], "not below 0"),
    ],
)
def test_pours_that_cannot_be_are_refused(poured: str, funnel: str, tips: list[int], told: str) -> None:
    with pytest.raises(RainsteadError, match=told):
        gauge_fit(SITE, None, NOW, poured, funnel, tips)
