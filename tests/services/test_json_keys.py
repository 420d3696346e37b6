"""What `services/json-keys.md` says of the JSON, and the JSON itself, both ways."""

import importlib
import json
import re
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from dawn_rows import FALLS_MM, dawn_rows
from roof_site import DAY_MS, START_MS, Shower, make_roof_site
from small_site import SETTINGS, Row, make_site, utc_ms
from typer.testing import CliRunner

from rainstead.cli.commands import app
from rainstead.forward import Cursor, CursorFile, Refused
from rainstead.messages.outbox import Delivery, Message, Wait
from rainstead.messages.store import Store
from rainstead.notebook import Dip, KnownVolume, Notebook, RunNote
from rainstead.readback import AlarmSeen, SiteSeen, TankSeen
from rainstead.upkeep import BackupAccount, CheckAccount, DamagedSpan, Went, leave_account

DOCUMENT = Path(__file__).parents[2] / "services" / "json-keys.md"

ROWS: list[Row] = [
    ("2026-03-27T10:00:00", "gauge", 2),
    ("2026-03-28T10:00:00", "house_level", 560),
    ("2026-03-28T10:00:00", "pool_level", 900),
    ("2026-03-28T10:00:00", "shed_air", 20.0),
    ("2026-03-28T10:01:00", "house_level", 1500),
    ("2026-03-28T10:01:00", "pool_level", 900),
    ("2026-03-28T10:01:00", "gauge", 1),
    ("2026-03-28T10:01:30", "gauge", 1),
    ("2026-03-28T10:01:30", "meter", 0),
    ("2026-03-28T10:01:40", "meter", 400),
]
"""All that an answer can hold at once: a storm and a pump run going on, an alarm raised and cleared."""

PUMPED: list[Row] = [
    *(
        (f"2026-03-25T{9 + k // 60:02d}:{k % 60:02d}:30", "pool_level", 900 + round(8.8 * min(max(k - 59.5, 0), 10)))
        for k in range(30, 100)
    ),
    ("2026-03-25T10:00:00", "meter", 0),
    *((f"2026-03-25T10:{k // 6:02d}:{k % 6}9", "meter", 7300) for k in range(60)),
]
"""A run of ten minutes, three days before, whose meter tells a fifth more than its tank."""

BUCKET_TIMES = [f"--time={seconds} s" for seconds in (30, 20, 12, 8)]

COMMANDS = {
    "now": [],
    "tanks": ["--days", "2"],
    "rain": ["--days", "2"],
    "storms": [],
    "pump": [],
    "alarms": [],
    "health": [],
    "replay": ["--settings", "other.toml"],
    "forwarding": [],
    "messages": [],
    "note list": ["--struck"],
    "book": ["--since", "2026-03-27"],
    "fit strapping": ["pool"],
    "fit dips": ["pool", "--volumes"],
    "fit meter": ["--volume", "20 L", *(f"--pulses={n}" for n in (8000, 8100, 8200, 8300)), *BUCKET_TIMES],
    "fit gauge": ["--poured", "500 mL", "--funnel", "200 mm", "--tips", "80"],
    "transfer": ["--rain", "100,450,500"],
    "outlook": ["--days", "5,10", "--record", "record.csv", "--draw", "300 L"],
    "losses": [],
    "storm": ["--as-of", "2026-03-05"],
    "yield": ["--as-of", "2026-03-05"],
    "run": ["2026-03-25T10:05Z", "--pressure", "300 kPa"],
    "defence": ["--area", "600 m2", "--depth", "5 mm"],
    "sizing": ["--record", "record.csv", "--draw", "300 L", "--option", "tank=5kL cost=100"],
}


def build(folder: Path) -> Path:
    site = make_site(folder, [*dawn_rows(FALLS_MM), *PUMPED, *ROWS])
    with Notebook(site) as notebook:
        notebook.add(Dip(0, "house", 1.0, 0.005), 0)
        for when, depth_m in (("20T08:00", 0.01), ("20T11:00", 0.3), ("25T09:45", 0.61)):
            notebook.add(Dip(utc_ms(f"2026-03-{when}:00"), "pool", depth_m, 0.002), 0)
        for when, volume_l in (("10T09:00", 500.0), ("20T09:00", 2900.0)):
            noted_ms = utc_ms(f"2026-03-{when}:00")
            notebook.add(KnownVolume(noted_ms, noted_ms + 3_600_000, "pool", volume_l, 5.0), 0)
        notebook.add(RunNote(utc_ms("2026-03-25T10:05:00"), "half open", "drum"), 0)
    (site / "other.toml").write_text(SETTINGS.replace("freeboard = 300", "freeboard = 100"), encoding="utf-8")
    _forwarded(site)
    _messaged(site)
    went = Went(utc_ms("2026-03-28T02:20:00"), True, "said")
    leave_account(site, BackupAccount("/a/stick", True, True, False, went, went))
    leave_account(site, CheckAccount(True, went, went, 1, 360, (DamagedSpan(went.t_ms, went.t_ms, 360),), ("a fault",)))
    counts = [{"name": "house_level", "trouble": None, "counts": {"bad_bytes": 3}}]
    told = {"site": "Invented [hollow]", "written_ms": utc_ms("2026-03-28T10:01:40"), "sensors": counts}
    (site / "health.json").write_text(json.dumps(told), encoding="utf-8")
    (site / "readings-damaged-20260101T000000Z.db").write_bytes(b"what a logger moved aside")
    days = (date(2023, 1, 1) + timedelta(days=k) for k in range(800))
    record = "".join(f"{day},{12 if day.toordinal() % 7 == 0 else 0}\n" for day in days)
    (site / "record.csv").write_text(f"date,rain_mm\n{record}", encoding="utf-8")
    return site


