"""A settings file: how it is read, all its mistakes at once, and the dates in it."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rainstead.errors import SettingsError
from rainstead.settings import load_settings, parse_settings, since_ms, starter


def refusal(act: Callable[[], object]) -> str:
    with pytest.raises(SettingsError) as refused:
        act()
    return str(refused.value)


# --- reading the file ---------------------------------------------------------------------------------------------


def test_a_good_file_is_read_into_si(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(starter(), encoding="utf-8")
    settings = load_settings(path)
    assert settings.tanks["house"].brim_m == 2.1
    assert settings.tanks["house"].calibrations[0].model_dump()["diameter_m"] == pytest.approx(9 * 0.3048, rel=1e-15)
    assert settings.rain is not None
    assert settings.rain.storm_gap_s == 6 * 3600


def test_a_file_that_begins_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(starter(), encoding="utf-8-sig")
    assert load_settings(path) == parse_settings(starter(), "starter")


def test_a_missing_file_says_how_to_begin_one(tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    said = refusal(lambda: load_settings(path))
    assert said == f"{path}: there is no such file; `rainstead settings new {path}` writes one to start from"


def test_a_folder_is_not_a_settings_file(tmp_path: Path) -> None:
    assert refusal(lambda: load_settings(tmp_path)) == f"{tmp_path}: is a folder; name the settings file in it"


def test_a_file_under_a_file_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    path = tmp_path / "plain" / "site.toml"
    assert "cannot be read (Not a directory)" in refusal(lambda: load_settings(path))


def test_a_forbidden_file_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The refusal is made up: tests may run as root, whom no file forbids anything."""

    def forbidden(*_: object, **__: object) -> str:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_text", forbidden)
    said = refusal(lambda: load_settings(tmp_path / "site.toml"))
    assert said.endswith("site.toml: cannot be read (Permission denied); check the file's owner and rights")


def test_a_file_that_is_not_utf8_names_the_byte(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(b'a = "\xff"')
    assert refusal(lambda: load_settings(path)) == f"{path}: is not UTF-8 text (byte 5); save it as UTF-8"


def test_broken_toml_names_the_line() -> None:
    said = refusal(lambda: parse_settings("[site]\nname = \n", "site.toml"))
    assert said.startswith("site.toml: this is not TOML: ")
    assert "line 2" in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + 5000 * "9", "site.toml: a number in it has thousands of digits; mend it"),
        ("[log]\ncommit_every = 0x" + 9000 * "f", "site.toml: site: is missing"),
        ("a = " + 5000 * "[" + 5000 * "]", "site.toml: tables or lists are nested too deep"),
    ],
)
def test_what_the_toml_reader_chokes_on_is_told(text: str, said: str) -> None:
    assert refusal(lambda: parse_settings(text, "site.toml")).startswith(said)


def test_an_empty_file_names_the_tables_it_lacks() -> None:
    said = refusal(lambda: parse_settings("", "site.toml")).splitlines()
    assert [line.split(":")[1].strip() for line in said] == ["site", "tanks"]


# --- all mistakes at once -----------------------------------------------------------------------------------------


def test_mistakes_of_shape_and_between_keys_are_told_together() -> None:
    text = starter()
    for old, new in (
        ('brim = "1.05 m"', 'brim = "2 m"'),  # above the pool's sensor face
        ('diameter = "9 ft"', "diameter = -1"),  # makes tank house unusable
        ("gpio = 27", "gpio = 17"),  # one line used twice
        ('commit_every = "10 s"', "commit_every = 1"),
    ):
        assert old in text
        text = text.replace(old, new)
    said = refusal(lambda: parse_settings(text, "f")).splitlines()
    assert [line.split(" = ")[0] for line in said] == [
        "f: tanks.house.calibrations[0].diameter",
        "f: log.commit_every",
        "f: sensors.meter.gpio",
        "f: tanks.pool.calibrations[0].table",
        "f: tanks.pool.brim",
    ]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("latitude_deg = 39.4", 'latitude_deg = "?"'),
        ('max_range = "4.5 m"', 'max_range = "?"'),
        ('brim = "2.10 m"', 'brim = "?"'),
        ("k_factor_per_l = 450", 'k_factor_per_l = "?"'),
        ("depth_per_tip =", 'depth_per_tip = "?" #'),
        ('area = "140 m2"', 'area = "?"'),
        ('fire = "10000 L"', 'fire = "?"'),
        ('storm_gap = "6 h"', 'storm_gap = "?"'),
        ('suction = "10 cm"', 'suction = "?"'),
        ('freeboard = "300 L"', 'freeboard = "?"'),
        ('to = "pool"', 'to = "?"'),
        ('path = "/sys/bus/w1/devices/28-0000000000ff"', "path = 1"),
    ],
)
def test_one_mistake_of_shape_makes_no_false_ones_elsewhere(old: str, new: str) -> None:
    assert old in starter()
    said = refusal(lambda: parse_settings(starter().replace(old, new), "f"))
    assert len(said.splitlines()) == 1, said


