"""`settings check`, `settings schema`, `settings new`, as a person meets them."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rainstead.cli.settings import app
from rainstead.errors import SettingsError
from rainstead.settings import load_settings, starter

RUN = CliRunner()


def test_a_good_file_is_called_good_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(starter(), encoding="utf-8")
    done = RUN.invoke(app, ["check", str(path)], catch_exceptions=False)
    assert done.exit_code == 0
    assert done.output == (
        f"{path} is good: 2 tanks, 5 sensors, 1 catchment, 1 overflow link; "
        "alarms watched: overflow risk, low reserve, low space, sensor fault, no backup.\n"
    )


@pytest.mark.parametrize(
    ("port", "is_renumbered"),
    [
        ("/dev/ttyUSB0", True),
        ("/dev/ttyACM12", True),
        ("/dev/serial/by-id/usb-an_adapter-if00-port0", False),
        ("/dev/serial/by-path/platform-1-usb-0:1.2:1.0-port0", False),
        ("/dev/ttyAMA0", False),
        ("/dev/ttyS0", False),
        ("/dev/serial0", False),
    ],
)
def test_a_port_whose_number_may_change_gets_advice_and_is_no_mistake(
    tmp_path: Path, port: str, is_renumbered: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, says in (("has_console", False), ("holder", None), ("grabbers", {})):  # whatever this machine has there
        monkeypatch.setattr(f"rainstead.settings.shared_port.{name}", lambda *_, says=says: says)
    path = tmp_path / "site.toml"
    path.write_text(starter().replace("/dev/serial/by-id/the-port-of-the-house-tank", port), encoding="utf-8")
    done = RUN.invoke(app, ["check", str(path)], catch_exceptions=False)
    assert done.exit_code == 0
    good, *advice = done.output.splitlines()
    assert "is good" in good
    assert len(advice) == is_renumbered
    if is_renumbered:
        assert f".port = {port}: " in advice[0] and "`ls -l /dev/serial/by-id`" in advice[0]


@pytest.mark.parametrize(("after", "is_short"), [("1 h", True), ("24 h", False), ("3 d", False), ("0 s", False)])
def test_a_disk_that_may_reboot_the_board_more_than_once_a_day_gets_advice(
    tmp_path: Path, after: str, is_short: bool
) -> None:
    path = tmp_path / "site.toml"
    text = starter()
    assert 'reboot_after = "24 h"' in text
    path.write_text(text.replace('reboot_after = "24 h"', f'reboot_after = "{after}"'), encoding="utf-8")
    done = RUN.invoke(app, ["check", str(path)], catch_exceptions=False)
    assert done.exit_code == 0
    assert ("log.reboot_after = 3600 s: " in done.output) == is_short


@pytest.mark.parametrize(("after", "is_short"), [("3", True), ('"20 h"', True), ('"3 d"', False), ("0", False)])
def test_a_wish_for_backups_in_less_than_a_day_gets_advice(tmp_path: Path, after: str, is_short: bool) -> None:
    path = tmp_path / "site.toml"
    path.write_text(f"{starter()}\n[alarms.no_backup]\nafter = {after}\n", encoding="utf-8")
    done = RUN.invoke(app, ["check", str(path)], catch_exceptions=False)
    assert done.exit_code == 0
    assert ("alarms.no_backup.after = " in done.output) == is_short


def test_a_bad_file_raises_all_its_mistakes(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(starter().replace("gpio = 27", "gpio = 17").replace('gauge = "gauge"', 'gauge = "gage"'))
    with pytest.raises(SettingsError) as refused:
        RUN.invoke(app, ["check", str(path)], catch_exceptions=False)
    assert len(str(refused.value).splitlines()) == 2


def test_a_calibration_from_next_century_is_caught_by_the_wall_clock(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(starter().replace('shape = "cylinder"', 'from = 2190-01-01\nshape = "cylinder"'))
    with pytest.raises(SettingsError, match="lies in the future"):
        RUN.invoke(app, ["check", str(path)], catch_exceptions=False)


def test_schema_prints_a_json_schema() -> None:
    done = RUN.invoke(app, ["schema"], catch_exceptions=False)
    schema = json.loads(done.output)
    assert schema["type"] == "object"
    assert {"site", "tanks"} == set(schema["required"])


def test_new_writes_a_file_that_passes_its_check(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    done = RUN.invoke(app, ["new", str(path)], catch_exceptions=False)
    assert done.exit_code == 0
    assert f"rainstead settings check {path}" in done.output
    assert "invented" in done.output
    assert "invented" in load_settings(path).site.name


def test_new_leaves_a_file_that_is_there_alone(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("mine")
    with pytest.raises(SettingsError, match="is there already, and is left as it is; name another file"):
        RUN.invoke(app, ["new", str(path)], catch_exceptions=False)
    assert path.read_text() == "mine"


def test_new_in_a_folder_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be written"):
        RUN.invoke(app, ["new", str(tmp_path / "no" / "site.toml")], catch_exceptions=False)