def _forwarded(site: Path) -> None:
    """As a forwarder leaves it whose server refused a point."""
    table = '[forward]\nurl = "http://nowhere.invalid"\norg = "o"\nbucket = "b"\ntoken_file = "t"\n'
    (site / "site.toml").write_text(SETTINGS + table, encoding="utf-8")
    file = CursorFile(site / "forwarder.db")
    at_ms = utc_ms("2026-03-28T10:01:00")
    file.save("http://nowhere.invalid o b", Cursor(at_ms, 0, ((0, at_ms - 5000),)), [Refused("a line", "422")], at_ms)
    file.tell(last_stored_ms=str(at_ms), word="stored", reason="")
    file.close()


def _messaged(site: Path) -> None:
    """As a messenger leaves it whose channel did not take a message."""
    table = '[messages.channels.mail]\naddress_file = "mail.address"\n'
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.write(table)
    store = Store(site / "messages.db")
    message = Message(1, "alarm", utc_ms("2026-03-28T10:01:00"), "a title", "a body")
    store.deliver(Delivery(message, "mail", "given_up", because="it takes no connection"))
    store.deliver(Delivery(replace(message, number=2), "mail", "queued", tries=1))
    store.wait("mail", Wait(40_000, "it takes no connection"), 10_000, message.at_ms)
    store.flush()
    store.close()


ESTIMATES = ({"value", "u", "low", "high"}, {"because"})
"""An estimate is one key of the document, whether there is a figure or the reason why there is none."""


def walked(value: Any, path: str) -> Iterator[str]:
    if isinstance(value, dict) and value and set(value) not in ESTIMATES:
        for key, part in value.items():
            yield from walked(part, f"{path}.{key}" if path else key)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for part in value:
            yield from walked(part, f"{path}[]")
    else:
        yield path


def paths_of(command: str, site: Path) -> set[str]:
    options = [str(site / one) if one.endswith((".toml", ".csv")) else one for one in COMMANDS[command]]
    result = CliRunner().invoke(
        app, [*command.split(), "--site", str(site), "--as-of", "2026-03-28T10:01:45Z", "--json", *options]
    )
    assert result.exit_code == 0, result.output
    found = set(walked(json.loads(result.stdout), ""))
    # An empty list, or a part that is null in one member, says no more than a full one beside it.
    return {path for path in found if not any(other.startswith((f"{path}.", f"{path}[]")) for other in found)}


def documented() -> dict[str, set[str]]:
    """Keys of each heading's tables; those under `Every answer` belong to all commands."""
    found: dict[str, set[str]] = {}
    heading = ""
    for line in DOCUMENT.read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            heading = line[3:].strip().strip("`")
        elif match := re.match(r"\| `([^`]+)` \| [^|]+ \| [^|]+ \|$", line):
            keys = found.setdefault(heading, set())
            assert match[1] not in keys, f"{heading}: {match[1]} stands there twice"
            keys.add(match[1])
    return found


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def roofs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Showers enough for a yield, and a gutter that is blocked from the fourteenth on."""
    rain = [Shower(START_MS + (2 + 3 * k) * DAY_MS, 4.0 + k * 7 % 11, ratio=1.0 if k < 13 else 0.6) for k in range(18)]
    return make_roof_site(tmp_path_factory.mktemp("roofs"), rain, days=60)[0]


@pytest.mark.parametrize("command", COMMANDS)
def test_the_document_and_the_json_name_the_same_keys(command: str, site: Path, roofs: Path) -> None:
    tables = documented()
    assert (
        paths_of(command, roofs if command in ("storm", "yield") else site) == tables["Every answer"] | tables[command]
    )


def test_the_document_has_a_table_for_each_reading_command_and_no_other() -> None:
    assert set(documented()) == {"Every answer", "salvage", "sites", *COMMANDS}


def test_the_document_and_the_json_of_a_salvage_name_the_same_keys(tmp_path: Path) -> None:
    site, old = make_site(tmp_path, ROWS), tmp_path / "old.db"
    shutil.copy(site / "readings.db", old)
    db = sqlite3.connect(old)
    db.execute("UPDATE reading SET value = value + 1 WHERE sensor = (SELECT min(sensor) FROM reading)")
    db.execute("INSERT INTO block (first_ms, last_ms, segment, count, whole, body) VALUES (1, 2, 1, 3, 1, x'00')")
    db.commit()
    db.close()
    result = CliRunner().invoke(app, ["salvage", str(old), "--site", str(site), "--json"])
    assert result.exit_code == 0, result.output
    found = set(walked(json.loads(result.stdout), ""))
    assert found == documented()["salvage"]


def test_the_document_and_the_json_of_all_sites_name_the_same_keys(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = SiteSeen(
        "Invented [hollow]",
        utc_ms("2026-03-28T10:01:00"),
        (TankSeen("pool", utc_ms("2026-03-28T10:00:00"), 6000.0, 20.0, 4000.0, 5500.0),),
        6000.0,
        5500.0,
        13_000.0,
        (AlarmSeen("low_reserve", "reserve", "active_unacknowledged", utc_ms("2026-03-28T10:00:00"), "why"),),
    )
    # The function has taken its module's name in the package.
    module = importlib.import_module("rainstead.answers.sites")
    monkeypatch.setattr(module, "see_sites", lambda _connection, *, upto_ms: (seen,) if upto_ms else ())
    (site / "t").write_text("a token", encoding="utf-8")
    command = ["sites", "--site", str(site), "--as-of", "2026-03-28T10:01:45Z", "--json"]
    result = CliRunner().invoke(app, command)
    assert result.exit_code == 0, result.output
    assert set(walked(json.loads(result.stdout), "")) == documented()["sites"]