@pytest.mark.parametrize("name", ["cylinder", "date", "datetime", "one_wire", "pump", "tank", "kind"])
def test_a_tank_may_have_any_name_and_keeps_it_in_messages(name: str) -> None:
    text = f"""
    site = {{ name = "x", time_zone = "UTC", latitude_deg = 0 }}
    [tanks.{name}]
    brim = 1
    brum = 1
    calibrations = [{{ shape = "cylinder", diameter = 0, from = 1 }}]
    """
    assert refusal(lambda: parse_settings(text, "f")).splitlines() == [
        f"f: tanks.{name}.calibrations[0].from = 1: must be a date (2026-01-31) or a date and time, without quotes",
        f"f: tanks.{name}.calibrations[0].diameter = 0: must be more than 0 m",
        f"f: tanks.{name}.brum = 1: there is no such key; did you mean brim?",
    ]


def test_a_value_of_many_lines_is_told_on_one() -> None:
    text = starter().replace('name = "Example (invented)"', 'name = """' + "a\nb" * 500 + '"""\nnaame = """a\nb"""')
    assert (
        refusal(lambda: parse_settings(text, "f"))
        == r'f: site.naame = "a\nb": there is no such key; did you mean name?'
    )


def test_the_same_length_in_other_units_is_inside_no_blanking_distance() -> None:
    """83 in is 2.1082 m: a brim there, with the face just the blanking distance above it, is right."""
    text = (
        starter().replace('brim = "2.10 m"', 'brim = "83 in"').replace('face_height = "2.50 m"', "face_height = 2.3582")
    )
    assert parse_settings(text, "f").tanks["house"].face_height_m == 2.3582


def test_a_short_cone_and_any_order_of_dates_are_nobody_s_mistake() -> None:
    cone = 'shape = "truncated-cone"\nbottom_diameter = 2\ntop_diameter = 3\nheight = 1'
    table = "[[tanks.house.calibrations]]"
    text = starter().replace(
        'shape = "cylinder"\ndiameter = "9 ft"',
        f"from = 2026-03-01\n{cone}\n{table}\nfrom = 2025-03-01\n{cone}\n{table}\n{cone}",
    )
    assert len(parse_settings(text, "f", now_ms=since_ms(date(2026, 3, 2), "UTC")).tanks["house"].calibrations) == 3


def test_without_a_now_no_calibration_is_in_the_future() -> None:
    text = starter().replace('shape = "cylinder"', 'from = 2199-12-31\nshape = "cylinder"')
    assert parse_settings(text, "f").tanks["house"].calibrations[0].since == date(2199, 12, 31)


def test_a_calibration_dated_today_at_the_site_is_not_in_the_future() -> None:
    """Midnight at Auckland is noon or earlier of the day before in UTC."""
    text = (
        starter()
        .replace("Europe/Lisbon", "Pacific/Auckland")
        .replace('shape = "cyl', 'from = 2026-06-02\nshape = "cyl')
    )
    midnight_ms = int(datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp() * 1000)  # Auckland in June: UTC+12, from memory
    parse_settings(text, "f", now_ms=midnight_ms)
    assert "lies in the future" in refusal(lambda: parse_settings(text, "f", now_ms=midnight_ms - 1))


# --- dates --------------------------------------------------------------------------------------------------------


def ms(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp()) * 1000  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("when", "zone", "expected"),
    [
        (date(2026, 1, 31), "UTC", ms(2026, 1, 31)),
        (date(2026, 1, 31), "Europe/Lisbon", ms(2026, 1, 31)),  # winter: UTC
        (date(2026, 7, 31), "Europe/Lisbon", ms(2026, 7, 30, 23)),  # summer: UTC+1
        (datetime(2026, 7, 31, 12), "Europe/Lisbon", ms(2026, 7, 31, 11)),  # noqa: DTZ001 - naive is the case
        (datetime(2026, 7, 31, 12, tzinfo=UTC), "Europe/Lisbon", ms(2026, 7, 31, 12)),
        (datetime(2026, 7, 31, 12, tzinfo=timezone(timedelta(hours=5))), "Europe/Lisbon", ms(2026, 7, 31, 7)),
    ],
)
def test_a_date_is_midnight_at_the_site_and_a_naive_time_is_the_site_s(when: date, zone: str, expected: int) -> None:
    assert since_ms(when, zone) == expected


def test_no_date_is_before_any_date() -> None:
    assert since_ms(None, "UTC") < since_ms(date(1900, 1, 1), "UTC")


FIRST, LAST = datetime.fromisoformat("1900-01-01"), datetime.fromisoformat("2199-12-31")


@given(st.datetimes(FIRST, LAST), st.sampled_from(["UTC", "Pacific/Kiritimati", "Asia/Kolkata"]))
def test_every_date_that_may_stand_in_a_file_has_a_stamp(when: datetime, zone: str) -> None:
    assert isinstance(since_ms(when, zone), int)
    assert since_ms(when.date(), zone) <= since_ms(when, zone)
